"""The figures of small runs, worked out by hand in the comments.

Sources:
- Acceleration: AEC-Q100 appendix 7 (published figure from memory), a chip maker's public reliability page (read) and
  a published operating-life result, 231 chips for 1000 h with no failure (read); tolerances are those of the rounded
  constants which the publications use, 0.3 % to 1 %. Ten-digit factors: recomputed with mpmath from JESD74A's equation.
- Bounds: scipy.stats.chi2 applied to the formula of JESD85, and the trade's table of chi-square factors (JESD85,
  NIST/SEMATECH e-Handbook 8.3.1.1; from memory). Anytime bounds and the way to the target: tables made with mpmath.
- Lots: exact multinomial probabilities, by counting.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from monitor.figures import Figures, build, from_json, to_json
from monitor.figures.document import MechanismFigures
from shared.entries import Refused
from tests.figures.bench import READS_PER_H, START_MS, Bench

HOUR_MS = 3_600_000

# 125 °C to 55 °C at 0.7 eV, to ten digits by mpmath.
FACTOR = 77.64538205

TWO_MECHANISMS = [{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}]

# chi2.ppf(C, 2 r + 2) / 2 as the trade's table prints it, three decimals; from memory.
TABLE = {
    0.6: (0.916, 2.022, 3.105, 4.175, 5.237),
    0.9: (2.303, 3.890, 5.322, 6.681, 7.994),
}


def quiet(hours: int = 4, **changes: Any) -> Bench:
    """Four chips, hourly tallies, nothing wrong."""
    bench = Bench(**changes)
    bench.hours(0, hours)
    return bench


def by_name(figures: Figures) -> dict[str, MechanismFigures]:
    return {m.name: m for m in figures.mechanisms}


# --- hours and reads -----------------------------------------------------------------------------------------------


def test_a_quiet_run_credits_every_interval_of_every_chip() -> None:
    """Five tallies are four intervals of 1 h; four chips: 16 chip-hours and 16 x 3.6e6 reads. The first is free."""
    figures = quiet().figures
    assert figures.exposure.credited_h == 16.0
    assert figures.reads.total == figures.reads.credited == 16 * READS_PER_H
    assert (figures.reads.errors, figures.reads.errors_at_risk) == (0, 0)
    assert set(msgspec.structs.astuple(figures.exposure.uncredited_h)) == {0.0}
    chips = figures.chips
    assert (chips.loaded, chips.at_risk, chips.failed, chips.not_relevant) == (4, 4, 0, 0)
    assert (chips.reading, chips.strangers) == (4, 0)
    assert figures.as_of_ms == START_MS + 4 * HOUR_MS
    assert figures.intake.accepted == 5


def test_each_reason_takes_its_own_hours() -> None:
    """Six intervals of four chips, each spoiled in its own way, worked out from the rules.

    0-1 h   good: 4 chip-hours credited.
    1-2 h   the oven at 131 °C at the end, above 130: 4 to temperature.
    2-3 h   it begins at 131 °C: 4 to temperature again.
    3-4 h   supply 2.03 V at the end, 0.05 V off: 4 to supply.
    4-5 h   it begins so: 4 to supply again.
    5-6 h   chip 2 does half of its reads: 1 to not_reading, 3 credited.
    6-10 h  4 h without a tally, more than 3 h: 16 to unwitnessed.
    10-11 h chip 3's counter falls: 1 to counter, 3 credited.
    """
    bench = Bench()
    good = READS_PER_H
    bench.tally(0, 0, [0] * 4)
    bench.tally(1, 1, [good] * 4)
    bench.tally(2, 2, [2 * good] * 4, temp_c=131.0)
    bench.tally(3, 3, [3 * good] * 4)
    bench.tally(4, 4, [4 * good] * 4, supply_v=2.03)
    bench.tally(5, 5, [5 * good] * 4)
    bench.tally(6, 6, [6 * good, 5 * good + good // 2, 6 * good, 6 * good])
    bench.tally(7, 10, [10 * good, 9 * good + good // 2, 10 * good, 10 * good])
    bench.tally(8, 11, [11 * good, 10 * good + good // 2, 1, 11 * good])
    figures = bench.figures
    uncredited = figures.exposure.uncredited_h
    assert figures.exposure.credited_h == 4 + 3 + 3
    assert (uncredited.temperature, uncredited.supply) == (8.0, 8.0)
    assert (uncredited.not_reading, uncredited.unwitnessed, uncredited.counter) == (1.0, 16.0, 1.0)
    # Every advance counts but the one that fell: three chips at 11 h of reads less what chip 2 missed, chip 3 to 10 h.
    assert figures.reads.total == 11 * good + (10 * good + good // 2) + 10 * good + 11 * good
    assert figures.reads.credited == 10 * good
    assert figures.intake.counter_faults == 1


@pytest.mark.parametrize(
    ("temp_c", "supply_v", "credited"),
    [(130.0, 2.02, 4.0), (123.0, 1.94, 4.0), (130.01, 1.98, 0.0), (122.99, 1.98, 0.0), (125.0, 2.0201, 0.0)],
)
def test_limits_are_inclusive_as_the_decimals_written(
    temp_c: float, supply_v: float, credited: float
) -> None:
    """1.98 + 0.04 is 2.02 to the last digit, though doubles add up to 2.02 only by luck; 125 + 5 and 125 - 2."""
    bench = Bench()
    for seq in (0, 1):
        bench.tally(seq, seq, [seq * READS_PER_H] * 4, temp_c=temp_c, supply_v=supply_v)
    assert bench.figures.exposure.credited_h == credited


def test_a_failed_chip_keeps_what_was_credited_up_to_the_instant() -> None:
    """A message at 2.5 h, between the tallies at 2 and 3 h: 2.5 h and 9 000 000 reads are that chip's."""
    bench = Bench()
    bench.hours(0, 2)
    bench.error(0, 2.5, socket=3)
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [0, 0, 9, 0])
    bench.tally(4, 4, [4 * READS_PER_H] * 4, [0, 0, 20, 0])
    figures = bench.figures
    (failure,) = figures.failures
    assert (failure.serial, failure.lot, failure.socket, failure.hours) == ("B-1", "B", 3, 2.5)
    assert failure.reads == 9_000_000
    assert (failure.t_ms, failure.up_ms) == (START_MS + 2.5 * HOUR_MS, 2.5 * HOUR_MS)
    assert (failure.address, failure.expected, failure.observed) == (77, "ff", "fe")
    assert (failure.witness, failure.disposition, failure.mechanism) == ("messages", None, None)
    assert figures.exposure.credited_h == 3 * 4 + 2.5
    # all failed reads of the counter, 20; those at risk end with the tally whose interval holds the instant, 9
    assert (figures.reads.errors, figures.reads.errors_at_risk) == (20, 9)
    assert (figures.chips.at_risk, figures.chips.failed, figures.chips.not_relevant) == (3, 1, 0)


