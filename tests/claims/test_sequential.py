"""The sequential plan: lines, path, exact risks.

Sources:
- Wald's lines and inequalities: Wald, Sequential Analysis, 1947, and Epstein and Sobel 1955 (formulas from memory).
- Exact risks: a seeded simulation of paths that are decided failure by failure; scipy's Poisson distribution where a
  plan has but one look; sums computed with mpmath (the table of them is among the published values).
- The truncation rule: a linear search with scipy's chi-square quantiles.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from monitor.claims import anytime_upper_fit, fixed_look_bound
from monitor.claims.sequential import (
    Decision,
    Risks,
    SequentialPlan,
    Truncation,
    exact_risks,
    expected_exposure_h,
    fixed_duration_risks,
    operating_characteristic,
    sequential_plan,
    stepped_accept_probability,
)

NAN = math.nan
PER_HOUR = 1e9  # FIT of one failure per hour: a target of it has a mean time between failures of one hour

discriminations = st.floats(1.4, 20)
risks = st.floats(0.01, 0.45)
plans = st.builds(sequential_plan, st.floats(0.1, 1e9), discriminations, risks, risks)
open_plans = st.builds(
    lambda d, a, b: sequential_plan(PER_HOUR, d, a, b, truncated=False), discriminations, risks, risks
)


def plan_at(discrimination: float = 2.0, risk: float = 0.1, *, truncated: bool = True) -> SequentialPlan:
    return sequential_plan(PER_HOUR, discrimination, risk, risk, truncated=truncated)


def end_of(plan: SequentialPlan) -> Truncation:
    assert plan.truncation is not None
    return plan.truncation


# --- lines -----------------------------------------------------------------------------------------------------------


@given(plan=plans, failures=st.integers(0, 60))
def test_on_the_open_lines_the_probability_ratio_is_walds_constant(
    plan: SequentialPlan, failures: int
) -> None:
    """``d^r exp(-(lam1 - lam0) H)`` is ``beta / (1 - alpha)`` on one line, ``(1 - beta) / alpha`` on the other."""
    untruncated = dataclasses.replace(plan, truncation=None)
    difference = plan.target_fit / PER_HOUR * (1 - 1 / plan.discrimination)

    def log_ratio(hours: float) -> float:
        return failures * math.log(plan.discrimination) - difference * hours

    accepting = math.log(plan.consumer_risk / (1 - plan.producer_risk))
    assert log_ratio(untruncated.accept_h(failures)) == pytest.approx(accepting, abs=1e-11)
    reject_h = untruncated.reject_h(failures)
    rejecting = math.log((1 - plan.consumer_risk) / plan.producer_risk)
    if reject_h is None:
        assert log_ratio(0.0) <= rejecting + 1e-11
    else:
        assert log_ratio(reject_h) == pytest.approx(rejecting, abs=1e-11)


@given(plan=open_plans, failures=st.integers(0, 60))
def test_open_lines_are_parallel_and_apart(plan: SequentialPlan, failures: int) -> None:
    assert plan.accept_h(failures + 1) - plan.accept_h(failures) == pytest.approx(plan.slope_h, rel=1e-11)
    reject_h = plan.reject_h(failures)
    if reject_h is not None:
        between = plan.accept_intercept_h + plan.reject_intercept_h
        assert plan.accept_h(failures) - reject_h == pytest.approx(between, rel=1e-11)
        assert plan.reject_h(failures + 1) - reject_h == pytest.approx(plan.slope_h, rel=1e-11)


@given(discrimination=discriminations, producer=risks, consumer=risks)
def test_truncation_is_at_the_least_failure_that_keeps_both_risks(
    discrimination: float, producer: float, consumer: float
) -> None:
    end = end_of(sequential_plan(PER_HOUR, discrimination, producer, consumer))
    counts = np.arange(1, end.failures + 1)
    ratios = scipy.stats.chi2.ppf(producer, 2 * counts) / scipy.stats.chi2.ppf(1 - consumer, 2 * counts)
    assume(np.abs(ratios * discrimination - 1).min() > 1e-9)  # no ties
    assert (ratios >= 1 / discrimination).tolist() == [False] * (end.failures - 1) + [True]
    fixed = fixed_duration_risks(end.equivalent_h, end.failures - 1, discrimination)
    assert fixed.producer == pytest.approx(producer, rel=1e-10)
    assert fixed.consumer <= consumer * (1 + 1e-9)


@given(plan=plans)
def test_truncated_lines_end_at_the_truncation(plan: SequentialPlan) -> None:
    end = end_of(plan)
    lines = plan.boundaries(10**6)
    assert lines.failures.tolist() == list(range(end.failures + 1))
    assert lines.accept_h[:-1].max() <= end.equivalent_h
    assert np.isnan(lines.accept_h[-1])
    assert np.nanmax(lines.reject_h) == lines.reject_h[-1] == end.equivalent_h
    assert (np.diff(lines.accept_h[:-1]) >= 0).all()
    assert (np.diff(lines.reject_h[~np.isnan(lines.reject_h)]) >= 0).all()
    assert plan.accept_h(end.failures) is plan.accept_h(end.failures + 7) is None
    assert plan.reject_h(end.failures + 7) == end.equivalent_h


def test_boundaries_of_an_open_plan_go_as_far_as_asked() -> None:
    plan = plan_at(truncated=False)
    lines = plan.boundaries(4)
    assert lines.failures.tolist() == [0, 1, 2, 3, 4]
    assert lines.accept_h.tolist() == [plan.accept_h(r) for r in range(5)]
    assert np.isnan(lines.reject_h[:4]).all()
    assert lines.reject_h[4] == plan.reject_h(4)


@settings(max_examples=20)
@given(plan=plans, factor=st.floats(1e-3, 1e3))
def test_hours_go_with_one_over_the_target_and_risks_do_not(plan: SequentialPlan, factor: float) -> None:
    other = sequential_plan(
        plan.target_fit / factor, plan.discrimination, plan.producer_risk, plan.consumer_risk
    )
    assert other.accept_h(0) == pytest.approx(factor * plan.accept_h(0), rel=1e-12)
    assert end_of(other).equivalent_h == pytest.approx(factor * end_of(plan).equivalent_h, rel=1e-12)
    run = exact_risks(plan)
    assert dataclasses.astuple(exact_risks(other)) == pytest.approx(dataclasses.astuple(run), rel=1e-9)


# --- point and path --------------------------------------------------------------------------------------------------

# Hours of plan_at(): accepts 0, 1 failures from 4.394, 5.781 h; the 4th failure is the first that can reject, up to
# 1.151 h; ends at 15 failures or 20.599 h (the table computed with mpmath).


@pytest.mark.parametrize(
    ("failures", "hours", "standing"),
    [
        (0, 0.0, "go on"),
        (0, 4.39, "go on"),
        (0, 4.40, "accept"),
        (1, 4.40, "go on"),
        (1, 5.79, "accept"),
        (3, 0.0, "go on"),
        (4, 1.15, "reject"),
        (4, 1.16, "go on"),
        (14, 20.59, "go on"),
        (14, 20.60, "accept"),
        (15, 20.59, "reject"),
        (15, 20.60, "over"),
        (40, 20.59, "reject"),
    ],
)
def test_standing(failures: int, hours: float, standing: str) -> None:
    assert plan_at().standing(failures, hours) == standing


def test_an_open_plan_is_never_over() -> None:
    plan = plan_at(truncated=False)
    assert plan.standing(40, 20.60) == "reject"
    assert plan.standing(40, 1000.0) == "accept"


def test_a_path_by_hand() -> None:
    plan = plan_at()
    assert plan.decision([], 4.0) == Decision("go on", 4.0, 0)
    assert plan.decision([], 100.0) == Decision("accept", plan.accept_h(0), 0)
    assert plan.decision([2.0], 5.0) == Decision("go on", 5.0, 1)
    assert plan.decision([2.0], 6.0) == Decision("accept", plan.accept_h(1), 1)
    assert plan.decision([0.1, 0.2, 0.3, 1.15], 9.0) == Decision("reject", 1.15, 4)
    assert plan.decision([0.1, 0.2, 0.3, 1.16], 1.2) == Decision("go on", 1.2, 4)
    assert plan.decision([1.3 * r for r in range(1, 16)], 50.0) == Decision("reject", 19.5, 15)
    assert plan.decision([1.4 * r for r in range(1, 16)], 50.0) == Decision("accept", 20.599234614585345, 14)


def test_the_first_crossing_stands_whatever_comes_after() -> None:
    plan = plan_at()
    accepted_then_failed = [4.5] * 9
    assert plan.standing(9, 4.6) == "reject"
    assert plan.decision(accepted_then_failed, 4.6) == Decision("accept", plan.accept_h(0), 0)
    rejected_then_ran = [0.5] * 4
    assert plan.standing(4, 12.0) == "accept"
    assert plan.decision(rejected_then_ran, 12.0) == Decision("reject", 0.5, 4)


def test_a_failure_at_the_very_hours_of_an_acceptance_counts_before_it() -> None:
    plan = plan_at()
    hours = plan.accept_h(0)
    assert plan.decision([hours], hours) == Decision("go on", hours, 1)
    assert plan.decision([math.nextafter(hours, math.inf)], 5.0) == Decision("accept", hours, 0)


def test_a_failure_at_the_very_hours_of_the_rejection_line_rejects() -> None:
    plan = plan_at()
    hours = plan.reject_h(4)
    assert plan.standing(4, hours) == "reject"
    assert plan.decision([0.1, 0.2, 0.3, hours], 2.0) == Decision("reject", hours, 4)
    assert plan.decision([0.1, 0.2, 0.3, math.nextafter(hours, 2.0)], 2.0) == Decision("go on", 2.0, 4)


@given(plan=plans, gaps=st.lists(st.floats(0, 3), max_size=30), look=st.floats(0, 1))
def test_a_look_sees_what_was_decided_up_to_it(plan: SequentialPlan, gaps: list[float], look: float) -> None:
    """A verdict once made never changes; without one, no earlier look had one, and the point is between the lines."""
    path = (np.cumsum(gaps) * PER_HOUR / plan.target_fit).tolist()
    final_h = (path[-1] if path else 1.0) * 1.01
    final = plan.decision(path, final_h)
    look_h = look * final_h
    seen = [hours for hours in path if hours <= look_h]
    early = plan.decision(seen, look_h)
    if early.verdict != "go on":
        assert final == early
    else:
        assert early == Decision("go on", look_h, len(seen))
        assert final.equivalent_h >= look_h
        assert plan.standing(len(seen), look_h) == "go on"
    assert plan.standing(final.failures, final.equivalent_h) == final.verdict


# --- exact risks -----------------------------------------------------------------------------------------------------

PATHS = 10_000
STANDARD_ERRORS = 4.5  # two-sided, once in 1.5e5; the seeds are fixed


def decided_paths(plan: SequentialPlan, truth_over_target: float, seed: int) -> list[Decision]:
    """Poisson paths at that truth, each walked to its end; theta1 is one hour."""
    end = end_of(plan)
    gaps = np.random.default_rng(seed).exponential(1 / truth_over_target, (PATHS, end.failures))
    return [
        plan.decision([hours for hours in path if hours <= end.equivalent_h], end.equivalent_h)
        for path in np.cumsum(gaps, axis=1).tolist()
    ]


@pytest.mark.parametrize(
    ("plan", "truth"),
    [
        (plan_at(), 0.5),
        (plan_at(), 1.0),
        (plan_at(3.0), 0.6),
        (sequential_plan(PER_HOUR, 8.0, 0.3, 0.05), 0.4),
    ],
    ids=["good", "bad", "between", "lopsided"],
)
def test_exact_sums_agree_with_simulated_paths(plan: SequentialPlan, truth: float) -> None:
    decisions = decided_paths(plan, truth, seed=781)
    accepted = np.array([decision.verdict == "accept" for decision in decisions])
    hours = np.array([decision.equivalent_h for decision in decisions])
    assert {decision.verdict for decision in decisions} == {"accept", "reject"}
    for sample, exact in (
        (accepted, operating_characteristic(plan, truth)),
        (hours, expected_exposure_h(plan, truth)),
    ):
        monte_carlo_error = sample.std() / math.sqrt(PATHS)
        assert sample.mean() == pytest.approx(exact, abs=STANDARD_ERRORS * monte_carlo_error)


def test_after_the_stop_the_fixed_look_bound_is_too_low_too_often_and_the_anytime_bound_is_not() -> None:
    """Truth at 0.85 of the target, 90 %: the chi-square bound errs twice as often as it says."""
    truth = 0.85
    decisions = decided_paths(plan_at(), truth, seed=47)
    points = [(decision.failures, decision.equivalent_h) for decision in decisions]
    fixed_look = sum(fixed_look_bound(*point, 0.9).fit_upper < truth * PER_HOUR for point in points) / PATHS
    anytime = sum(anytime_upper_fit(*point, 0.9, 5.0) < truth * PER_HOUR for point in points) / PATHS
    monte_carlo_error = math.sqrt(0.1 * 0.9 / PATHS)
    assert fixed_look > 0.18
    assert anytime < 0.1 + STANDARD_ERRORS * monte_carlo_error


@settings(max_examples=20)
@given(plan=plans)
def test_risks_are_two_points_of_the_operating_characteristic(plan: SequentialPlan) -> None:
    run = exact_risks(plan)
    assert run.producer == pytest.approx(
        1 - operating_characteristic(plan, 1 / plan.discrimination), abs=1e-12
    )
    assert run.consumer == pytest.approx(operating_characteristic(plan, 1.0), abs=1e-12)


@settings(max_examples=20)
@given(plan=open_plans)
def test_open_plans_keep_walds_inequalities(plan: SequentialPlan) -> None:
    run = exact_risks(plan)
    alpha, beta = plan.producer_risk, plan.consumer_risk
    assert run.producer <= alpha / (1 - beta) * (1 + 1e-10)
    assert run.consumer <= beta / (1 - alpha) * (1 + 1e-10)
    assert run.producer + run.consumer <= (alpha + beta) * (1 + 1e-10)
    # Acceptance is met exactly, without a step over the line: Wald's ratio holds there as an equality.
    assert run.consumer == pytest.approx(beta / (1 - alpha) * (1 - run.producer), rel=1e-10)


@settings(max_examples=20)
@given(plan=plans, truths=st.lists(st.floats(0.01, 10), min_size=2, max_size=2, unique=True))
def test_a_worse_truth_is_accepted_less_often(plan: SequentialPlan, truths: list[float]) -> None:
    better, worse = (operating_characteristic(plan, truth) for truth in sorted(truths))
    assert 0 <= worse <= better + 1e-12 <= 1 + 2e-12
    assert operating_characteristic(plan, 1e-9) == pytest.approx(1, abs=1e-6)
    assert operating_characteristic(plan, 1e4) < 1e-6


@settings(max_examples=20)
@given(plan=plans, truth=st.floats(0.05, 5))
def test_expected_exposure_lies_within_the_plan(plan: SequentialPlan, truth: float) -> None:
    end_h = end_of(plan).equivalent_h
    expected_h = expected_exposure_h(plan, truth)
    assert 0 < expected_h <= end_h * (1 + 1e-12)
    open_h = expected_exposure_h(dataclasses.replace(plan, truncation=None), truth)
    assert expected_h <= open_h * (1 + 1e-9)
    # Of a rate that never fails, the hours to accept at no failures.
    assert expected_exposure_h(plan, 1e-12) == pytest.approx(plan.accept_h(0), rel=1e-9)


def test_recentred_rejection_line_computed_with_mpmath() -> None:
    """Lines of other intercepts too: that of (d + 1) / (2 d) times Wald's constant, 6.75 at 10 %, d = 2."""
    recentred = dataclasses.replace(plan_at(truncated=False), reject_intercept_h=2 * math.log(6.75))
    run = exact_risks(recentred)
    assert run.producer == pytest.approx(0.10590004046862, abs=1e-12)
    assert run.consumer == pytest.approx(0.099344439947931, abs=1e-12)


