"""Whatever the document holds, the view draws it within its size and says STALE exactly when it must.

The documents are made from the types of the document itself, so that a new field needs no word here.
"""

from __future__ import annotations

import types
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.faces.terminal import Link, plain_line, summary
from monitor.figures.document import BoardFigures, Figures, MechanismFigures, SocketFigures
from monitor.rules.alerts import Alert
from tests.faces.terminal.test_page import CONTROL
from tests.faces.terminal.test_view import assert_fits, printed

COUNT = st.integers(min_value=0, max_value=2**63)
INSTANT = st.integers(min_value=-(2**63), max_value=2**63)
HOURS = st.floats(min_value=0, allow_infinity=False)
NUMBER = st.floats(allow_nan=True)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
CONFIDENCE = st.sampled_from([0.6, 0.9, 0.95, 0.999]) | st.floats(min_value=0, max_value=1)
WORDS = st.text(max_size=12) | st.sampled_from(
    ["\x1b[2J", "[/red]", "\u202ex", "晶" * 30, "A" * 200, "\ud800", "STALE"]
)
NAME = WORDS.map(lambda text: text.replace("STALE", "stale"))
STATE = NAME | st.sampled_from(
    ["reading", "failed", "not relevant", "never seen", "offline", "silent", "counter", "unwitnessed",
     "temperature", "supply", "not reading", "stressing", "starting"]
)  # fmt: skip
VERDICT = NAME | st.sampled_from(["passed", "failed", "go on", "accept", "reject", "lots differ"])
MEASURED = st.none() | NUMBER

FIELDS: dict[str, st.SearchStrategy[Any]] = {
    **dict.fromkeys(("t_ms", "when_ms", "up_ms"), INSTANT),
    **dict.fromkeys(("as_of_ms", "last_t_ms", "last_recv_ms"), st.none() | INSTANT),
    **dict.fromkeys(("temp_c", "supply_v"), NUMBER),
    **dict.fromkeys(("ea_ev", "gamma_per_v", "voltage_exponent", "acceleration"), NUMBER),
    **dict.fromkeys(("low", "high", "change", "value", "median", "least_margin"), FINITE),
    "confidence": CONFIDENCE,
    "verdict": VERDICT,
    "state": STATE,
}
OF_TYPE: dict[tuple[type, str], st.SearchStrategy[Any]] = {
    (BoardFigures, "temp_c"): MEASURED,
    (BoardFigures, "supply_v"): MEASURED,
    (BoardFigures, "sockets"): st.deferred(lambda: few(document(SocketFigures), 8)),
    (SocketFigures, "socket"): st.integers(0, 300) | COUNT,
    (MechanismFigures, "curve"): st.just([]),  # for other faces
}


def few(strategy: st.SearchStrategy[Any], most: int = 2) -> st.SearchStrategy[list[Any]]:
    return st.lists(strategy, max_size=most)


def document(struct: type) -> st.SearchStrategy[Any]:
    """Any value of a part of the document."""
    hints = get_type_hints(struct)
    known = {name: FIELDS[name] for name in hints if name in FIELDS}
    own = {name: given for (owner, name), given in OF_TYPE.items() if owner is struct}
    return st.builds(struct, **({name: of_hint(hint) for name, hint in hints.items()} | known | own))


def of_hint(hint: Any) -> st.SearchStrategy[Any]:
    plain = {str: NAME, int: COUNT, float: HOURS, bool: st.booleans(), type(None): st.none()}
    if hint in plain:
        return plain[hint]
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return document(hint)
    origin, args = get_origin(hint), get_args(hint)
    if origin in {Union, types.UnionType}:
        return st.one_of([of_hint(arg) for arg in args])
    if origin is list:
        return few(of_hint(args[0]))
    if origin is tuple:
        return st.tuples(*map(of_hint, args))
    if origin is dict:
        return st.dictionaries(of_hint(args[0]), of_hint(args[1]), max_size=2)
    assert origin is Literal, hint
    return st.sampled_from(args)


FIGURES = document(Figures)
ALERT = st.builds(
    Alert, id=NAME, kind=NAME, subject=NAME, reason=NAME, began_ms=INSTANT, cleared_ms=st.none() | INSTANT
)
LINK = st.builds(
    Link,
    source=NAME,
    state=st.sampled_from(["live", "replay", "connecting", "lost"]),
    age_s=st.none() | st.floats(min_value=-1e9, max_value=1e12),
    stale_after_s=st.floats(min_value=0, max_value=1e6),
    note=st.none() | NAME,
)
SIZE = st.tuples(st.integers(1, 220), st.integers(1, 70)) | st.sampled_from([(80, 24), (200, 60), (60, 16)])


@settings(max_examples=150)
@given(st.none() | FIGURES, few(ALERT), LINK, SIZE, st.booleans())
def test_any_document_is_drawn_within_the_screen(
    figures: Figures | None, alerts: list[Alert], link: Link, size: tuple[int, int], ascii_only: bool
) -> None:
    said = printed(figures, link, size, alerts, ascii_only=ascii_only)
    assert_fits(said, size)
    assert not CONTROL.search(said.replace("\n", ""))
    assert said.isascii() or not ascii_only
    if size[0] >= 5:
        stale = link.state == "lost" or (link.age_s is not None and link.age_s > link.stale_after_s)
        assert said.startswith("STALE") is stale


@settings(max_examples=80)
@given(FIGURES, few(ALERT), LINK)
def test_any_document_has_a_page_and_a_line(figures: Figures, alerts: list[Alert], link: Link) -> None:
    assert_fits(summary(figures), (78, 10**6))
    assert not CONTROL.search(summary(figures).replace("\n", ""))
    assert not CONTROL.search(plain_line(figures, alerts, link))