# --- acceleration --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ea_ev", "use_c", "stress_c", "published", "tolerance"),
    [
        (0.7, 87, 125, 8.62, 0.02),  # AEC-Q100 appendix 7, table A7.1; from memory. It takes 0 °C as 273 K
        (0.7, 55, 135, 128, 0.5),  # a chip maker's public reliability page; read
        (0.7, 55, 125, 77, 1),  # the same page
        (0.7, 55, 85, 8, 0.5),  # the same page
    ],
)
def test_equivalent_hours_by_published_factors(
    ea_ev: float, use_c: float, stress_c: float, published: float, tolerance: float
) -> None:
    bench = Bench(
        stress={"temp_c": stress_c},
        use={"profile": [{"share": 1, "temp_c": use_c}]},
        mechanism=[{"name": "only", "ea_ev": ea_ev}],
    )
    bench.hours(0, 4, temp_c=stress_c)
    (mechanism,) = bench.figures.mechanisms
    assert mechanism.acceleration == pytest.approx(published, abs=tolerance)
    assert mechanism.equivalent_h == pytest.approx(16 * published, abs=16 * tolerance)


def test_equivalent_hours_to_ten_digits() -> None:
    figures = quiet().figures
    assert figures.mechanisms[0].acceleration == pytest.approx(FACTOR, rel=1e-10)
    assert figures.mechanisms[0].equivalent_h == pytest.approx(16 * FACTOR, rel=1e-10)


