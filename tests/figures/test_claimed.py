"""The claims about mechanisms beside their bounds: plans along a path, totals, life, coverage of a word, forecasts.

Expected values are worked out apart from the product: chi-square and Poisson quantiles of scipy, Wald's lines (1947)
written out, a fit by lifelines. 125 to 55 °C at 0.7 eV are 77.64538205 times (ten digits by mpmath).
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from lifelines import WeibullFitter
from scipy.optimize import brentq
from scipy.stats import chi2

from monitor.figures.document import Figures, PassLineStanding, SequentialStanding
from tests.figures.bench import ONE_BOARD, READS_PER_H, Bench

FACTOR = 77.64538205
PER_H = 4 * FACTOR  # equivalent hours of an hour of all four chips


def run(
    hours: int,
    failures: dict[int, float] | None = None,
    sockets: int = 4,
    observed: str = "fe",
    **changes: Any,
) -> Bench:
    """Hourly tallies of a board; ``failures`` gives the hour at which the chip of a socket fails, never a full one."""
    fails = failures or {}
    bench = Bench(**changes)
    for hour in range(hours + 1):
        now = sorted((at, socket) for socket, at in fails.items() if hour - 1 < at < hour)
        before = sum(at < hour - 1 for at in fails.values())
        for n, (at, socket) in enumerate(now, before):
            bench.error(n, at, socket=socket, observed=observed)
        errors: list[int | None] = [int(fails.get(n, math.inf) < hour) for n in range(1, sockets + 1)]
        bench.tally(hour, hour, [hour * READS_PER_H] * sockets, errors)
    return bench


# --- a declared pass line ------------------------------------------------------------------------------------------


def pass_counts(confidence: float) -> tuple[float, float, float]:
    """The lines of at most one failure, in failures expected, and the confidence they are drawn at.

    Passed with none at t0: exp(-t0). Passed with one at t1: that one before t0, and none from there to t1:
    t0 exp(-t0) exp(t0 - t1) = t0 exp(-t1). Both together are 1 - C.
    """

    def lines(c: float) -> tuple[float, float]:
        return chi2.ppf(c, 2) / 2, chi2.ppf(c, 4) / 2

    def excess(c: float) -> float:
        t0, t1 = lines(c)
        return math.exp(-t0) + t0 * math.exp(-t1) - (1 - confidence)

    c = brentq(excess, confidence, 1 - 1e-9, xtol=1e-14)
    return (*lines(c), c)


T0, T1, DRAWN_AT = pass_counts(0.9)


def target_fit(expected_per_hour: float) -> float:
    """The target at which four chips expect so many failures in an hour at the set-point."""
    return expected_per_hour / PER_H * 1e9


def line_of(figures: Figures) -> PassLineStanding:
    (item,) = figures.mechanisms
    assert item.pass_line is not None
    return item.pass_line


def declared(expected_per_hour: float, **claims: Any) -> dict[str, Any]:
    return {
        "campaign": {"target_fit": target_fit(expected_per_hour)},
        "claims": {"failures_allowed": 1} | claims,
    }


@pytest.mark.parametrize(
    ("hours", "failures", "verdict", "line"),
    [
        (2, {}, "go on", T0),  # 2.0 expected, below t0 = 2.47
        (3, {}, "passed", T0),
        (3, {1: 0.5}, "go on", T1),
        (6, {1: 0.5}, "passed", T1),
        (3, {1: 0.5, 2: 1.5}, "failed", None),
        (6, {1: 3.1}, "passed", T0),  # known only when three hours were credited: passed before
        (6, {1: 4.5, 2: 4.6, 3: 4.7}, "passed", T0),  # a verdict stays
    ],
)
def test_a_pass_line_along_a_path(
    hours: int, failures: dict[int, float], verdict: str, line: float | None
) -> None:
    """One failure is expected in an hour of four chips."""
    rate = target_fit(1.0) / 1e9
    standing = line_of(run(hours, failures, **declared(1.0)).figures)
    assert standing.verdict == verdict
    assert (standing.failures_allowed, standing.confidence) == (1, 0.9)
    assert standing.fixed_look_confidence == pytest.approx(DRAWN_AT, abs=1e-9)
    if verdict == "passed":
        assert standing.decided_h == pytest.approx((line or 0) / rate, rel=1e-9)
    elif verdict == "go on":
        assert standing.decided_h is None
        assert standing.pass_h == pytest.approx((line or 0) / rate, rel=1e-9)
    else:
        assert standing.pass_h is None
        assert standing.decided_h is not None
        assert standing.decided_h < T1 / rate


def test_a_failure_judged_not_relevant_is_none_for_the_pass_line() -> None:
    bench = run(3, {1: 0.5, 2: 1.5}, **declared(1.0))
    assert line_of(bench.figures).verdict == "failed"
    bench.judge(3.1, "A-1", "not-relevant")
    one_left = line_of(bench.figures)
    assert (one_left.verdict, one_left.decided_h) == ("go on", None)
    assert one_left.pass_h == pytest.approx(T1 / (target_fit(1.0) / 1e9), rel=1e-9)
    bench.judge(3.2, "A-2", "not-relevant")
    none_left = line_of(bench.figures)
    hours = bench.figures.mechanisms[0].equivalent_h
    assert none_left.verdict == ("passed" if hours * target_fit(1.0) / 1e9 >= T0 else "go on")
    bench.judge(3.3, "A-1", "relevant")
    bench.judge(3.4, "A-2", "relevant")
    assert line_of(bench.figures).verdict == "failed"


def test_with_no_failure_allowed_the_line_is_the_fixed_look_bound() -> None:
    standing = line_of(run(1, **declared(1.0, failures_allowed=0)).figures)
    assert standing.fixed_look_confidence == pytest.approx(0.9, rel=1e-12)
    assert standing.pass_h == pytest.approx(chi2.ppf(0.9, 2) / 2 / (target_fit(1.0) / 1e9), rel=1e-9)
    failed = line_of(run(2, {1: 0.5}, **declared(1.0, failures_allowed=0)).figures)
    assert (failed.verdict, failed.pass_h) == ("failed", None)


def test_the_pass_line_counts_careful_hours() -> None:
    """At 0.5 instead of 0.7 eV (77.6 to 22.4 times) three hours are not nearly enough."""
    stated = [{"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.5, "ea_high_ev": 0.9}]
    assert line_of(run(3, **declared(1.0)).figures).verdict == "passed"
    assert line_of(run(3, mechanism=stated, **declared(1.0)).figures).verdict == "go on"


# --- a declared sequential plan ------------------------------------------------------------------------------------


def plan_of(figures: Figures) -> SequentialStanding:
    (item,) = figures.mechanisms
    assert item.sequential is not None
    return item.sequential


def wald(expected_per_hour: float, d: float = 3.0, risk: float = 0.1) -> tuple[float, float, float]:
    """Intercepts of the accept and the reject line, and their slope, in equivalent hours: Wald's formulas."""
    bad = target_fit(expected_per_hour) / 1e9
    delta = bad - bad / d
    intercept = math.log((1 - risk) / risk) / delta
    return intercept, intercept, math.log(d) / delta