@given(end_h=st.floats(0.01, 100), failures=st.integers(1, 60), rate=st.floats(0.01, 10))
def test_a_stepped_plan_of_one_look_is_the_poisson_distribution(
    end_h: float, failures: int, rate: float
) -> None:
    accept_h = [end_h] * failures + [NAN]
    reject_h = [None] * failures + [end_h]
    expected = scipy.stats.poisson.cdf(failures - 1, rate * end_h)
    assert stepped_accept_probability(accept_h, reject_h, rate) == pytest.approx(
        expected, rel=1e-10, abs=1e-300
    )


def test_two_steps_by_hand() -> None:
    """No failure by 1 h accepts, a 2nd failure by 1 h or a 3rd by 2 h rejects, else 2 h accept, one failure an hour.

    So accepted are none in the first hour, or one there and at most one more in the second (on to three: rejected).
    """
    by_hand = math.exp(-1) + math.exp(-1) * (math.exp(-1) + math.exp(-1))
    assert stepped_accept_probability([1, 2, 2, NAN], [NAN, NAN, 1, 2], 1.0) == pytest.approx(
        by_hand, rel=1e-14
    )


@given(plan=plans, truth=st.floats(0.1, 5))
def test_the_plans_own_boundaries_are_a_stepped_plan(plan: SequentialPlan, truth: float) -> None:
    lines = plan.boundaries(end_of(plan).failures)
    accepts = stepped_accept_probability(lines.accept_h, lines.reject_h, truth * plan.target_fit / PER_HOUR)
    assert accepts == operating_characteristic(plan, truth)