def test_an_interval_is_weighted_at_the_mean_of_its_two_temperatures() -> None:
    """124 and 126 °C weigh as 125 °C when measured; at the set-point even 130 °C does."""
    measured = Bench()
    for seq, temp_c in enumerate((124.0, 126.0)):
        measured.tally(seq, seq, [seq * READS_PER_H] * 4, temp_c=temp_c)
    assert measured.figures.mechanisms[0].equivalent_h == pytest.approx(4 * FACTOR, rel=1e-10)
    hot, set_point = Bench(), Bench(stress={"accelerate_at": "setpoint"})
    for bench in (hot, set_point):
        bench.hours(0, 1, temp_c=130.0)
    assert set_point.figures.mechanisms[0].equivalent_h == pytest.approx(4 * FACTOR, rel=1e-10)
    assert hot.figures.mechanisms[0].equivalent_h > 1.2 * set_point.figures.mechanisms[0].equivalent_h


def test_a_published_operating_life_result() -> None:
    """231 chips for 1000 h at 125 °C with no failure: 50.9 FIT at 55 °C and 60 % was published (0.7 eV assumed).

    The publication rounds k and takes 0 °C as 273 K, which makes 0.4 %; by mpmath it is 51.08644507. Here 4 chips run
    for 57.75 h: 231 chip-hours, a thousandth of the published 231 000, so the bound is a thousand times as high.
    """
    bench = Bench()
    bench.hours(0, 57)
    bench.tally(58, 57.75, [round(57.75 * READS_PER_H)] * 4)
    figures = bench.figures
    assert figures.exposure.credited_h == 231.0
    bound = figures.mechanisms[0].bounds[0]
    assert bound.fit_upper == pytest.approx(51.08644507e3, rel=1e-9)
    assert bound.fit_upper == pytest.approx(50.9e3, rel=4e-3)


# --- bounds and dispositions ---------------------------------------------------------------------------------------


def with_failures(count: int, **changes: Any) -> Bench:
    """``count`` of 4 chips fail by message at 2.5 h, and all that are left run on to 4 h."""
    bench = Bench(**{"failure": {"common_cause_chips": 9}, **changes})
    bench.hours(0, 2)
    for n in range(count):
        bench.error(n, 2.5, socket=n + 1)
    errors: list[int | None] = [1] * count + [0] * (4 - count)
    for seq in (3, 4):
        bench.tally(seq, seq, [seq * READS_PER_H] * 4, errors)
    return bench


@pytest.mark.parametrize("failures", range(5))
def test_bounds_by_chi_square_and_by_the_printed_table(failures: int) -> None:
    figures = with_failures(failures).figures
    (mechanism,) = figures.mechanisms
    equivalent_h = (4 * 4 - 1.5 * failures) * FACTOR
    assert mechanism.failures == figures.chips.failed == failures
    assert mechanism.equivalent_h == pytest.approx(equivalent_h, rel=1e-9)
    for bound in mechanism.bounds:
        c = bound.confidence
        assert bound.fit_upper == pytest.approx(
            chi2.ppf(c, 2 * failures + 2) / 2 / equivalent_h * 1e9, rel=1e-9
        )
        assert bound.fit_upper * equivalent_h / 1e9 == pytest.approx(TABLE[c][failures], abs=0.0005)
        lower = chi2.ppf(1 - c, 2 * failures) / 2 / equivalent_h * 1e9 if failures else 0.0
        assert bound.fit_lower == pytest.approx(lower, rel=1e-9)
        assert bound.fit_point == pytest.approx(failures / equivalent_h * 1e9, rel=1e-9)
    for fixed, anytime in zip(mechanism.bounds, mechanism.anytime, strict=True):
        assert anytime.confidence == fixed.confidence
        assert anytime.fit_upper > fixed.fit_upper  # the price of looking as often as one likes


def test_read_error_bound_by_chi_square() -> None:
    """Two failed reads at risk: chi2.ppf(C, 6) / (2 x reads credited)."""
    figures = with_failures(2).figures
    assert figures.reads.errors_at_risk == 2
    for bound in figures.read_error:
        expected = chi2.ppf(bound.confidence, 6) / (2 * figures.reads.credited)
        assert bound.per_read_upper == pytest.approx(expected, rel=1e-12)


