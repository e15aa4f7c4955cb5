"""The total rate over several mechanisms.

Sources: exact enumeration over Poisson counts (scipy) for coverage and for the mean of the e-process; scipy's gamma and
chi-square quantiles; mpmath's quadrature of the defining integral; a seeded simulation of crossings; laws. The
reference values, computed with mpmath, are in tests/published.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import anytime_upper_fit, fixed_look_bound
from monitor.claims.total import (
    HIGHEST_MIXTURE_RATE,
    TotalBound,
    anytime_total_fit,
    log_total_evidence,
    sum_of_bounds_fit,
    total_bound,
    weighted_total_fit,
)

FIT = 1e9
ACCOUNTS = st.lists(st.tuples(st.integers(0, 40), st.floats(1e3, 1e9)), min_size=1, max_size=4)
CONFIDENCES = st.floats(0.5, 0.999)


def split(account: list[tuple[int, float]]) -> tuple[list[int], list[float]]:
    return [r for r, _ in account], [hours for _, hours in account]


# --- one mechanism -------------------------------------------------------------------------------------------------


@given(failures=st.integers(0, 3000), hours=st.floats(1.0, 1e12), confidence=st.floats(0.01, 0.999))
def test_one_mechanism_has_its_own_bounds(failures: int, hours: float, confidence: float) -> None:
    single = fixed_look_bound(failures, hours, confidence).fit_upper
    assert weighted_total_fit([failures], [hours], confidence) == pytest.approx(single, rel=1e-12)
    assert sum_of_bounds_fit([failures], [hours], confidence) == pytest.approx(single, rel=1e-15)


@given(
    failures=st.integers(0, 3000),
    confidence=st.floats(0.01, 0.999),
    mixture_rate=st.floats(0.0, HIGHEST_MIXTURE_RATE),
)
def test_one_mechanism_has_its_own_anytime_bound(
    failures: int, confidence: float, mixture_rate: float
) -> None:
    """Closed form there, quadrature here."""
    total = anytime_total_fit([failures], [1e9], confidence, mixture_rate)
    assert total == pytest.approx(anytime_upper_fit(failures, 1e9, confidence, mixture_rate), rel=1e-11)


@pytest.mark.parametrize("failures", [10_000, 100_000])
def test_one_mechanism_with_very_many_failures(failures: int) -> None:
    total = anytime_total_fit([failures], [1e9], 0.9, 5.0)
    assert total == pytest.approx(anytime_upper_fit(failures, 1e9, 0.9, 5.0), rel=1e-12)


# --- weighted total ------------------------------------------------------------------------------------------------


@given(account=ACCOUNTS, confidence=CONFIDENCES)
def test_weighted_total_is_scipys_gamma_quantile(account: list[tuple[int, float]], confidence: float) -> None:
    """Fay and Feuer 1997 as printed, in scipy's words."""
    failures, hours = split(account)
    weights = [FIT / each for each in hours]
    mean = max(weights) + sum(w * r for w, r in zip(weights, failures, strict=True))
    variance = max(weights) ** 2 + sum(w * w * r for w, r in zip(weights, failures, strict=True))
    expected = scipy.stats.gamma.ppf(confidence, mean**2 / variance, scale=variance / mean)
    assert weighted_total_fit(failures, hours, confidence) == pytest.approx(expected, rel=1e-9)


@given(counts=st.lists(st.integers(0, 50), min_size=1, max_size=5), confidence=st.floats(0.01, 0.999))
def test_equal_hours_give_the_chi_square_bound_of_all(counts: list[int], confidence: float) -> None:
    expected = fixed_look_bound(sum(counts), 1e6, confidence).fit_upper
    assert weighted_total_fit(counts, [1e6] * len(counts), confidence) == pytest.approx(expected, rel=1e-11)


@given(hours=st.lists(st.floats(1e3, 1e9), min_size=1, max_size=5), confidence=st.floats(0.01, 0.999))
def test_no_failures_give_the_bound_of_the_fewest_hours(hours: list[float], confidence: float) -> None:
    """w log(1 / alpha)."""
    expected = -math.log1p(-confidence) * FIT / min(hours)
    assert weighted_total_fit([0] * len(hours), hours, confidence) == pytest.approx(expected, rel=1e-12)