@given(duration=st.floats(0.01, 100), accept=st.integers(0, 60), discrimination=st.floats(1.01, 20))
def test_fixed_duration_risks_are_poissons(duration: float, accept: int, discrimination: float) -> None:
    run = fixed_duration_risks(duration, accept, discrimination)
    assert run.producer == pytest.approx(scipy.stats.poisson.sf(accept, duration / discrimination), rel=1e-10)
    assert run.consumer == pytest.approx(scipy.stats.poisson.cdf(accept, duration), rel=1e-10)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"target_fit": 0.0}, r"target_fit must .*got 0\.0"),
        ({"target_fit": math.inf}, r"target_fit must .*got inf"),
        ({"discrimination": 1.0}, r"discrimination must .*above 1; got 1\.0"),
        ({"discrimination": NAN}, r"discrimination must .*got nan"),
        ({"discrimination": math.inf}, r"discrimination must .*got inf"),
        ({"discrimination": 1.001}, r"discrimination must .*10000 failures; got 1\.001"),
        ({"producer_risk": 0.0}, r"producer_risk must lie between 0 and 0\.5.*got 0\.0"),
        ({"producer_risk": 0.5}, r"producer_risk must .*got 0\.5"),
        ({"consumer_risk": 0.5}, r"consumer_risk must .*got 0\.5"),
        ({"consumer_risk": NAN}, r"consumer_risk must .*got nan"),
    ],
)
def test_plans_refused(change: dict[str, float], message: str) -> None:
    good = {"target_fit": 10.0, "discrimination": 2.0, "producer_risk": 0.1, "consumer_risk": 0.1}
    assert sequential_plan(**good).target_fit == 10.0
    with pytest.raises(ValueError, match=message):
        sequential_plan(**(good | change))