def test_a_failure_of_unknown_mechanism_counts_in_every_one() -> None:
    figures = with_failures(2, mechanism=TWO_MECHANISMS).figures
    assert [m.failures for m in figures.mechanisms] == [2, 2]


def test_dispositions_move_a_failure_into_one_mechanism_or_out() -> None:
    bench = with_failures(3, mechanism=TWO_MECHANISMS)
    before = bench.figures
    bench.judge(5, "A-1", "relevant", "gate-oxide")
    bench.judge(5, "A-2", "not-relevant")
    figures = bench.figures
    found = by_name(figures)
    # A-1 is gate-oxide's alone; A-2 is out; B-1, without a word, is in both.
    assert (found["charge-loss"].failures, found["gate-oxide"].failures) == (1, 2)
    assert (figures.chips.failed, figures.chips.not_relevant, figures.chips.at_risk) == (2, 1, 1)
    assert figures.chips.loaded == 4
    assert [(f.serial, f.disposition, f.mechanism) for f in figures.failures] == [
        ("A-1", "relevant", "gate-oxide"),
        ("A-2", "not-relevant", None),
        ("B-1", None, None),
    ]
    # What every failed chip says, and every hour and read, stays as it was.
    assert [m.all for m in figures.mechanisms] == [m.all for m in before.mechanisms]
    assert [m.all.failures for m in figures.mechanisms] == [3, 3]
    assert (figures.exposure, figures.reads) == (before.exposure, before.reads)
    # The claim itself follows the count it names.
    upper = chi2.ppf(0.9, 2 * 1 + 2) / 2 / found["charge-loss"].equivalent_h * 1e9
    assert found["charge-loss"].bounds[1].fit_upper == pytest.approx(upper, rel=1e-9)


def test_the_last_disposition_stands() -> None:
    bench = with_failures(1, mechanism=TWO_MECHANISMS)
    bench.judge(5, "A-1", "not-relevant")
    bench.judge(6, "A-1", "relevant", "charge-loss")
    found = by_name(bench.figures)
    assert (found["charge-loss"].failures, found["gate-oxide"].failures) == (1, 0)
    bench.judge(7, "A-1", "relevant")
    assert [m.failures for m in bench.figures.mechanisms] == [1, 1]
    assert bench.figures.as_of_ms == START_MS + 7 * HOUR_MS  # an entry of any kind moves it


def test_a_mechanism_the_campaign_does_not_name_counts_in_every_one() -> None:
    """As under a changed campaign: a failure is not lost because its mechanism is called otherwise."""
    bench = with_failures(1, mechanism=TWO_MECHANISMS)
    bench.judge(5, "A-1", "relevant", "something-else")
    assert [m.failures for m in bench.figures.mechanisms] == [1, 1]


def test_a_disposition_of_a_chip_that_has_not_failed_changes_no_figure() -> None:
    bench = quiet()
    before = bench.figures
    bench.judge(4, "A-1", "not-relevant")
    assert to_json(bench.figures) == to_json(before)


# --- target, coverage, lots ----------------------------------------------------------------------------------------

# stats reference, section 8 (mpmath): 231 chips, 125 to 55 °C at 0.7 eV, 400 h, no failure, 100 FIT:
# confidence -> (anytime, anytime with one more failure now, fixed look, fixed look with one more), hours still to go.
TO_GO = {
    0.6: (220.354705801, 1618.03558202, 110.864450649, 730.674163347),
    0.9: (1123.30981174, 2601.48182987, 883.772527305, 1776.34620804),
}


@pytest.mark.parametrize("confidence", TO_GO)
def test_hours_to_the_target(confidence: float) -> None:
    """231 chips of one board, two tallies 400 h apart (the gap is allowed for here): 400 h credited to each."""
    bench = Bench(
        campaign={"confidence": [confidence], "target_fit": 100},
        stress={"max_gap_s": 1_440_000},
        chips=[{"rack": "oven-1", "board": 1, "sockets": "1-231", "lot": "A", "serial": "A-{n}"}],
    )
    bench.tally(0, 0, [0] * 231)
    bench.tally(1, 400, [400 * READS_PER_H] * 231)
    target = bench.figures.target
    anytime, anytime_one, fixed, fixed_one = TO_GO[confidence]
    assert target.hours_to_go == pytest.approx(anytime, rel=1e-8)
    assert target.hours_to_go_one_more == pytest.approx(anytime_one, rel=1e-8)
    assert target.fixed.hours_to_go == pytest.approx(fixed, rel=1e-8)
    assert target.fixed.hours_to_go_one_more == pytest.approx(fixed_one, rel=1e-8)
    assert (target.fit, target.met, target.fixed.met) == (100.0, False, False)
    assert (target.confidence, target.mechanism) == (confidence, "charge-loss")
    # Credit runs at one hour an hour: the date is 400 h (June 17, 16:00) plus 9.18 d, or plus 46.80 d.
    assert target.date == {0.6: "2026-06-26T20:21Z", 0.9: "2026-08-03T11:18Z"}[confidence]


