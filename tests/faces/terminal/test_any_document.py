"""Whatever the document holds, the view draws it within its size and says STALE exactly when it must.

The documents are made from the types of the document itself, so that a new field is drawn as soon as it is there.
"""

from __future__ import annotations

import math
import sys
import types
from collections.abc import Callable
from random import Random
from typing import Any, Union, get_args, get_origin, get_type_hints

import msgspec
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from monitor.faces.terminal import Link, plain_line, summary
from monitor.figures.document import BoardFigures, Figures
from monitor.rules.alerts import Alert
from tests.faces.terminal.test_page import CONTROL
from tests.faces.terminal.test_view import assert_fits, printed

INSTANT = st.integers(min_value=-(2**63), max_value=2**63)
STRANGE = [
    "",
    "\x1b[2J",
    "\x1b]0;x\x07",
    "[/red]",
    "\u202ex",
    "\x9b31m",
    "晶" * 30,
    "A" * 200,
    "\ud800",
    "a b\nc",
]
NAME = (st.text(max_size=12) | st.sampled_from([*STRANGE, "STALE"])).map(
    lambda t: t.replace("STALE", "stale")
)

KNOWN = {  # words that the view knows
    "state": ["reading", "failed", "not relevant", "never seen", "offline", "silent", "counter", "unwitnessed",
              "temperature", "supply", "not reading", "stressing", "starting"],
    "verdict": ["passed", "failed", "go on", "accept", "reject", "lots differ", "no failures"],
    "reads_on": ["macro", "word"],
    "parameter": ["ea_ev", "failures", "use_temp_shift_c"],
}  # fmt: skip
SIZES_OF_NUMBERS = [
    0.0,
    5e-324,
    1e-9,
    0.1,
    0.9,
    0.999,
    1.0,
    3.0,
    77.7,
    1e3,
    999_999.99,
    1e15,
    1e300,
    sys.float_info.max,
]
SIGNED = {"temp_c", "supply_v", "ea_ev", "ea_low_ev", "low", "high", "low_limit", "high_limit", "value", "bound",
          "median", "least_margin", "median_change", "change", "acceleration", "self_heating_c"}  # fmt: skip
LOST = {"temp_c", "supply_v", "ea_ev", "gamma_per_v", "acceleration"}  # may be no number
TIMES = {"t_ms", "when_ms", "as_of_ms", "last_t_ms", "last_recv_ms"}


class Maker:
    """Makes any value of a type, by chance."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self._plain: dict[Any, Callable[[str], Any]] = {
            str: self._text,
            int: self._integer,
            float: self._number,
            bool: lambda _: random.random() < 0.5,
            type(None): lambda _: None,
        }

    def any(self, hint: Any, field: str = "") -> Any:
        """Any value of the type ``hint``, for the field of that name."""
        if hint in self._plain:
            return self._plain[hint](field)
        if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
            return hint(**{name: self.any(kind, name) for name, kind in get_type_hints(hint).items()})
        origin, args = get_origin(hint), get_args(hint)
        if origin in {Union, types.UnionType}:
            return self.any(self.random.choice(args), field)
        if origin is tuple:
            return tuple(self.any(arg, field) for arg in args)
        items = range(self.random.choice([0, 1, 1, 2, 3, 8 if args == (BoardFigures,) else 1]))
        if origin is dict:
            return {self.any(args[0], field): self.any(args[1], field) for _ in items}
        assert origin is list, hint
        return [self.any(args[0], field) for _ in items]

    def _text(self, field: str) -> str:
        if field in KNOWN and self.random.random() < 0.8:
            return self.random.choice(KNOWN[field])
        if self.random.random() < 0.4:
            return self.random.choice(STRANGE)
        return "".join(chr(self.random.choice([self.random.randrange(0x250), self.random.randrange(0x110000)]))
                       for _ in range(self.random.randrange(12)))  # fmt: skip

    def _integer(self, field: str) -> int:
        size = self.random.choice([0, 1, 2, 3, 7, 40, 300, 10**6, 2**63, self.random.randrange(2**63)])
        return -size if field in TIMES and self.random.random() < 0.3 else size

    def _number(self, field: str) -> float:
        if field.endswith("confidence"):
            return self.random.choice([0.6, 0.9, 0.95, 0.999, self.random.random()])
        if field in LOST and self.random.random() < 0.1:
            return self.random.choice([math.nan, math.inf, -math.inf])
        size = self.random.choice([*SIZES_OF_NUMBERS, self.random.random() * 1000])
        return -size if field in SIGNED and self.random.random() < 0.3 else size


FIGURES = st.randoms(use_true_random=True).map(lambda random: Maker(random).any(Figures))
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


@settings(max_examples=150, phases=[Phase.generate])  # a seed has nothing to shrink
@given(st.none() | FIGURES, st.lists(ALERT, max_size=3), LINK, SIZE, st.booleans())
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


@settings(max_examples=80, phases=[Phase.generate])
@given(FIGURES, st.lists(ALERT, max_size=3), LINK)
def test_any_document_has_a_page_and_a_line(figures: Figures, alerts: list[Alert], link: Link) -> None:
    assert_fits(summary(figures), (78, 10**6))
    assert not CONTROL.search(summary(figures).replace("\n", ""))
    assert not CONTROL.search(plain_line(figures, alerts, link))