@pytest.mark.parametrize(
    ("hours", "now", "message"),
    [
        ([2.0, 1.0], 3.0, r"failure_hours must rise .*got 1\.0 after 2\.0"),
        ([-1.0], 3.0, r"failure_hours .*got -1\.0"),
        ([4.0], 3.0, r"failure_hours .*at most equivalent_h, 3\.0; got 4\.0"),
        ([NAN], 3.0, r"failure_hours .*got nan"),
        ([], -1.0, r"equivalent_h .*got -1\.0"),
        ([], math.inf, r"equivalent_h .*got inf"),
    ],
)
def test_paths_refused(hours: list[float], now: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        plan_at().decision(hours, now)


def test_points_and_truths_refused() -> None:
    plan = plan_at()
    for call in (plan.accept_h, plan.reject_h):
        with pytest.raises(ValueError, match=r"failures must .*got -1"):
            call(-1)
    with pytest.raises(ValueError, match=r"most_failures must .*got -1"):
        plan.boundaries(-1)
    with pytest.raises(ValueError, match=r"equivalent_h must .*got -1\.0"):
        plan.standing(0, -1.0)
    for figure in (operating_characteristic, expected_exposure_h):
        with pytest.raises(ValueError, match=r"truth_over_target must .*got 0\.0"):
            figure(plan, 0.0)


@pytest.mark.parametrize(
    ("accept_h", "reject_h", "rate", "message"),
    [
        ([1.0, 2.0], [NAN, 2.0], 1.0, "accept_h must .* end with NaN"),
        ([2.0, 1.0, NAN], [NAN, NAN, 1.0], 1.0, "accept_h must rise"),
        ([0.0, NAN], [NAN, 1.0], 1.0, "accept_h must rise"),
        ([NAN], [1.0], 1.0, "accept_h must rise"),
        ([[1.0, NAN]], [NAN, 1.0], 1.0, "accept_h must rise"),
        ([1.0, 2.0, NAN], [NAN, 2.0], 1.0, "reject_h must be as long"),
        ([1.0, NAN], [0.5, 1.0], 1.0, "reject_h must .*begin with NaN"),
        ([1.0, NAN], [NAN, NAN], 1.0, "reject_h must .*begin with NaN"),
        ([1.0, 2.0, 2.0, NAN], [NAN, 1.0, NAN, 2.0], 1.0, "reject_h must .*rise"),
        ([1.0, 2.0, 2.0, NAN], [NAN, 2.5, 1.0, 2.0], 1.0, "reject_h must .*rise"),
        ([1.0, NAN], [NAN, 0.9], 1.0, r"reject_h must end at the last of accept_h, 1\.0; got 0\.9"),
        ([1.0, NAN], [NAN, 1.0], 0.0, r"rate_per_h must .*got 0\.0"),
    ],
)
def test_steps_refused(accept_h: list[float], reject_h: list[float], rate: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        stepped_accept_probability(accept_h, reject_h, rate)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 1, 2.0), r"duration_over_theta1 must .*got 0\.0"),
        ((1.0, -1, 2.0), r"accept_failures must .*got -1"),
        ((1.0, 1, 1.0), r"discrimination must .*got 1\.0"),
    ],
)
def test_fixed_durations_refused(arguments: tuple[float, int, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fixed_duration_risks(*arguments)


def test_results_are_values() -> None:
    assert plan_at() == plan_at()
    assert isinstance(exact_risks(plan_at()), Risks)
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan_at().truncation = None