def test_the_target_is_met_by_the_slowest_mechanism_at_the_highest_confidence() -> None:
    """0.5 eV accelerates least, so it is the one to wait for; enough hours for it meet the target."""
    unmet = quiet(mechanism=TWO_MECHANISMS).figures.target
    assert (unmet.met, unmet.mechanism, unmet.confidence) == (False, "gate-oxide", 0.9)
    met = quiet(mechanism=TWO_MECHANISMS, campaign={"target_fit": 1e8}).figures.target
    assert (met.met, met.hours_to_go, met.date) == (True, 0.0, None)
    assert (met.fixed.met, met.fixed.hours_to_go) == (True, 0.0)


def test_no_chip_left_means_no_hours_bring_the_target() -> None:
    target = with_failures(4).figures.target
    assert (target.met, target.hours_to_go, target.hours_to_go_one_more, target.date) == (
        False,
        None,
        None,
        None,
    )


def test_coverage_ratios() -> None:
    """Life: 15 years x 8766 h = 131 490 h in use. Reads: 5e5 a day x 365.25 x 15 = 2 739 375 000.

    After 4 h chip 2 has read only in the first two hours, the others in all four; chip 4 has failed at 2.5 h.
    """
    bench = Bench()
    bench.hours(0, 2)
    bench.error(0, 2.5, socket=4)
    for seq in (3, 4):
        bench.tally(
            seq, seq, [seq * READS_PER_H, 2 * READS_PER_H, seq * READS_PER_H, seq * READS_PER_H], [0, 0, 0, 1]
        )
    coverage = bench.figures.coverage
    of_life_reads = READS_PER_H / 2_739_375_000
    assert coverage.reads.least == pytest.approx(2 * of_life_reads, rel=1e-12)
    assert coverage.reads.median == pytest.approx((2.5 + 4) / 2 * of_life_reads, rel=1e-12)
    assert coverage.reads.most == pytest.approx(4 * of_life_reads, rel=1e-12)
    assert coverage.reads.fleet == pytest.approx((4 + 2 + 4 + 2.5) * of_life_reads, rel=1e-12)
    (life,) = coverage.life
    assert life.mechanism == "charge-loss"
    of_life = FACTOR / 131_490
    assert life.least == pytest.approx(2 * of_life, rel=1e-9)
    assert life.median == pytest.approx((2.5 + 4) / 2 * of_life, rel=1e-9)
    assert life.most == pytest.approx(4 * of_life, rel=1e-9)
    assert life.fleet == pytest.approx(12.5 * of_life, rel=1e-9)


def test_coverage_counts_a_chip_that_was_never_seen() -> None:
    bench = Bench(
        chips=[
            {"rack": "oven-1", "board": 1, "sockets": "1", "lot": "A", "serial": "A-{n}"},
            {"rack": "oven-1", "board": 2, "sockets": "1", "lot": "A", "serial": "A-{n}"},
        ]
    )
    bench.hours(0, 4, chips=1)
    assert bench.figures.coverage.reads.least == 0.0
    assert [b.state for b in bench.figures.boards] == ["stressing", "never seen"]


