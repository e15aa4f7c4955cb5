"""What stopping by result does to a fixed-look bound, and the pass line that stays honest.

Sources:
- Exact pass probabilities by another road: the volume of failure times that keep clear of the lines (a recursion of
  polynomials of alternating terms, Abel-Gontscharoff; from memory), at 80 digits and more by mpmath.
- By hand: one allowed failure, exp(-t0) + t0 exp(-t1); one line, exp(-t0); one look, the Poisson distribution of scipy.
- Seeded simulations. (Tables computed with mpmath are among the published values.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import anytime_upper_count, poisson_upper_count
from monitor.claims.bounds import poisson_upper_counts
from monitor.claims.stopping import (
    PassDecision,
    PassLine,
    pass_line,
    pass_probability,
    watched_miss_probability,
)

CONFIDENCES = (0.60, 0.90, 0.95)

confidences = st.floats(0.05, 0.995)
few_failures = st.integers(0, 12)
truths = st.floats(0.05, 8)
lines = st.lists(st.floats(0, 4), min_size=1, max_size=12).map(lambda steps: np.cumsum(steps).tolist())

# --- the probability of ever passing ---------------------------------------------------------------------------------


def exact_pass_probability(truth: float, counts: Sequence[float], digits: int = 80) -> float:
    """The sum over r of exp(-t_r) V_r, with V_r the volume of r ordered failure times that pass no line before t_r.

    Of all ``t_r^r / r!`` orderings those that pass a line k < r first, ``V_k (t_r - t_k)^(r - k) / (r - k)!``, are
    taken off.
    """
    with mpmath.workdps(digits):
        at = [mpmath.mpf(truth) * mpmath.mpf(count) for count in counts]
        orders = [mpmath.factorial(r) for r in range(len(at))]
        clear: list[mpmath.mpf] = []
        for r, end in enumerate(at):
            passed = sum(clear[k] * (end - at[k]) ** (r - k) / orders[r - k] for k in range(r))
            clear.append(end**r / orders[r] - passed)
        return float(sum(volume * mpmath.exp(-end) for volume, end in zip(clear, at, strict=True)))


@settings(max_examples=40)
@given(truths, lines)
def test_the_recursion_against_volumes(truth: float, counts: list[float]) -> None:
    assert pass_probability(truth, counts) == pytest.approx(exact_pass_probability(truth, counts), rel=1e-12)


@pytest.mark.parametrize(("allowed", "truth"), [(200, 1.0), (60, 0.5), (60, 3.0)])
def test_many_failures_against_volumes(allowed: int, truth: float) -> None:
    counts = poisson_upper_counts(np.arange(allowed + 1), 0.9).tolist()
    assert pass_probability(truth, counts) == pytest.approx(
        exact_pass_probability(truth, counts, digits=250), rel=1e-12
    )


@settings(max_examples=40)
@given(truths, st.floats(0, 9), st.floats(0, 9))
def test_one_failure_allowed_by_hand(truth: float, first: float, step: float) -> None:
    """Pass at once without failures, or fail once before the first line and no more until the second."""
    t0, t1 = truth * first, truth * (first + step)
    assert pass_probability(truth, [first, first + step]) == pytest.approx(
        math.exp(-t0) + t0 * math.exp(-t1), rel=1e-13
    )


@settings(max_examples=40)
@given(truths, st.floats(0, 20), few_failures)
def test_lines_at_one_exposure_are_one_look(truth: float, at: float, allowed: int) -> None:
    assert pass_probability(truth, [at] * (allowed + 1)) == pytest.approx(
        scipy.stats.poisson.cdf(allowed, truth * at), rel=1e-12
    )


@settings(max_examples=40)
@given(lines)
def test_without_failures_every_test_passes(counts: list[float]) -> None:
    assert pass_probability(0.0, counts) == 1.0


@settings(max_examples=40)
@given(truths, st.floats(1.001, 3), lines)
def test_a_higher_rate_passes_more_rarely(truth: float, more: float, counts: list[float]) -> None:
    assert pass_probability(truth * more, counts) <= pass_probability(truth, counts) <= 1 + 1e-12


@settings(max_examples=40)
@given(truths, lines, st.floats(0, 4))
def test_one_more_line_passes_more_often(truth: float, counts: list[float], step: float) -> None:
    assert pass_probability(truth, [*counts, counts[-1] + step]) >= pass_probability(truth, counts)


# --- the fixed-look bound, watched -----------------------------------------------------------------------------------


def watched_by_brute_force(confidence: float, allowed: int, truth: float, looks: Sequence[float]) -> float:
    """Every count of failures followed from look to look, the bound itself held against target and truth."""
    plan = poisson_upper_count(allowed, confidence)
    last = int(truth * plan + 12 * math.sqrt(truth * plan) + 40)
    bounds = np.array([poisson_upper_count(r, confidence) for r in range(last)])
    standing, missed, before = np.eye(1, last)[0], 0.0, 0.0
    steps = partial(scipy.stats.poisson.pmf, np.arange(last))
    for look in looks:
        at = look * plan
        standing = np.convolve(standing, steps(truth * (at - before)))[:last]
        met = bounds <= at
        missed += standing[
            met
        ].sum()  # the bound claimed is at most the target, and the truth lies above that
        standing[met] = 0.0
        before = at
    return float(missed + standing[bounds <= truth * before].sum())


thousandths = st.integers(20, 1000).map(lambda part: part / 1000)  # no ties within a rounding
looks_of_a_plan = st.lists(thousandths, min_size=1, max_size=5, unique=True).map(sorted)


@settings(max_examples=40)
@given(confidences, few_failures, st.floats(1, 6), looks_of_a_plan)
def test_looks_against_brute_force(confidence: float, allowed: int, truth: float, looks: list[float]) -> None:
    assert watched_miss_probability(confidence, allowed, truth, looks) == pytest.approx(
        watched_by_brute_force(confidence, allowed, truth, looks), rel=1e-9, abs=1e-14
    )


@settings(max_examples=40)
@given(confidences, few_failures, st.floats(1, 6))
def test_watched_is_looked_at_on_every_line(confidence: float, allowed: int, truth: float) -> None:
    plan = poisson_upper_count(allowed, confidence)
    at_lines = [min(poisson_upper_count(r, confidence) / plan * (1 + 1e-15), 1.0) for r in range(allowed + 1)]
    assert watched_miss_probability(confidence, allowed, truth) == pytest.approx(
        watched_by_brute_force(confidence, allowed, truth, at_lines), rel=1e-9
    )


@settings(max_examples=40)
@given(confidences, few_failures)
def test_one_look_keeps_its_word(confidence: float, allowed: int) -> None:
    assert watched_miss_probability(confidence, allowed, looks=[1.0]) == pytest.approx(
        1 - confidence, rel=1e-12
    )


@settings(max_examples=40)
@given(confidences, few_failures, st.floats(1, 20), st.floats(0.05, 1))
def test_one_look_never_misses_more_than_it_says(
    confidence: float, allowed: int, truth: float, look: float
) -> None:
    assert watched_miss_probability(confidence, allowed, truth, [look]) <= (1 - confidence) * (1 + 1e-9)


@settings(max_examples=40)
@given(confidences)
def test_no_failure_allowed_is_honest(confidence: float) -> None:
    """A test that simply ends at its planned exposure; the damage is done by going on after a failure."""
    assert watched_miss_probability(confidence, 0) == pytest.approx(1 - confidence, rel=1e-13)


@settings(max_examples=40)
@given(confidences, st.integers(0, 40))
def test_more_failures_allowed_err_more_often(confidence: float, allowed: int) -> None:
    more = watched_miss_probability(confidence, allowed + 1)
    assert 1 - confidence <= watched_miss_probability(confidence, allowed) * (1 + 1e-13) < more < 1


@settings(max_examples=40)
@given(confidences, few_failures, looks_of_a_plan)
def test_more_looks_err_more_often(confidence: float, allowed: int, looks: list[float]) -> None:
    """At a truth just above the target, where every pass is a miss: some looks, all looks, the single last one."""
    last = looks[-1]
    some = watched_miss_probability(confidence, allowed, looks=looks)
    assert watched_miss_probability(confidence, allowed, looks=[last]) <= some * (1 + 1e-12)
    assert some <= watched_miss_probability(confidence, allowed) * (1 + 1e-12)


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_simulated_tests_that_stop_when_the_bound_meets_the_target(confidence: float) -> None:
    """20000 seeded tests, three failures allowed, a truth of 1.25 times the target; one in a thousand allowed."""
    runs, allowed, truth = 20_000, 3, 1.25
    rng = np.random.default_rng(20260103)
    failed_at = np.cumsum(
        rng.exponential(1 / truth, size=(runs, 60)), axis=1
    )  # in failures expected at the target
    counts = np.array([poisson_upper_count(r, confidence) for r in range(61)])
    passed = (failed_at[:, : allowed + 1] > counts[: allowed + 1]).any(axis=1)
    at_the_end = counts[(failed_at <= counts[allowed]).sum(axis=1)] / counts[allowed]
    missed = int((passed | (at_the_end < truth)).sum())
    probability = watched_miss_probability(confidence, allowed, truth)
    low, high = scipy.stats.binom.ppf([0.0005, 0.9995], runs, probability)
    assert low <= missed <= high


# --- the pass line ---------------------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(confidences, st.integers(0, 30))
def test_pass_line_spends_just_what_it_may(confidence: float, allowed: int) -> None:
    line = pass_line(allowed, confidence)
    assert pass_probability(1.0, line.counts) == pytest.approx(1 - confidence, rel=1e-12)
    assert pass_probability(1.001, line.counts) < 1 - confidence
    assert (line.confidence, line.failures_allowed) == (confidence, allowed)


@pytest.mark.parametrize("confidence", [0.01, 0.6, 0.9, 0.999999])
@pytest.mark.parametrize("allowed", [1, 50, 200])
def test_pass_line_at_the_extremes(confidence: float, allowed: int) -> None:
    line = pass_line(allowed, confidence)
    assert pass_probability(1.0, line.counts) == pytest.approx(1 - confidence, rel=1e-12)
    assert line.adjusted_confidence > confidence


@settings(max_examples=40)
@given(confidences, st.integers(0, 30))
def test_pass_line_is_the_fixed_look_bound_at_a_higher_confidence(confidence: float, allowed: int) -> None:
    line, more = pass_line(allowed, confidence), pass_line(allowed + 1, confidence)
    assert more.adjusted_confidence > line.adjusted_confidence >= confidence * (1 - 1e-14)
    assert line.counts == pytest.approx(
        [poisson_upper_count(r, line.adjusted_confidence) for r in range(allowed + 1)], rel=1e-12
    )


@settings(max_examples=40)
@given(confidences)
def test_pass_line_without_failures_is_the_fixed_look_bound(confidence: float) -> None:
    line = pass_line(0, confidence)
    assert line.adjusted_confidence == pytest.approx(confidence, rel=1e-14)
    assert line.counts == pytest.approx((poisson_upper_count(0, confidence),), rel=1e-14)


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_pass_line_costs_less_than_the_anytime_bound_at_its_last_line(confidence: float) -> None:
    """It has a declared end; the anytime bound has none."""
    assert pass_line(5, confidence).counts[5] < anytime_upper_count(5, confidence)


def test_passing_and_failing() -> None:
    line = PassLine(0.9, 0.93, (2.5, 4.5))
    assert not line.passes(0, 2.4)
    assert line.passes(0, 2.5)
    assert not line.passes(1, 2.5)
    assert line.passes(1, 4.5)
    assert not line.passes(2, 1e9)
    assert [line.fails(r) for r in (0, 1, 2)] == [False, False, True]


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 90, math.nan])
def test_confidence_out_of_range(confidence: float) -> None:
    for refused in (lambda: watched_miss_probability(confidence, 1), lambda: pass_line(1, confidence)):
        with pytest.raises(ValueError, match=rf"confidence must .*got {confidence}"):
            refused()


# --- the verdict along a path ----------------------------------------------------------------------------------------


def test_a_verdict_is_the_first_crossing_and_stays() -> None:
    line = pass_line(1, 0.90)
    first, second = line.counts
    assert line.decision([], 0.99 * first).verdict == "go on"
    assert line.decision([], first) == PassDecision("passed", first, 0)
    late = line.decision([first * 1.01, first * 1.02, first * 1.03], 9.0)
    assert late == PassDecision("passed", first, 0)  # it had passed before the failures came
    assert line.decision([0.5], second) == PassDecision("passed", second, 1)
    assert line.decision([0.5, second], second + 1) == PassDecision("failed", second, 2)
    assert line.decision([first], second * 0.9).verdict == "go on"  # a failure at the line itself comes first


def test_verdicts_come_as_often_as_the_exact_probability_says() -> None:
    """4000 seeded paths at the target rate; the exact pass probability is ``1 - C`` (checked above by another road)."""
    line, paths, rng = pass_line(2, 0.60), 4000, np.random.default_rng(20261125)
    passed = 0
    for _ in range(paths):
        at = np.cumsum(rng.exponential(size=12)).tolist()
        passed += line.decision(at, at[-1]).verdict == "passed"
    assert passed / paths == pytest.approx(0.40, abs=4.5 * math.sqrt(0.4 * 0.6 / paths))


@pytest.mark.parametrize("bad", [-1, 0.5, math.nan, math.inf])
def test_failures_out_of_range(bad: int) -> None:
    for refused in (lambda: watched_miss_probability(0.9, bad), lambda: pass_line(bad, 0.9)):
        with pytest.raises(ValueError, match=rf"failures_allowed must .*got {bad}"):
            refused()
    for refused in (lambda: pass_line(1, 0.9).passes(bad, 1.0), lambda: pass_line(1, 0.9).fails(bad)):
        with pytest.raises(ValueError, match=rf"failures must .*got {bad}"):
            refused()


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_exposures_and_rates_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"truth_over_target must .*got {bad}"):
        pass_probability(bad, [1.0])
    with pytest.raises(ValueError, match=rf"truth_over_target must .*got {bad}"):
        watched_miss_probability(0.9, 1, bad)
    with pytest.raises(ValueError, match=rf"pass_counts must .*got {bad}"):
        pass_probability(1.0, [0.0, bad])
    with pytest.raises(ValueError, match=rf"looks must .*got {bad}"):
        watched_miss_probability(0.9, 1, looks=[bad])
    with pytest.raises(ValueError, match=rf"expected must .*got {bad}"):
        pass_line(1, 0.9).passes(0, bad)


def test_lists_out_of_range() -> None:
    with pytest.raises(ValueError, match=r"truth_over_target must be .* 1 or more; got 0.99"):
        watched_miss_probability(0.9, 1, 0.99)
    with pytest.raises(ValueError, match="pass_counts must hold at least one"):
        pass_probability(1.0, [])
    with pytest.raises(ValueError, match="pass_counts must rise"):
        pass_probability(1.0, [2.0, 1.0])
    with pytest.raises(ValueError, match="looks must hold at least one"):
        watched_miss_probability(0.9, 1, looks=[])
    with pytest.raises(ValueError, match="looks must rise"):
        watched_miss_probability(0.9, 1, looks=[0.5, 0.2, 1.0])
    for looks in ([0.0, 1.0], [0.5, 1.1]):
        with pytest.raises(ValueError, match="looks must lie above 0 and be 1 at most"):
            watched_miss_probability(0.9, 1, looks=looks)