@pytest.mark.parametrize(
    ("hours", "failures", "verdict"),
    [
        (3, {}, "go on"),  # accepted from ln(9) / (2/3) = 3.30 expected failures
        (4, {}, "accept"),
        (6, {1: 5.5, 2: 5.6}, "accept"),
        (
            5,
            {1: 0.5},
            "go on",
        ),  # one failure moves it by ln(3) / (2/3) = 1.65, to 4.94; a chip less is under stress
        (3, {1: 0.5, 2: 0.6, 3: 0.7}, "reject"),  # rejected up to 3 x 1.65 - 3.30 = 1.65
    ],
)
def test_a_sequential_plan_along_a_path(hours: int, failures: dict[int, float], verdict: str) -> None:
    changes = declared(1.0) | {"claims": {"discrimination": 3.0}}
    bench = run(hours, failures, **changes)
    standing = plan_of(bench.figures)
    accept, reject, slope = wald(1.0)
    assert standing.verdict == verdict
    assert standing.good_fit == pytest.approx(target_fit(1.0) / 3, rel=1e-12)
    r = len(failures)
    assert standing.accept_h == pytest.approx(min(accept + r * slope, standing.truncation_h), rel=1e-9)
    line = (r + 1) * slope - reject
    assert (standing.reject_h is None) == (line <= 0)
    if standing.reject_h is not None:
        assert standing.reject_h == pytest.approx(min(line, standing.truncation_h), rel=1e-9)
    if verdict == "accept":
        assert standing.decided_h == pytest.approx(accept, rel=1e-9)
    else:
        assert (standing.decided_h is None) == (verdict == "go on")
    assert 0 < standing.exact_producer_risk < 0.2
    assert 0 < standing.exact_consumer_risk < 0.2
    # truncated as the fixed-duration plan of the same risks (chi-square quantiles)
    n = standing.truncation_failures
    assert chi2.ppf(0.1, 2 * n) / chi2.ppf(0.9, 2 * n) >= 1 / 3
    assert n == 1 or chi2.ppf(0.1, 2 * n - 2) / chi2.ppf(0.9, 2 * n - 2) < 1 / 3
    assert standing.truncation_h == pytest.approx(
        chi2.ppf(0.1, 2 * n) / 2 / (standing.good_fit / 1e9), rel=1e-9
    )