def test_lots_and_pooling() -> None:
    """Lots A and B of two chips each. A loses both at 2.5 h: 5 h of 13 credited, B has 8 of 13 and none failed."""
    figures = with_failures(2).figures
    lots = {lot.lot: lot for lot in figures.lots}
    assert (lots["A"].loaded, lots["A"].failed, lots["A"].credited_h) == (2, 2, 5.0)
    assert (lots["B"].loaded, lots["B"].failed, lots["B"].credited_h) == (2, 0, 8.0)
    assert lots["A"].reads_credited == 2 * 9_000_000
    assert lots["B"].reads_credited == 8 * READS_PER_H
    # Both failures in A has probability (5/13)^2 = 0.148; both in B has (8/13)^2 = 0.379, and by the likelihood
    # ratio, 4 ln(13/8) = 1.94 against 4 ln(13/5) = 3.82, is less unlike. So p = 25/169, and even the worst outcome
    # of two failures could not have shown a difference.
    assert figures.pooling.p_value == pytest.approx(25 / 169, rel=1e-12)
    assert figures.pooling.verdict == "no power"


def test_a_failure_dispositioned_out_leaves_its_lot_too() -> None:
    bench = with_failures(1)
    bench.judge(5, "A-1", "not-relevant")
    assert [(lot.lot, lot.failed) for lot in bench.figures.lots] == [("A", 0), ("B", 0)]
    assert (bench.figures.pooling.p_value, bench.figures.pooling.verdict) == (None, "no power")


# --- incidents, strangers, the floor -------------------------------------------------------------------------------


@pytest.mark.parametrize(("last_s", "found"), [(60, 1), (61, 0)])
def test_chips_of_a_board_that_fail_within_the_common_cause_time_are_an_incident(
    last_s: int, found: int
) -> None:
    """Three chips at 2 h, 30 s later and 60 s (inclusive) after the first; 61 s is too late."""
    bench = Bench()
    bench.hours(0, 1)
    for n, after_s in enumerate((0, 30, last_s)):
        bench.error(n, 1.5 + after_s / 3600, socket=n + 1)
    bench.tally(2, 2, [2 * READS_PER_H] * 4, [1, 1, 1, 0])
    figures = bench.figures
    assert figures.chips.failed == 3  # they stay counted until a person says otherwise
    assert len(figures.incidents) == found
    for incident in figures.incidents:
        assert (incident.rack, incident.board, incident.chips) == ("oven-1", 1, ["A-1", "A-2", "B-1"])
        assert incident.t_ms == START_MS + 1.5 * HOUR_MS


def test_strangers_are_counted_and_shown_but_change_nothing() -> None:
    """A board and a rack the campaign does not name, and a fifth socket that carries numbers."""
    bench = Bench()
    for seq in range(5):
        bench.tally(seq, seq, [seq * READS_PER_H] * 5)
    bench.tally(0, 4, [0], board=9)
    bench.tally(0, 4, [0], rack="oven-7")
    bench.error(0, 4, socket=5)
    figures, plain = bench.figures, quiet().figures
    assert figures.intake.strangers == 3  # messages
    assert figures.chips.strangers == 3  # places
    assert figures.intake.stranger_places == [("oven-1", 1, 5), ("oven-1", 9, None), ("oven-7", 1, None)]
    assert (figures.exposure, figures.reads, figures.mechanisms) == (
        plain.exposure,
        plain.reads,
        plain.mechanisms,
    )


def test_the_floor_by_last_tally() -> None:
    bench = quiet()
    board = bench.figures.boards[0]
    assert (board.rack, board.board, board.last_seq, board.state) == ("oven-1", 1, 4, "stressing")
    assert (board.last_t_ms, board.last_recv_ms) == (START_MS + 4 * HOUR_MS, START_MS + 4 * HOUR_MS)
    assert (board.temp_c, board.supply_v, board.boots, board.credited_h) == (125.0, 1.98, 1, 16.0)
    assert [(s.socket, s.serial, s.state) for s in board.sockets] == [
        (1, "A-1", "reading"),
        (2, "A-2", "reading"),
        (3, "B-1", "reading"),
        (4, "B-2", "reading"),
    ]


def test_silence_is_judged_by_the_clock_given_and_changes_no_claim() -> None:
    bench = quiet()
    refused = Refused()
    now = build(bench.account.ledger, refused, now_ms=START_MS + 7 * HOUR_MS)
    later = build(bench.account.ledger, refused, now_ms=START_MS + 7 * HOUR_MS + 1)
    assert (now.boards[0].state, later.boards[0].state) == (
        "stressing",
        "silent",
    )  # 3 h is allowed, inclusive
    assert later.chips.reading == 0
    assert (now.exposure, now.mechanisms, now.target) == (later.exposure, later.mechanisms, later.target)


