"""Fixed-look bounds.

Sources:
- The definition, P(X <= r | upper) = 1 - C for a Poisson count X, and its likes, by mpmath at 40 digits and more.
- scipy.stats.chi2 and scipy.stats.binomtest; a per-read table computed with mpmath.
- Tables and examples of standards and papers are among the published values.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import (
    FixedLookBound,
    fixed_look_bound,
    per_read_upper,
    poisson_lower_count,
    poisson_upper_count,
)
from monitor.claims.bounds import (
    MttfBound,
    failure_truncated_bound,
    mttf_bound,
    poisson_upper_counts,
    two_sided_bound,
)

# --- values --------------------------------------------------------------------------------------------------------


def test_lower_bound_of_five_failures() -> None:
    """5 failures in 1e9 device-hours: P(X >= 5 | lower) = 1 - C, by mpmath."""
    bound = fixed_look_bound(5, 1e6 * 1000, 0.60)
    assert bound.fit_lower is not None
    with mpmath.workdps(30):
        tail = mpmath.gammainc(5, 0, mpmath.mpf(bound.fit_lower), regularized=True)
    assert float(tail) == pytest.approx(0.40, rel=1e-13)


@pytest.mark.parametrize("failures", [0, 1, 7, 150])
@pytest.mark.parametrize("confidence", [0.05, 0.6, 0.9, 0.999999])
def test_counts_solve_their_definition_in_mpmath(failures: int, confidence: float) -> None:
    """P(X <= r | upper) = 1 - C and P(X >= r | lower) = 1 - C for a Poisson count X."""
    with mpmath.workdps(40):
        upper = mpmath.mpf(poisson_upper_count(failures, confidence))
        at_most = mpmath.gammainc(failures + 1, upper, mpmath.inf, regularized=True)
        assert float(1 - at_most) == pytest.approx(confidence, rel=1e-12)
        if failures:
            lower = mpmath.mpf(poisson_lower_count(failures, confidence))
            at_least = mpmath.gammainc(failures, 0, lower, regularized=True)
            assert float(at_least) == pytest.approx(1 - confidence, rel=1e-10)


def test_without_exposure() -> None:
    assert fixed_look_bound(0, 0.0, 0.9) == FixedLookBound(0.9, None, 0.0, None)
    assert fixed_look_bound(2, 0.0, 0.9) == FixedLookBound(0.9, None, None, None)
    assert two_sided_bound(0, 0.0, 0.9) == FixedLookBound(0.9, None, 0.0, None, two_sided=True)
    assert two_sided_bound(2, 0.0, 0.9) == FixedLookBound(0.9, None, None, None, two_sided=True)
    assert mttf_bound(fixed_look_bound(2, 0.0, 0.9)) == MttfBound(0.9, None, None, None)
    assert per_read_upper(0, 0, 0.9) is None


def test_no_failures_has_lower_bound_and_point_zero() -> None:
    bound = fixed_look_bound(0, 1e6, 0.9)
    assert (bound.fit_lower, bound.fit_point) == (0.0, 0.0)
    assert bound.fit_upper == pytest.approx(1000 * math.log(10), rel=1e-14)  # per 1e6 hours, in FIT


def test_two_sided_limits_of_no_failures() -> None:
    """The upper one at the two-sided level: log(2 / 0.05) at 95 %, not log(1 / 0.05)."""
    bound = two_sided_bound(0, 1e9, 0.95)
    assert (bound.fit_lower, bound.fit_point, bound.two_sided) == (0.0, 0.0, True)
    assert bound.fit_upper == pytest.approx(math.log(2 / 0.05), rel=1e-14)


def test_failure_truncated_bound_of_the_first_failure() -> None:
    """The time to it is exponential: P(T > 1e6 h) = exp(-upper) = 1 - C and P(T < 1e6 h) = 1 - exp(-lower) = 1 - C."""
    bound = failure_truncated_bound(1, 1e6, 0.9)
    assert bound.fit_upper == pytest.approx(-1000 * math.log(0.1), rel=1e-14)
    assert bound.fit_lower == pytest.approx(-1000 * math.log(0.9), rel=1e-14)
    assert bound.fit_point == 1000


def test_mttf_of_no_failures_has_a_lower_bound_only() -> None:
    mttf = mttf_bound(fixed_look_bound(0, 1e6, 0.9))
    assert (mttf.upper_h, mttf.point_h, mttf.two_sided) == (None, None, False)
    assert mttf.lower_h == pytest.approx(
        1e6 / math.log(10), rel=1e-14
    )  # the rule of the exponential: H / -log(1 - C)


def test_upper_counts_keep_their_shape() -> None:
    counts = poisson_upper_counts([[0, 1, 2], [3, 100, 5]], 0.9)
    assert counts.shape == (2, 3)
    assert counts[1, 1] == poisson_upper_count(100, 0.9)
    assert poisson_upper_counts([], 0.9).shape == (0,)


@pytest.mark.parametrize(
    ("errors", "poisson", "binomial"),
    [
        (0, 0.0099679008354721, 0.00991838596827),
        (1, 0.016838615453972, 0.016733643740388),
        (2, 0.023040347782832, 0.022875166699587),
        (3, 0.028921138823618, 0.0286913304406),
    ],
)
def test_per_read_bound_and_the_exact_binomial_one(errors: int, poisson: float, binomial: float) -> None:
    """n = 231 at 90 %; both columns computed with mpmath. At r = 0 JESD47's "1 % at 90 %" (from memory).

    The binomial column again by scipy, and the Poisson form above it.
    """
    assert per_read_upper(errors, 231, 0.90) == pytest.approx(poisson, rel=3e-13)
    exact = scipy.stats.binomtest(errors, 231, alternative="less").proportion_ci(0.90, method="exact").high
    assert exact == pytest.approx(binomial, rel=1e-10)
    assert poisson > binomial


def test_per_read_bound_at_flash_scale() -> None:
    """No error in 1e15 reads at 60 %: 0.9163e-15, by the rule -log(1 - C) / n."""
    assert per_read_upper(0, 10**15, 0.60) == pytest.approx(-math.log1p(-0.60) * 1e-15, rel=1e-13)


# --- accuracy ------------------------------------------------------------------------------------------------------


def tails(shape: int, at: mpmath.mpf) -> tuple[mpmath.mpf, mpmath.mpf]:
    """P(X >= shape) and P(X < shape) for a Poisson count X of mean ``at``, by their series (all terms positive)."""
    small = mpmath.mpf("1e-22")
    if at < shape:
        total, term, n = (
            mpmath.mpf(0),
            mpmath.exp(shape * mpmath.log(at) - at - mpmath.loggamma(shape + 1)),
            shape,
        )
        while term > small * total:
            total, n = total + term, n + 1
            term *= at / n
        return total, 1 - total
    total, term, n = (
        mpmath.mpf(0),
        mpmath.exp((shape - 1) * mpmath.log(at) - at - mpmath.loggamma(shape)),
        shape - 1,
    )
    while n >= 0 and term > small * total:
        total, term, n = total + term, term * n / at, n - 1
    return 1 - total, total


def error(at: float, shape: int, at_least: mpmath.mpf) -> float:
    """How far ``at`` is from solving P(X >= shape) = at_least, relative, by one Newton step."""
    point = mpmath.mpf(at)
    density = mpmath.exp((shape - 1) * mpmath.log(point) - point - mpmath.loggamma(shape))
    return abs(float((tails(shape, point)[0] - at_least) / density / point))


@pytest.mark.parametrize("confidence", [0.01, 0.6, 0.999999, 1 - 1e-9, 1e-9])
@pytest.mark.parametrize("failures", [0, 1, 2, 19, 20, 171, 10_000, 100_000])
def test_counts_to_1e_14(failures: int, confidence: float) -> None:
    with mpmath.workdps(30):
        level = mpmath.mpf(confidence)
        assert error(poisson_upper_count(failures, confidence), failures + 1, level) < 1e-14
        if failures:
            assert error(poisson_lower_count(failures, confidence), failures, 1 - level) < 1e-14


@pytest.mark.parametrize("confidence", [0.01, 0.6, 0.999999, 1 - 1e-9])
@pytest.mark.parametrize(("failures", "equivalent_h"), [(1, 1e-3), (1, 1e15), (40, 231e3), (5000, 1e-3)])
def test_fit_and_hours_to_1e_14(failures: int, equivalent_h: float, confidence: float) -> None:
    """The two-sided level by its tail: (1 + C) / 2 in doubles would leave ten digits of the lower limit at 0.999999."""
    both = two_sided_bound(failures, equivalent_h, confidence)
    ended = failure_truncated_bound(failures, equivalent_h, confidence)
    with mpmath.workdps(30):
        level, per_fit = mpmath.mpf(confidence), mpmath.mpf(equivalent_h) / 10**9
        side = (1 - level) / 2
        assert error(both.fit_upper * per_fit, failures + 1, 1 - side) < 1e-14
        assert error(both.fit_lower * per_fit, failures, side) < 1e-14
        assert error(ended.fit_upper * per_fit, failures, level) < 1e-14
        assert error(ended.fit_lower * per_fit, failures, 1 - level) < 1e-14
        mttf = mttf_bound(both)
        assert error(equivalent_h / mpmath.mpf(mttf.lower_h), failures + 1, 1 - side) < 1e-14
        assert error(equivalent_h / mpmath.mpf(mttf.upper_h), failures, side) < 1e-14
        assert mttf.point_h == pytest.approx(equivalent_h / failures, rel=1e-15)


# --- laws ----------------------------------------------------------------------------------------------------------

failure_counts = st.integers(0, 2000)
confidences = st.floats(0.5, 0.999)
hours = st.floats(1e-3, 1e15)


@given(failure_counts, hours, st.floats(0.01, 0.999))
def test_scipys_chi_square(failures: int, equivalent_h: float, confidence: float) -> None:
    """Degrees of freedom: 2 r + 2 above and 2 r below; 2 r on both sides where a failure ends the test."""
    chi2, per_count = scipy.stats.chi2, 1e9 / equivalent_h / 2
    side = (1 - confidence) / 2
    both = two_sided_bound(failures, equivalent_h, confidence)
    assert both.fit_upper == pytest.approx(chi2.isf(side, 2 * failures + 2) * per_count, rel=1e-12)
    assert poisson_upper_count(failures, confidence) == pytest.approx(
        chi2.ppf(confidence, 2 * failures + 2) / 2, rel=1e-12
    )
    if failures:
        assert both.fit_lower == pytest.approx(chi2.ppf(side, 2 * failures) * per_count, rel=1e-12)
        ended = failure_truncated_bound(failures, equivalent_h, confidence)
        assert ended.fit_upper == pytest.approx(chi2.ppf(confidence, 2 * failures) * per_count, rel=1e-12)
        assert ended.fit_lower == pytest.approx(chi2.isf(confidence, 2 * failures) * per_count, rel=1e-12)


@given(st.lists(failure_counts, max_size=5), st.floats(0.01, 0.999))
def test_upper_counts_one_by_one(failures: list[int], confidence: float) -> None:
    assert poisson_upper_counts(failures, confidence).tolist() == [
        poisson_upper_count(r, confidence) for r in failures
    ]


@given(failure_counts, hours, st.floats(1.001, 100), confidences)
def test_upper_bounds_fall_with_exposure(
    failures: int, equivalent_h: float, more: float, confidence: float
) -> None:
    before = fixed_look_bound(failures, equivalent_h, confidence).fit_upper
    after = fixed_look_bound(failures, equivalent_h * more, confidence).fit_upper
    assert before is not None
    assert after is not None
    assert after < before


@given(failure_counts, confidences)
def test_counts_rise_with_failures(failures: int, confidence: float) -> None:
    assert poisson_upper_count(failures, confidence) < poisson_upper_count(failures + 1, confidence)
    assert poisson_lower_count(failures, confidence) < poisson_lower_count(failures + 1, confidence)


@given(failure_counts, confidences)
def test_upper_counts_rise_with_confidence(failures: int, confidence: float) -> None:
    more = confidence + (1 - confidence) / 2
    assert poisson_upper_count(failures, confidence) < poisson_upper_count(failures, more)


@given(st.integers(1, 2000), hours, confidences)
def test_lower_point_upper(failures: int, equivalent_h: float, confidence: float) -> None:
    bound = fixed_look_bound(failures, equivalent_h, confidence)
    assert bound.fit_lower is not None
    assert bound.fit_point is not None
    assert bound.fit_upper is not None
    assert 0 < bound.fit_lower < bound.fit_point < bound.fit_upper


@given(st.integers(1, 2000), hours, st.floats(0.51, 0.999))
def test_limits_nest(failures: int, equivalent_h: float, confidence: float) -> None:
    """Two-sided is the wider; a test ended by its failure has the lower upper bound (its two limits meet at 50 %)."""
    one, both = (bound(failures, equivalent_h, confidence) for bound in (fixed_look_bound, two_sided_bound))
    ended = failure_truncated_bound(failures, equivalent_h, confidence)
    assert both.fit_lower < one.fit_lower < one.fit_upper < both.fit_upper
    assert both.fit_point == one.fit_point == ended.fit_point
    assert ended.fit_lower == one.fit_lower
    assert ended.fit_lower < ended.fit_upper < one.fit_upper


@given(st.integers(1, 2000), hours, st.floats(0.51, 0.999))
def test_mttf_is_the_rate_upside_down(failures: int, equivalent_h: float, confidence: float) -> None:
    for rate in (
        fixed_look_bound(failures, equivalent_h, confidence),
        two_sided_bound(failures, equivalent_h, confidence),
        failure_truncated_bound(failures, equivalent_h, confidence),
    ):
        mttf = mttf_bound(rate)
        assert (mttf.confidence, mttf.two_sided) == (rate.confidence, rate.two_sided)
        for hours_each, fit in (
            (mttf.lower_h, rate.fit_upper),
            (mttf.point_h, rate.fit_point),
            (mttf.upper_h, rate.fit_lower),
        ):
            assert hours_each * fit == pytest.approx(1e9, rel=1e-15)
        assert mttf.lower_h < mttf.upper_h


@pytest.mark.parametrize("confidence", [0.60, 0.90])
def test_coverage_by_simulation(confidence: float) -> None:
    """20000 seeded campaigns each, ended by time (3 expected) and by the 3rd failure (where coverage is exact)."""
    runs, rng = 20_000, np.random.default_rng(20260102)
    seen, ended_at = rng.poisson(3.0, runs), rng.gamma(3.0, size=runs)
    by_time = (poisson_upper_counts(seen, confidence) >= 3.0).sum()
    upper = failure_truncated_bound(3, 1.0, confidence).fit_upper / 1e9
    by_failure = (upper / ended_at >= 1.0).sum()
    assert by_time >= scipy.stats.binom.ppf(0.001, runs, confidence)
    assert (
        scipy.stats.binom.ppf(0.0005, runs, confidence)
        <= by_failure
        <= scipy.stats.binom.ppf(0.9995, runs, confidence)
    )


# --- refusals ------------------------------------------------------------------------------------------------------

BOUNDS: tuple[Callable[[int, float, float], FixedLookBound], ...] = (
    fixed_look_bound,
    two_sided_bound,
    failure_truncated_bound,
)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 1.5, 90, math.nan])
def test_confidence_out_of_range(confidence: float) -> None:
    for refused in (
        lambda: poisson_upper_count(0, confidence),
        lambda: poisson_upper_counts([0, 1], confidence),
        lambda: poisson_lower_count(0, confidence),
        *(lambda bound=bound: bound(1, 1.0, confidence) for bound in BOUNDS),
        lambda: per_read_upper(0, 0, confidence),
    ):
        with pytest.raises(ValueError, match=rf"confidence must .*got {confidence}"):
            refused()


@pytest.mark.parametrize("failures", [-1, 0.5, math.nan, math.inf])
def test_failures_out_of_range(failures: int) -> None:
    for refused in (
        lambda: poisson_upper_count(failures, 0.9),
        lambda: poisson_upper_counts([0, failures], 0.9),
        lambda: poisson_lower_count(failures, 0.9),
        *(lambda bound=bound: bound(failures, 1.0, 0.9) for bound in BOUNDS),
        lambda: per_read_upper(failures, 1, 0.9),
    ):
        with pytest.raises(ValueError, match=rf"failures must .*got {failures}"):
            refused()


def test_no_failure_cannot_end_a_test() -> None:
    with pytest.raises(ValueError, match=r"failures must be 1 or more .*got 0"):
        failure_truncated_bound(0, 1.0, 0.9)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_other_arguments_out_of_range(bad: float) -> None:
    for bound in BOUNDS:
        with pytest.raises(ValueError, match=rf"equivalent_h must .*got {bad}"):
            bound(1, bad, 0.9)
    with pytest.raises(ValueError, match=r"equivalent_h must .*got 0"):
        failure_truncated_bound(1, 0.0, 0.9)
    with pytest.raises(ValueError, match=rf"reads must .*got {bad}"):
        per_read_upper(0, bad, 0.9)