def miss_probability(weights: tuple[int, ...], means: list[float], bounds: np.ndarray, kept: float) -> float:
    """Exact probability that the bound is below the true total; ``bounds`` by the counts of the mechanisms.

    Only bounds below the true total matter, and these are all in the table: it goes up to counts whose own mechanism
    alone has a bound above ``kept``.
    """
    truth = float(np.dot(weights, means))
    assert truth <= kept
    mass = np.array(1.0)
    for size, mean in zip(bounds.shape, means, strict=True):
        mass = np.multiply.outer(mass, scipy.stats.poisson.pmf(np.arange(size), mean))
    return float(mass[bounds < truth].sum())


@pytest.mark.parametrize("bound", [weighted_total_fit, sum_of_bounds_fit])
@pytest.mark.parametrize(
    ("weights", "confidence"),
    [
        ((1, 3), 0.60),
        ((1, 10), 0.60),
        ((1, 10), 0.95),
        ((1, 2, 5), 0.90),
        ((1, 1, 1, 1), 0.90),
    ],
)
def test_exact_coverage(bound: object, weights: tuple[int, ...], confidence: float) -> None:
    """Along rays of true rates, just above each value the bound can take: there the coverage is lowest on its ray.

    For all values up to that of one failure more of the heaviest mechanism than none.
    """
    hours = [FIT / weight for weight in weights]
    none = [0] * len(weights)
    assert callable(bound)
    kept = 1.0001 * bound([*none[:-1], 1], hours, confidence)
    sizes = []
    for i in range(len(weights)):  # a bound rises with each count
        r = 0
        while bound([*none[:i], r, *none[i + 1 :]], hours, confidence) <= kept:
            r += 1
        sizes.append(r)
    bounds = np.array(
        [bound(list(counts), hours, confidence) for counts in itertools.product(*map(range, sizes))]
    ).reshape(sizes)
    steps = np.unique(bounds[bounds < kept / 1.0001])
    rays = [ray for ray in itertools.product(range(4), repeat=len(weights)) if sum(ray) == 3]
    lowest = 1.0
    for ray in rays:
        for step in steps[:: max(1, len(steps) // 12)]:
            means = [step * (1 + 1e-9) * part / 3 / weight for part, weight in zip(ray, weights, strict=True)]
            lowest = min(lowest, 1 - miss_probability(weights, means, bounds, kept))
    assert lowest >= confidence - 1e-8
    if bound is weighted_total_fit:  # where only the heaviest mechanism fails there is nothing to spare
        assert lowest == pytest.approx(confidence, abs=1e-8)


# --- sum of bounds -------------------------------------------------------------------------------------------------


@given(account=ACCOUNTS, confidence=st.floats(0.6, 0.999))  # near a half the sum need not be conservative
def test_the_weighted_total_is_the_narrower_one(account: list[tuple[int, float]], confidence: float) -> None:
    failures, hours = split(account)
    weighted = weighted_total_fit(failures, hours, confidence)
    added = sum_of_bounds_fit(failures, hours, confidence)
    assert weighted is not None
    assert added is not None
    assert weighted <= added * (1 + 1e-12)


# --- anytime total -------------------------------------------------------------------------------------------------


def mpmath_log_evidence(expected: float, failures: list[int], rhos: list[float], rate: float) -> float:
    """The defining integral, in panels about the peak of the integrand."""
    with mpmath.workdps(30):
        c = mpmath.mpf(rate)

        def integrand(s: mpmath.mpf) -> mpmath.mpf:
            value = mpmath.exp(s * expected - c * (1 - s))
            for r, rho in zip(failures, rhos, strict=True):
                value *= (1 - s * mpmath.mpf(rho)) ** r
            return value * (c / -mpmath.expm1(-c) if c else 1)

        return float(mpmath.log(mpmath.quad(integrand, mpmath.linspace(0, 1, 9))))


@pytest.mark.parametrize(
    ("expected", "failures", "rhos", "rate"),
    [
        (0.0, [0, 0], [1.0, 0.3], 5.0),
        (3.0, [0, 0], [1.0, 0.3], 0.0),
        (3.0, [2, 0], [1.0, 0.3], 5.0),
        (8.0, [1, 3, 0], [0.2, 1.0, 0.01], 2.0),
        (40.0, [12, 25], [1.0, 0.9], 30.0),
    ],
)
def test_evidence_is_the_integral(
    expected: float, failures: list[int], rhos: list[float], rate: float
) -> None:
    computed = log_total_evidence(expected, failures, rhos, rate)
    assert computed == pytest.approx(
        mpmath_log_evidence(expected, failures, rhos, rate), rel=1e-12, abs=1e-13
    )


@given(account=ACCOUNTS, confidence=st.floats(0.05, 0.999), mixture_rate=st.floats(0.0, 50.0))
def test_the_bound_solves_its_definition(
    account: list[tuple[int, float]], confidence: float, mixture_rate: float
) -> None:
    failures, hours = split(account)
    upper = anytime_total_fit(failures, hours, confidence, mixture_rate)
    assert upper is not None
    rhos = [min(hours) / each for each in hours]
    evidence = log_total_evidence(upper / FIT * min(hours), failures, rhos, mixture_rate)
    assert evidence == pytest.approx(-math.log1p(-confidence), abs=1e-9)


@pytest.mark.parametrize(
    ("rates", "hours", "rhos"),
    [
        ((0.5, 0.2), (1.0, 3.0), (1.0, 1 / 3)),
        ((2.0, 0.0, 0.4), (1.0, 2.0, 4.0), (1.0, 0.5, 0.25)),
        (
            (0.4, 0.9),
            (1.3, 2.9),
            (1.0, 1 / 3),
        ),  # the ratio of the hours drifted away from the one fixed before
        ((0.4, 0.9), (0.8, 3.3), (1.0, 1 / 3)),
    ],
)
@pytest.mark.parametrize("mixture_rate", [0.0, 5.0])
def test_the_e_process_has_mean_one(
    rates: tuple[float, ...], hours: tuple[float, ...], rhos: tuple[float, ...], mixture_rate: float
) -> None:
    """Summed exactly over all counts, at the true total: 1 where the hours kept the ratio, below 1 where not."""
    means = [rate * each for rate, each in zip(rates, hours, strict=True)]
    reference_h = min(rho * each for rho, each in zip(rhos, hours, strict=True))
    mean_evidence = 0.0
    for counts in itertools.product(range(22 if len(rates) == 2 else 14), repeat=len(rates)):
        probability = math.prod(
            float(m**r * math.exp(-m) / math.factorial(r)) for m, r in zip(means, counts, strict=True)
        )
        if probability > 1e-14:
            mean_evidence += probability * math.exp(
                log_total_evidence(sum(rates) * reference_h, counts, rhos, mixture_rate)
            )
    kept = all(rho * each == pytest.approx(reference_h) for rho, each in zip(rhos, hours, strict=True))
    if kept:
        assert mean_evidence == pytest.approx(1.0, abs=1e-6)
    else:
        assert 0.5 < mean_evidence < 1.0


def test_watched_all_the_time_it_errs_no_more_often_than_it_says() -> None:
    """250 seeded campaigns of 27 failures expected, looked at just before each failure, where the evidence peaks."""
    rng = np.random.default_rng(20261)
    rates, speeds = np.array([0.7, 0.9]), np.array([1.0, 3.0])  # equivalent hours per hour
    horizon_h, peaks = 8.0, []
    for _ in range(250):
        times = [
            (instant, mechanism)
            for mechanism, per_h in enumerate(rates * speeds)
            for instant in rng.uniform(0, horizon_h, rng.poisson(per_h * horizon_h))
        ]
        counts, peak = [0, 0], 0.0
        for instant, mechanism in [*sorted(times), (horizon_h, 0)]:
            peak = max(peak, log_total_evidence(rates.sum() * instant, counts, [1.0, 1 / 3], 5.0))
            counts[mechanism] += 1
        peaks.append(peak)
    for alpha in (0.4, 0.1):
        crossed = float(np.mean(np.array(peaks) >= -math.log(alpha)))
        assert 0.1 * alpha < crossed < alpha + 3 * math.sqrt(alpha * (1 - alpha) / 250)


@given(account=ACCOUNTS, confidence=st.floats(0.5, 0.99), which=st.integers(0, 3))
def test_laws(account: list[tuple[int, float]], confidence: float, which: int) -> None:
    """More failures, or more confidence: higher. More hours: the same times fewer. Order does not matter."""
    failures, hours = split(account)
    i = which % len(failures)
    more = [r + (i == j) for j, r in enumerate(failures)]

    def bounds(counts: list[int], over_h: list[float], level: float) -> np.ndarray:
        bound = total_bound(counts, over_h, level, 5.0)
        return np.array([bound.fit_sum_of_bounds, bound.fit_weighted, bound.fit_anytime], dtype=float)

    now = bounds(failures, hours, confidence)
    assert np.all(now > 0)
    assert np.all(bounds(more, hours, confidence) > now)
    assert np.all(bounds(failures, hours, confidence + 0.005) > now)
    assert bounds(failures, [10 * each for each in hours], confidence) == pytest.approx(now / 10, rel=1e-9)
    assert bounds(failures[::-1], hours[::-1], confidence) == pytest.approx(now, rel=1e-9)
    assert now[2] >= max(
        anytime_upper_fit(r, each, confidence, 5.0) or 0.0
        for r, each in zip(failures, hours, strict=True)
        if each == min(hours)
    ) * (1 - 1e-9)


def test_a_failure_of_unknown_mechanism_is_on_the_safe_side() -> None:
    """Counted in both mechanisms the total is above what it would be were it known, whichever it was."""
    hours = [1e8, 3e7]
    unknown = total_bound([1, 1], hours, 0.9, 5.0)
    for known in ([1, 0], [0, 1]):
        bound = total_bound(known, hours, 0.9, 5.0)
        for name in ("fit_sum_of_bounds", "fit_weighted", "fit_anytime"):
            assert getattr(bound, name) < getattr(unknown, name)


# --- ratios fixed beforehand ---------------------------------------------------------------------------------------


def test_hours_that_kept_their_ratio_need_no_ratios() -> None:
    plain = anytime_total_fit([1, 2], [2e8, 5e7], 0.9, 5.0)
    assert anytime_total_fit([1, 2], [2e8, 5e7], 0.9, 5.0, ratios=[4.0, 1.0]) == plain


@given(drift=st.floats(0.5, 2.0), failures=st.tuples(st.integers(0, 5), st.integers(0, 5)))
def test_hours_that_drifted_are_taken_at_the_least(drift: float, failures: tuple[int, int]) -> None:
    """With rho = 1, 1/4: the same as if both had only the hours of the one that fell behind."""
    drifted = anytime_total_fit(failures, [1e8, 4e8 * drift], 0.9, 5.0, ratios=[1.0, 4.0])
    behind_h = 1e8 * min(1.0, drift)
    assert drifted == pytest.approx(
        anytime_total_fit(failures, [behind_h, 4 * behind_h], 0.9, 5.0), rel=1e-12
    )


# --- nothing to go by, and refusals --------------------------------------------------------------------------------


def test_without_hours_of_one_mechanism_there_is_no_total() -> None:
    assert total_bound([0, 0], [1e6, 0.0], 0.9, 5.0) == TotalBound(0.9, None, None, None)
    assert total_bound([0], [0.0], 0.9, 5.0, ratios=[1.0]) == TotalBound(0.9, None, None, None)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([], [], 0.9, 5.0), r"failures must name at least one mechanism; got \[\]"),
        (([0, 0], [1e6], 0.9, 5.0), r"equivalent_h must be one per mechanism, 2; got 1"),
        (([0, -1], [1e6, 1e6], 0.9, 5.0), r"failures .*got -1"),
        (([0], [-1.0], 0.9, 5.0), r"equivalent_h .*got -1\.0"),
        (([0], [math.inf], 0.9, 5.0), r"equivalent_h .*got inf"),
        (([0], [1e6], 1.0, 5.0), r"confidence .*got 1\.0"),
        (([0], [1e6], 0.9, -1.0), r"mixture_rate must be from 0 to 1000; got -1\.0"),
        (([0], [1e6], 0.9, 1001.0), r"mixture_rate .*got 1001\.0"),
        (([0, 0], [1e6, 1e6], 0.9, 5.0, [1.0]), r"ratios must be one per mechanism, 2; got 1"),
        (([0, 0], [1e6, 1e6], 0.9, 5.0, [1.0, 0.0]), r"ratios .*got 0\.0"),
    ],
)
def test_refusals(arguments: tuple[Any, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        anytime_total_fit(*arguments)
    with pytest.raises(ValueError, match=message):
        total_bound(*arguments)


@pytest.mark.parametrize("bound", [weighted_total_fit, sum_of_bounds_fit])
def test_each_fixed_look_bound_refuses_a_bad_confidence(bound: object) -> None:
    assert callable(bound)
    with pytest.raises(ValueError, match=r"confidence .*got 0\.0"):
        bound([0], [1e6], 0.0)