def test_intake_is_what_was_told() -> None:
    """A repeat, a contradiction, nonsense, a late tally, a gap; and what an export brings along is added."""
    bench = Bench()
    bench.hours(0, 1)
    bench.hours(1, 1)  # the same again
    bench.tally(1, 1, [5] * 4)  # the same identity, other content
    bench.send(1, "oven-1/1/tally", {"boot": "boot-1"})  # fields are missing
    bench.hours(3, 5)  # seq 2 never came in time
    bench.hours(2, 2)
    bench.refuse(
        duplicates=10, invalid=4, invalid_reasons={"json": 4}, stranger_places=[("oven-9", None, None)]
    )
    intake = bench.figures.intake
    assert (intake.accepted, intake.duplicates, intake.conflicts, intake.invalid) == (6, 11, 1, 5)
    assert (intake.late, intake.gaps, intake.waiting) == (1, 1, 0)
    assert sum(intake.invalid_reasons.values()) == 5
    assert intake.invalid_reasons["json"] == 4
    assert bench.figures.chips.strangers == 1


# --- the document --------------------------------------------------------------------------------------------------

# The keys of the figures document that others build on. A list holds the keys of each of its items.
BOUNDS: dict[str, Any] = {"confidence": 0, "fit_upper": 0, "fit_lower": 0, "fit_point": 0}
ANYTIME: dict[str, Any] = {"confidence": 0, "fit_upper": 0}
KEYS: dict[str, Any] = {
    "campaign": 0,
    "as_of_ms": 0,
    "chips": {"loaded": 0, "at_risk": 0, "failed": 0, "not_relevant": 0, "strangers": 0},
    "exposure": {
        "credited_h": 0,
        "uncredited_h": {"counter": 0, "unwitnessed": 0, "temperature": 0, "supply": 0, "not_reading": 0},
    },
    "reads": {"total": 0, "credited": 0, "errors": 0, "errors_at_risk": 0},
    "mechanisms": [
        {
            "name": 0,
            "ea_ev": 0,
            "equivalent_h": 0,
            "failures": 0,
            "bounds": [BOUNDS],
            "anytime": [ANYTIME],
            "all": {"failures": 0, "bounds": [BOUNDS], "anytime": [ANYTIME]},
        }
    ],
    "read_error": [{"confidence": 0, "per_read_upper": 0}],
    "target": {
        "fit": 0,
        "met": 0,
        "hours_to_go": 0,
        "hours_to_go_one_more": 0,
        "date": 0,
        "fixed": {"met": 0},
    },
    "pooling": {"p_value": 0, "verdict": 0},
    "coverage": {
        "reads": {"least": 0, "median": 0, "most": 0, "fleet": 0},
        "life": [{"mechanism": 0, "least": 0, "median": 0, "most": 0}],
    },
    "lots": [{"lot": 0, "loaded": 0, "failed": 0, "credited_h": 0, "reads_credited": 0}],
    "failures": [
        {
            "serial": 0,
            "rack": 0,
            "board": 0,
            "socket": 0,
            "t_ms": 0,
            "up_ms": 0,
            "hours": 0,
            "reads": 0,
            "address": 0,
            "disposition": 0,
        }
    ],
    "incidents": [{"rack": 0, "board": 0, "chips": 0, "t_ms": 0}],
    "boards": [
        {"rack": 0, "board": 0, "last_seq": 0, "last_t_ms": 0, "temp_c": 0, "supply_v": 0, "state": 0}
    ],
    "intake": {
        "accepted": 0,
        "duplicates": 0,
        "conflicts": 0,
        "late": 0,
        "gaps": 0,
        "invalid": 0,
        "strangers": 0,
        "counter_faults": 0,
        "waiting": 0,
        "disagreements": 0,
    },
}


def missing(keys: Any, found: Any, path: str = "") -> list[str]:
    """The keys that are not there; an empty list cannot show its keys and counts as missing."""
    if isinstance(keys, dict):
        return [
            line
            for key, below in keys.items()
            for line in (missing(below, found[key], f"{path}.{key}") if key in found else [f"{path}.{key}"])
        ]
    if isinstance(keys, list):
        return [line for item in found for line in missing(keys[0], item, path)] if found else [f"{path}[]"]
    return []


