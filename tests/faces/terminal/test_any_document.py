"""Whatever the document holds, the view draws it within its size and says STALE exactly when it must."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.faces.terminal import Link, plain_line, summary
from monitor.figures.document import (
    Anytime,
    BoardFigures,
    Chips,
    CoverageFigures,
    DispositionLine,
    EveryFailure,
    Exposure,
    FailureFigures,
    Figures,
    FixedLook,
    Incident,
    Intake,
    LifeRatios,
    LotFigures,
    LotMechanism,
    MechanismFigures,
    Plan,
    PoolingFigures,
    Ratios,
    ReadErrorBound,
    Reads,
    SocketFigures,
    Target,
    TargetFixed,
    Uncredited,
    UseLine,
)
from monitor.rules.alerts import Alert
from tests.faces.terminal.test_page import CONTROL
from tests.faces.terminal.test_view import assert_fits, printed

COUNT = st.integers(min_value=0, max_value=2**63)
INSTANT = st.integers(min_value=-(2**63), max_value=2**63)
HOURS = st.floats(min_value=0, allow_infinity=False)
NUMBER = st.floats(allow_nan=True)
MAYBE = st.none() | st.floats(min_value=0, allow_infinity=False)
CONFIDENCE = st.sampled_from([0.6, 0.9, 0.95, 0.999]) | st.floats(min_value=0, max_value=1)
WORDS = st.text(max_size=12) | st.sampled_from(
    ["\x1b[2J", "[/red]", "\u202ex", "晶" * 30, "A" * 200, "\ud800", "STALE"]
)
NAME = WORDS.map(lambda text: text.replace("STALE", "stale"))
STATE = NAME | st.sampled_from(
    ["reading", "failed", "not relevant", "never seen", "offline", "silent", "counter", "unwitnessed",
     "temperature", "supply", "not reading", "stressing", "starting"]
)  # fmt: skip


def few(strategy: st.SearchStrategy[Any], most: int = 3) -> st.SearchStrategy[list[Any]]:
    return st.lists(strategy, max_size=most)


LOOK = st.builds(FixedLook, CONFIDENCE, MAYBE, MAYBE, MAYBE)
ALWAYS = st.builds(Anytime, CONFIDENCE, MAYBE)
EVERY = st.builds(EveryFailure, COUNT, few(LOOK), few(ALWAYS))
MECHANISM = st.builds(MechanismFigures, NAME, *[NUMBER] * 4, HOURS, COUNT, few(LOOK), few(ALWAYS), EVERY)
LOT_MECHANISM = st.builds(LotMechanism, NAME, HOURS, COUNT, few(LOOK), few(ALWAYS))
LOT = st.builds(LotFigures, NAME, COUNT, COUNT, HOURS, COUNT, few(LOT_MECHANISM))
USE = st.builds(UseLine, *[NUMBER] * 4)
PLAN = st.builds(Plan, NAME, *[NUMBER] * 9, few(USE), *[NUMBER] * 4)
DISPOSITION = st.builds(DispositionLine, NAME, st.none() | NAME, NAME, NAME, INSTANT)
FIXED = st.builds(TargetFixed, st.booleans(), MAYBE, MAYBE, st.none() | NAME)
TARGET = st.builds(Target, HOURS, st.booleans(), MAYBE, MAYBE, st.none() | NAME, CONFIDENCE, NAME, FIXED)
LIFE = st.builds(LifeRatios, NAME, HOURS, HOURS, HOURS, HOURS)
COVERAGE = st.builds(CoverageFigures, st.builds(Ratios, HOURS, HOURS, HOURS, HOURS), few(LIFE))
FAILURE = st.builds(
    FailureFigures, NAME, NAME, NAME, COUNT, COUNT, INSTANT, COUNT, NAME, HOURS, COUNT, st.none() | COUNT,
    st.none() | NAME, st.none() | NAME, NAME, st.none() | NAME, st.none() | NAME, few(DISPOSITION),
)  # fmt: skip
SOCKET = st.builds(SocketFigures, st.integers(0, 300) | COUNT, NAME, STATE)
BOARD = st.builds(
    BoardFigures, NAME, COUNT, st.none() | COUNT, st.none() | INSTANT, st.none() | NUMBER, st.none() | NUMBER,
    STATE, st.none() | INSTANT, COUNT, HOURS, few(SOCKET, 8),
)  # fmt: skip
INTAKE = st.builds(
    Intake, *[COUNT] * 10, st.dictionaries(NAME, COUNT, max_size=3),
    few(st.tuples(NAME, st.none() | COUNT, st.none() | COUNT)),
)  # fmt: skip
FIGURES = st.builds(
    Figures,
    NAME,
    st.none() | INSTANT,
    st.builds(Chips, *[COUNT] * 6),
    st.builds(Exposure, HOURS, st.builds(Uncredited, *[HOURS] * 5)),
    st.builds(Reads, *[COUNT] * 4),
    few(MECHANISM),
    few(st.builds(ReadErrorBound, CONFIDENCE, MAYBE)),
    TARGET,
    st.builds(PoolingFigures, MAYBE, NAME | st.just("lots differ"), NAME),
    COVERAGE,
    few(LOT),
    few(FAILURE),
    few(st.builds(Incident, NAME, COUNT, few(NAME), INSTANT)),
    few(BOARD, 5),
    INTAKE,
    PLAN,
)
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
