"""The careful account beside the plain one: its rows, what a snapshot keeps, and what the order of messages changes."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest
from msgspec.structs import replace
from scipy.stats import norm

from monitor.figures import Figures, to_json
from monitor.journal.exchange import Line
from monitor.ledger import freeze, thaw
from monitor.ledger.weights import Guard, Weights
from monitor.service.account import Account
from shared.entries import Readout, ReadPointFile
from tests.figures.bench import READS_PER_H, START_MS, Bench, make_campaign

INTERVAL = {"name": "a", "ea_ev": 0.7, "ea_low_ev": 0.6, "ea_high_ev": 0.8}
NORMAL = {"name": "b", "ea_ev": 0.6, "ea_sd_ev": 0.05}
SURE = {"name": "c", "ea_ev": 0.5}
ALL: dict[str, Any] = {
    "mechanism": [INTERVAL, NORMAL, SURE],
    "claims": {"failures_allowed": 1, "discrimination": 3.0},
}


MEASURED = ReadPointFile(
    file="a.csv",
    sha256="0" * 64,
    mechanism="b",
    who="bench",
    when_ms=START_MS,
    readouts=(
        Readout(serial="A-1", read_point_h=0.0, parameter="margin", unit="mV", value=1.5, low_limit=0.5),
    ),
)


def test_an_interval_has_one_guard_and_a_normal_error_one_for_each_confidence() -> None:
    weights = Weights(make_campaign(mechanism=[SURE, NORMAL, INTERVAL, {**NORMAL, "name": "d"}]))
    shares = {c: (1 - c) / 2 / 2 for c in (0.6, 0.9)}  # half of the error, shared by two
    expected = [
        (1, 0.6 + 0.05 * norm.ppf(shares[0.6]), 0.6),
        (1, 0.6 + 0.05 * norm.ppf(shares[0.9]), 0.9),
        (2, (0.6, 0.8), None),
        (3, 0.6 + 0.05 * norm.ppf(shares[0.6]), 0.6),
        (3, 0.6 + 0.05 * norm.ppf(shares[0.9]), 0.9),
    ]
    assert weights.rows == 4 + 5
    for guard, (mechanism, ea, confidence) in zip(weights.guards, expected, strict=True):
        assert (guard.mechanism, guard.confidence) == (mechanism, confidence)
        assert guard.ea_ev == (ea if isinstance(ea, tuple) else pytest.approx((ea,), rel=1e-12))


def test_certain_energies_have_no_guard() -> None:
    weights = Weights(make_campaign(mechanism=[SURE]))
    assert weights.guards == ()
    assert weights.rows == 1


def test_the_worst_end_is_that_of_the_least_factor() -> None:
    """Low where the stress is hotter than the use, high where it is cooler."""
    for use_c, ea_ev in ((55, 0.6), (140, 0.8)):
        weights = Weights(
            make_campaign(mechanism=[INTERVAL], use={"profile": [{"share": 1, "temp_c": use_c}]})
        )
        assert weights.worst_ea_ev(weights.guards[0]) == ea_ev
        assert weights.guards == (Guard(0, (0.6, 0.8), None),)
        assert weights.guards_at_set_point[0] < weights.at_set_point[0]


# --- a path with failures ------------------------------------------------------------------------------------------


def told(events: list[tuple[str, Any]], **changes: Any) -> Bench:
    """A bench that hears tallies, error messages and dispositions in the order given, after a measurement."""
    bench = Bench(**(ALL | changes))
    bench.hear(Line(t_recv_ms=START_MS, readpoint=MEASURED))
    for kind, what in events:
        if kind == "tally":
            errors: list[int | None] = [int(what >= 2), 0, int(what >= 3), 0]
            bench.tally(what, what, [what * READS_PER_H] * 4, errors)
        elif kind == "error":
            n, hour, socket = what
            bench.error(n, hour, socket=socket)
        else:
            bench.judge(*what)
    return bench


FIRST, SECOND = ("error", (0, 1.5, 1)), ("error", (1, 2.5, 3))
JUDGED = ("judge", (4.0, "A-1", "relevant", "b"))
IN_ORDER = [("tally", 0), ("tally", 1), FIRST, ("tally", 2), SECOND, ("tally", 3), ("tally", 4), JUDGED]


def test_the_hours_at_a_failure_are_those_when_it_became_known() -> None:
    """A-1 at one hour of four chips; B-1 at 1.5 h of A-1 and two of the others."""
    ledger = told(IN_ORDER).account.ledger
    assert list(ledger.accounts.at_failure) == [0, 2]
    weights = ledger.weights
    hours = [weights.row_h(totals) for totals in ledger.accounts.at_failure.values()]
    for row in range(weights.rows):
        factor = (*weights.at_set_point, *weights.guards_at_set_point)[row]
        assert hours[0][row] / factor == pytest.approx(4, rel=1e-9)
        assert hours[1][row] / factor == pytest.approx(1.5 + 3 * 2, rel=1e-9)


def test_a_snapshot_in_the_midst_of_failures_changes_nothing() -> None:
    for cut in range(len(IN_ORDER) + 1):
        whole, first = told(IN_ORDER), told(IN_ORDER[:cut])
        ledger = thaw(first.account.campaign, freeze(first.account.ledger))
        assert ledger is not None
        assert ledger.accounts.at_failure == first.account.ledger.accounts.at_failure
        assert list(ledger.accounts.at_failure) == list(first.account.ledger.accounts.at_failure)
        assert ledger.readpoints == [MEASURED]
        taken_up = Account(first.account.campaign)
        taken_up.ledger, taken_up.session = ledger, first.account.session
        for line in whole.lines[cut + 1 :]:
            taken_up.hear(line)
        assert ledger.accounts.at_failure == whole.account.ledger.accounts.at_failure
        assert to_json(taken_up.figures()) == to_json(whole.figures)


def comparable(figures: Figures) -> Figures:
    """The figures without what depends on when a failure became known: verdicts along the path, and the clock."""
    mechanisms = [replace(item, pass_line=None, sequential=None) for item in figures.mechanisms]
    return replace(figures, mechanisms=mechanisms, as_of_ms=None, plan=replace(figures.plan, running_h=0.0))


@pytest.mark.parametrize("where", range(2, 7))
def test_an_error_message_before_or_after_tallies_gives_the_same_figures(where: int) -> None:
    """Only the hours at which a failure became known differ, and with them what a plan says along the path."""
    late = [event for event in IN_ORDER if event != FIRST]
    late.insert(where - 1, FIRST)
    if where > late.index(SECOND):
        late.remove(SECOND)
        late.insert(late.index(FIRST) + 1, SECOND)
    assert comparable(told(late).figures) == comparable(told(IN_ORDER).figures)


def test_dispositions_may_come_at_any_time() -> None:
    rest = [event for event in IN_ORDER if event != JUDGED]
    expected = comparable(told(IN_ORDER).figures)
    for at in range(len(rest) + 1):
        assert comparable(told([*rest[:at], JUDGED, *rest[at:]]).figures) == expected


def test_the_order_of_mechanisms_is_only_their_order() -> None:
    stated = [INTERVAL, NORMAL, SURE]
    expected = {item.name: item for item in told(IN_ORDER).figures.mechanisms}
    for order in permutations(stated):
        found = told(IN_ORDER, mechanism=list(order)).figures
        assert {item.name: item for item in found.mechanisms} == expected


def test_a_path_never_runs_beyond_the_present_or_back() -> None:
    """The failure becomes known by a tally, then an earlier instant by its message: credit is taken back."""
    events = [("tally", 0), ("tally", 1), ("tally", 2), ("tally", 3), ("tally", 4), ("error", (0, 0.5, 1))]
    bench = told(events)
    for item in bench.figures.mechanisms:
        assert item.pass_line is not None
        assert item.sequential is not None
        for decided_h in (item.pass_line.decided_h, item.sequential.decided_h):
            assert decided_h is None or decided_h <= item.equivalent_h * (1 + 1e-12)