def eventful() -> Bench:
    """An incident of three chips, one of them dispositioned out."""
    bench = Bench(mechanism=TWO_MECHANISMS)
    bench.hours(0, 1)
    for n in range(3):
        bench.error(n, 1.5, socket=n + 1)
    bench.tally(2, 2, [2 * READS_PER_H] * 4, [1, 1, 1, 0])
    bench.judge(3, "A-1", "not-relevant")
    return bench


def test_every_key_of_the_interface_is_there() -> None:
    document = json.loads(to_json(eventful().figures))
    assert missing(KEYS, document) == []
    assert missing(KEYS, {**document, "lots": []}) == [".lots[]"]  # the check itself can fail


def test_equal_inputs_give_equal_bytes() -> None:
    first, second = eventful(), eventful()
    assert to_json(first.figures) == to_json(first.figures) == to_json(second.figures)
    assert from_json(to_json(first.figures)) == first.figures


def strict(data: bytes) -> Any:
    """Decode JSON; Python's own reader would take NaN and Infinity, this one does not."""

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(data, parse_constant=refuse)


def test_with_no_hours_what_does_not_exist_is_null() -> None:
    """H = 0: upper bound and point are null, the lower is 0 at no failure."""
    figures = Bench().figures
    assert figures.as_of_ms is None
    (mechanism,) = figures.mechanisms
    assert mechanism.equivalent_h == 0.0
    assert [(b.fit_upper, b.fit_lower, b.fit_point) for b in mechanism.bounds] == [(None, 0.0, None)] * 2
    assert [a.fit_upper for a in mechanism.anytime] == [None, None]
    assert [r.per_read_upper for r in figures.read_error] == [None, None]
    assert (figures.target.met, figures.target.date) == (False, None)
    assert figures.target.hours_to_go > 0  # at the set-point it can still be told
    document = strict(to_json(figures))
    assert document["mechanisms"][0]["bounds"][0]["fit_upper"] is None


def test_with_no_hours_and_a_failure_the_lower_bound_is_null_too() -> None:
    bench = Bench()
    bench.tally(0, 0, [0] * 4, [1, 0, 0, 0])
    figures = bench.figures
    assert (figures.chips.failed, figures.exposure.credited_h) == (1, 0.0)
    bounds = figures.mechanisms[0].bounds
    assert [(b.fit_upper, b.fit_lower, b.fit_point) for b in bounds] == [(None, None, None)] * 2
    assert figures.pooling.verdict == "no exposure"
    strict(to_json(figures))


def test_counters_that_claim_more_failed_reads_than_64_bits_hold_do_not_take_the_figures_away() -> None:
    """A message of a broken rack. So many counts are nearly normal: the bound is the ratio itself to nine digits."""
    bench = quiet()
    bench.tally(5, 5, [5 * READS_PER_H] * 4, [2**63 - 1, 2**62, 0, 0])
    figures = bench.figures
    assert figures.reads.errors_at_risk == figures.reads.errors == 2**63 - 1 + 2**62
    ratio = figures.reads.errors_at_risk / figures.reads.credited
    assert [r.per_read_upper for r in figures.read_error] == pytest.approx([ratio, ratio], rel=1e-9)
    assert figures.chips.failed == 2


numbers = st.one_of(st.none(), st.floats(allow_nan=False, allow_infinity=False))


@given(st.lists(st.tuples(st.integers(0, 40), numbers, numbers, st.integers(0, 2**63 - 1)), max_size=8))
def test_whatever_is_measured_the_document_has_only_finite_numbers(
    tallies: list[tuple[int, float | None, float | None, int]],
) -> None:
    bench = Bench()
    for seq, (hour, temp_c, supply_v, counter) in enumerate(tallies):
        bench.tally(seq, hour, [counter] * 4, [counter] * 4, temp_c=temp_c, supply_v=supply_v)
    data = to_json(bench.figures)
    document = strict(data)
    assert to_json(from_json(data)) == data
    assert document["chips"]["loaded"] == sum(
        document["chips"][k] for k in ("at_risk", "failed", "not_relevant")
    )