def test_a_rejection_is_taken_back_when_its_failures_are_judged_not_relevant() -> None:
    changes = declared(1.0) | {"claims": {"discrimination": 3.0}}
    bench = run(4, {1: 0.5, 2: 0.6, 3: 0.7}, **changes)
    assert plan_of(bench.figures).verdict == "reject"
    bench.judge(4.1, "A-1", "not-relevant")
    assert plan_of(bench.figures).verdict == "go on"


def test_a_campaign_that_declares_nothing_has_no_plans() -> None:
    (item,) = run(2).figures.mechanisms
    assert item.pass_line is None
    assert item.sequential is None
    assert item.careful is None


# --- totals, influences --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("failures", [{}, {1: 0.5}, {1: 0.5, 2: 1.5}])
def test_the_total_of_one_mechanism_is_that_mechanism(failures: dict[int, float]) -> None:
    figures = run(3, failures).figures
    (item,) = figures.mechanisms
    for total, look, always in zip(figures.total, item.bounds, item.anytime, strict=True):
        assert total.sum_of_bounds == pytest.approx(look.fit_upper, rel=1e-12)
        assert total.weighted == pytest.approx(look.fit_upper, rel=1e-9)
        assert total.anytime == pytest.approx(always.fit_upper, rel=1e-9)


def test_the_total_of_two_lies_between_its_greatest_part_and_the_sum() -> None:
    two = [{"name": "a", "ea_ev": 0.7}, {"name": "b", "ea_ev": 0.6}]
    bench = run(3, {1: 0.5}, mechanism=two)
    bench.judge(3.1, "A-1", "relevant", "b")
    figures = bench.figures
    for i, total in enumerate(figures.total):
        parts = [item.bounds[i].fit_upper or 0 for item in figures.mechanisms]
        assert total.sum_of_bounds == pytest.approx(sum(parts), rel=1e-12)
        if total.confidence >= 0.9:
            assert max(parts) * (1 - 1e-9) <= (total.weighted or 0) <= sum(parts)
        assert total.anytime is not None
        assert total.anytime >= max(item.anytime[i].fit_upper or 0 for item in figures.mechanisms) * (
            1 - 1e-9
        )


def test_influences_end_at_what_is_stated() -> None:
    """The any-time bound goes as 1 / factor: at an end of Ea it is the present one times the ratio of the factors."""
    stated = [{"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.6, "ea_high_ev": 0.8}]
    (item,) = run(3, mechanism=stated).figures.mechanisms
    (energy,) = (row for row in item.influences if row.parameter == "ea_ev")
    assert (energy.low, energy.high, energy.stated) == (0.6, 0.8, True)
    now = item.anytime[-1].fit_upper or 0
    ratio = math.exp(0.1 / 8.617333262e-5 * (1 / 328.15 - 1 / 398.15))
    assert energy.fit_at_low == pytest.approx(now * ratio, rel=1e-6)
    assert energy.fit_at_high == pytest.approx(now / ratio, rel=1e-6)
    (more,) = (row for row in item.influences if row.parameter == "failures")
    assert (more.low, more.high) == (0, 1)
    assert more.fit_at_low == pytest.approx(now, rel=1e-9)
    widths = [abs(math.log(row.fit_at_high / row.fit_at_low)) for row in item.influences]
    assert widths == sorted(widths, reverse=True)


# --- life and early life -------------------------------------------------------------------------------------------


def test_life_at_a_constant_rate_is_the_exponential_of_the_bound() -> None:
    """Shape 1: R = exp(-rate x life), and the average rate is the bound itself."""
    (item,) = run(3, claims={"weibull_shapes": [1]}).figures.mechanisms
    life_h = 15 * 365.25 * 24
    for shown, look, always in zip(item.life, item.bounds, item.anytime, strict=True):
        assert shown.reliability_lower == pytest.approx(
            math.exp(-(look.fit_upper or 0) * life_h / 1e9), rel=1e-9
        )
        assert shown.average_fit_upper == pytest.approx(look.fit_upper, rel=1e-9)
        assert shown.average_fit_upper_anytime == pytest.approx(always.fit_upper, rel=1e-9)


def test_life_of_a_wear_out_shape_by_hand() -> None:
    """Weibayes (Abernethy): scale**shape = sum of t**shape over the upper count; R = exp(-(life / scale)**shape)."""
    (item,) = run(3, {1: 0.5}, claims={"weibull_shapes": [2]}).figures.mechanisms
    times = [0.5 * FACTOR] + [3 * FACTOR] * 3
    life_h = 15 * 365.25 * 24
    for shown in item.life:
        count = chi2.ppf(shown.confidence, 4) / 2
        hazard = count * life_h**2 / sum(t**2 for t in times)
        assert shown.reliability_lower == pytest.approx(math.exp(-hazard), rel=1e-7, abs=1e-300)
        assert shown.average_fit_upper == pytest.approx(hazard / life_h * 1e9, rel=1e-7)


def test_early_failures_are_those_within_the_early_hours_alone() -> None:
    """0.5 h are 39 equivalent hours, 2.5 h are 194, three hours 233: of 100 early hours each chip gives 100 at most."""
    (item,) = run(3, {1: 0.5, 2: 2.5}, claims={"early_life_h": 100}).figures.mechanisms
    assert item.failures == 2
    for shown in item.early:
        assert (shown.failures, shown.early_life_h) == (1, 100.0)
        hours = 0.5 * FACTOR + 3 * 100
        fit = chi2.ppf(shown.confidence, 4) / 2 / hours * 1e9
        assert shown.fit_upper == pytest.approx(fit, rel=1e-6)
        assert shown.covers is True
    (long,) = run(3, {1: 0.5, 2: 2.5}, claims={"early_life_h": 8766}).figures.mechanisms
    for shown in long.early:
        assert (shown.failures, shown.covers) == (2, False)


def test_failures_of_another_mechanism_are_none_of_its_early_ones() -> None:
    two = [{"name": "a", "ea_ev": 0.7}, {"name": "b", "ea_ev": 0.7}]
    bench = run(3, {1: 0.5}, mechanism=two)
    assert [item.early[0].failures for item in bench.figures.mechanisms] == [1, 1], "not known: both"
    bench.judge(3.1, "A-1", "relevant", "b")
    assert [item.early[0].failures for item in bench.figures.mechanisms] == [0, 1]
    bench.judge(3.2, "A-1", "not-relevant")
    assert [item.early[0].failures for item in bench.figures.mechanisms] == [0, 0]


EIGHT = [{**block, "sockets": sockets} for block, sockets in zip(ONE_BOARD, ("1-4", "5-8"), strict=True)]
FAILED_AT = {1: 0.5, 3: 1.4, 6: 2.25, 8: 3.6}


@pytest.mark.parametrize("failures", [2, 3, 4])
def test_from_three_failures_on_a_distribution_is_fitted(failures: int) -> None:
    """Against lifelines, on hours in use."""
    at = dict(list(FAILED_AT.items())[:failures])
    (item,) = run(5, at, sockets=8, chips=EIGHT).figures.mechanisms
    if failures < 3:
        assert item.fitted is None
        return
    times = [at.get(n, 5.0) * FACTOR for n in range(1, 9)]
    expected = WeibullFitter().fit(times, [n in at for n in range(1, 9)])
    assert item.fitted is not None
    assert item.fitted.shape == pytest.approx(expected.rho_, rel=1e-4)
    assert item.fitted.scale_h == pytest.approx(expected.lambda_, rel=1e-4)
    assert (item.fitted.shape_lower or 0) < item.fitted.shape < (item.fitted.shape_upper or math.inf)
    assert [step.failures for step in item.curve if step.failures] == [1] * failures
    survival = 1.0
    for n, step in enumerate(step for step in item.curve if step.failures):
        survival *= 1 - 1 / (8 - n)
        assert step.survival == pytest.approx(survival, rel=1e-12)
        assert step.at_risk == 8 - n


def test_failures_all_at_one_time_are_no_distribution() -> None:
    (item,) = run(2, {1: 0.5, 2: 0.5, 3: 0.5}).figures.mechanisms
    assert item.failures == 3
    assert item.curve[0].failures == 3


# --- reads of a word, of a bit -------------------------------------------------------------------------------------


def test_reads_of_one_word_are_those_of_the_macro_over_its_words() -> None:
    figures = run(3, {1: 0.5}, macro={"words": 1000, "bits": 39}, use={"reads_on": "word"}).figures
    covered = figures.coverage
    assert (covered.reads_on, covered.words) == ("word", 1000)
    assert covered.reads_word is not None
    for key in ("least", "median", "most", "fleet"):
        assert getattr(covered.reads_word, key) == pytest.approx(
            getattr(covered.reads, key) / 1000, rel=1e-12
        )
    plain = run(1).figures.coverage
    assert (plain.reads_on, plain.words, plain.reads_word) == ("macro", None, None)


@pytest.mark.parametrize(("observed", "wrong"), [("fe", 1), ("fc", 2), ("00", 8)])
def test_the_bound_of_a_bit_by_the_widest_failed_read(observed: str, wrong: int) -> None:
    """One failed read in 2.5 h + 3 x 3 h of reads (bound of a binomial, by its Poisson limit here).

    Any time: the count after one failure at 60 and 90 %, computed with mpmath, over the reads.
    """
    figures = run(3, {1: 2.5}, observed=observed, macro={"bits": 8}).figures
    for bound in figures.read_error:
        assert bound.per_read_upper is not None
        assert bound.per_bit_upper is not None
        assert bound.per_bit_upper == pytest.approx(bound.per_read_upper * wrong / 8, rel=1e-12)
        assert bound.per_read_upper_anytime is not None
        any_time = bound.per_read_upper_anytime * figures.reads.credited
        assert any_time == pytest.approx(
            {0.6: 3.6070021219339, 0.9: 5.3632834937623}[bound.confidence], rel=1e-9
        )
        assert bound.per_bit_upper_anytime == pytest.approx(
            bound.per_read_upper_anytime * wrong / 8, rel=1e-12
        )
        assert bound.per_read_upper == pytest.approx(
            chi2.ppf(bound.confidence, 4) / 2 / figures.reads.credited, rel=1e-5
        )
    assert all(bound.per_bit_upper is None for bound in run(3, {1: 2.5}).figures.read_error)


# --- forecast, cautions --------------------------------------------------------------------------------------------


def test_the_forecast_is_certain_of_a_target_that_is_met() -> None:
    figures = run(3, campaign={"target_fit": target_fit(20.0)}).figures
    assert figures.target.met
    assert figures.forecast is not None
    assert figures.forecast.chance_anytime == 1
    assert (figures.forecast.planned_hours, figures.forecast.to_go_h) == (10.0, 7.0)


def test_the_forecast_is_a_chance_before() -> None:
    assert run(0).figures.forecast is None, "not one hour is credited"
    near = run(3, campaign={"target_fit": target_fit(0.7)}).figures.forecast
    far = run(3, campaign={"target_fit": target_fit(0.1)}).figures.forecast
    assert near is not None
    assert far is not None
    assert 0 < (near.chance_anytime or 0) < 1
    assert far.chance_anytime == 0, "ten hours do not do it even without a failure"
    over = run(12, campaign={"target_fit": target_fit(0.1)}).figures.forecast
    assert over is not None
    assert (over.to_go_h, over.chance_anytime) == (0.0, 0.0)


def test_weak_claims_are_told_in_words() -> None:
    figures = run(2).figures
    assert any("2 of at least 3 lots" in said for said in figures.cautions)
    assert not any("target" in said for said in figures.cautions)
    between = math.sqrt(
        (figures.mechanisms[0].bounds[-1].fit_upper or 0) * (figures.mechanisms[0].anytime[-1].fit_upper or 0)
    )
    (said,) = (c for c in run(2, campaign={"target_fit": between}).figures.cautions if c.startswith("target"))
    assert "one-look bound meets" in said
    assert "not 90%" in said


# --- what must not look better than it is --------------------------------------------------------------------------


def test_verdicts_stand_beside_those_of_every_failed_chip() -> None:
    """Two failures fail a line that allows one; dispositioned out, it passes; both are told."""
    rules = {
        "claims": {"failures_allowed": 1, "discrimination": 3.0},
        "campaign": {"target_fit": float(target_fit(0.8 * T1))},
    }
    bench = run(3, {1: 0.5, 2: 0.6}, **rules)
    assert (line_of(bench.figures).verdict, line_of(bench.figures).verdict_all) == ("failed", "failed")
    bench.judge(3.1, "A-1", "not-relevant")
    bench.judge(3.2, "A-2", "not-relevant")
    figures = bench.figures
    assert (line_of(figures).verdict, line_of(figures).verdict_all) == ("passed", "failed")
    assert figures.target.met
    assert any("NOT met with every failed chip counted" in caution for caution in figures.cautions)


def test_the_widest_of_all_messages_counts_for_a_bit() -> None:
    """One wrong bit in the message that fails the chip, eight in a later one of the same read fault."""
    bench = Bench(macro={"bits": 8})
    bench.tally(0, 0, [0] * 4, [0] * 4)
    bench.error(0, 0.5, socket=1, observed="fe")
    bench.error(1, 0.6, socket=1, observed="00")
    bench.tally(1, 1, [READS_PER_H] * 4, [2, 0, 0, 0])
    for bound in bench.figures.read_error:
        assert bound.per_bit_upper == bound.per_read_upper


def test_failed_reads_that_no_message_tells_of_are_whole_words() -> None:
    """The counters show two failed reads, a message tells of one, with one wrong bit."""
    bench = Bench(macro={"bits": 8}, failure={"errors": 3})
    bench.tally(0, 0, [0] * 4, [0] * 4)
    bench.error(0, 0.5, socket=1, observed="fe")
    bench.tally(1, 1, [READS_PER_H] * 4, [2, 0, 0, 0])
    for bound in bench.figures.read_error:
        assert bound.per_bit_upper == bound.per_read_upper


def test_chips_that_fail_before_any_credit_stand_on_the_curve_and_forbid_a_fit() -> None:
    """Of four chips one is dead on arrival, three fail later: the curve starts at 3 of 4 (Kaplan and Meier by hand)."""
    bench = Bench()
    bench.tally(0, 0, [0] * 4, [1, 0, 0, 0])
    for hour, errors in ((1, [1, 0, 0, 0]), (2, [1, 1, 0, 0]), (3, [1, 1, 1, 0]), (4, [1, 1, 1, 1])):
        bench.tally(hour, hour, [hour * READS_PER_H] * 4, errors)
    (item,) = bench.figures.mechanisms
    assert [(step.at_risk, step.failures) for step in item.curve] == [(4, 1), (3, 1), (2, 1), (1, 1)]
    assert [step.survival for step in item.curve] == pytest.approx([0.75, 0.5, 0.25, 0.0])
    assert item.curve[0].t_h == 0.0
    assert item.fitted is None


def test_credit_at_the_set_point_is_warned_of() -> None:
    """95 to 125 °C at 0.7 eV: exp(0.7 / k x (1/368.15 - 1/398.15)) = 5.27 times too high at the lower limit."""
    factor = math.exp(0.7 / 8.617333262e-5 * (1 / 368.15 - 1 / 398.15))
    stress = {"temp_tol_minus_c": 30.0, "accelerate_at": "setpoint"}
    said = [caution for caution in run(1, stress=stress).figures.cautions if "accelerate_at" in caution]
    assert len(said) == 1
    assert f"up to {factor:.3g} times too high" in said[0]
    assert not any("accelerate_at" in caution for caution in run(1).figures.cautions)


def test_what_watching_leaves_is_reckoned_up_to_many_failures_only() -> None:
    """Beyond 200 failures the figure stands at what is left after 200; it must not take minutes."""
    assert 0 < run(1).figures.target.fixed.watched_confidence < 0.9
