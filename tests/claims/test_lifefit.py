"""Life distributions fitted by maximum likelihood.

Sources: lifelines 0.30 on random censored data, with entry times and with covariates; the likelihood itself in mpmath
(its slope at the fit, its curvature against the standard errors) and by scipy's distributions (profile likelihoods, by
a one-dimensional search); closed forms where nothing is censored. Published fits stand in
`tests/published/life_fits.py`.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import lifelines
import mpmath
import numpy as np
import pandas as pd
import pytest
import scipy.optimize
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims.lifefit import LifeFit, fit_life

NIST_H = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10]
NIST_FAILED = [True] * 10 + [False] * 10
NIST_ENTRY_H = [0, 100, 0, 50, 0, 200, 0, 0, 300, 10, *[0, 50, 100, 400, 499] * 2]  # invented
DISTRIBUTIONS = ["weibull", "lognormal"]

# MASS::motors, 40 motorettes: °C, hours, failed (Nelson & Hahn 1972, as R prints them)
MOTORS = [
    *[(150, 8064, 0)] * 10,
    *[(170, time, 1) for time in (1764, 2772, 3444, 3542, 3780, 4860, 5196)],
    *[(170, 5448, 0)] * 3,
    *[(190, time, 1) for time in (408, 408, 1344, 1344, 1440)],
    *[(190, 1680, 0)] * 5,
    *[(220, time, 1) for time in (408, 408, 504, 504, 504)],
    *[(220, 528, 0)] * 5,
]
MOTORS_C, MOTORS_H, MOTORS_FAILED = (np.array(column) for column in zip(*MOTORS, strict=True))


@contextmanager
def quiet() -> Iterator[None]:
    """lifelines warns of its own doings."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


@st.composite
def samples(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hours, whether failed, and entry hours, with at least 8 failures: a life, a censoring time per chip, a seed."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    lives = 1000 * rng.weibull(draw(st.floats(0.6, 4)), size=draw(st.integers(30, 60)))
    censored = np.quantile(lives, draw(st.floats(0.5, 0.9))) * rng.uniform(0.7, 1, size=lives.size)
    hours = np.minimum(lives, censored)
    return (
        hours,
        lives <= censored,
        hours * rng.uniform(0, 0.5, size=lives.size) * rng.integers(0, 2, size=lives.size),
    )


def law(distribution: str, sigma: float, scale: float) -> Any:
    """scipy's distribution."""
    if distribution == "weibull":
        return scipy.stats.weibull_min(1 / sigma, scale=scale)
    return scipy.stats.lognorm(sigma, scale=scale)


def loglik(
    distribution: str, log_sigma: float, location: float, data: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> float:
    """Log-likelihood by scipy's distributions."""
    hours, failed, entry = data
    life = law(distribution, math.exp(log_sigma), math.exp(location))
    total = life.logpdf(hours[failed]).sum() + life.logsf(hours[~failed]).sum()
    return float(total - life.logsf(entry).sum())


# --- against other fits --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("entered", [False, True])
@settings(max_examples=3, deadline=None)
@given(data=samples())
def test_lifelines_on_random_data(
    distribution: str, entered: bool, data: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    """The same maximum, as far as its optimiser goes; never a lower one."""
    hours, failed, entry = data
    fit = fit_life(hours, failed, distribution=distribution, entry_h=entry if entered else None)
    fitter = lifelines.WeibullFitter() if distribution == "weibull" else lifelines.LogNormalFitter()
    with quiet():
        fitter.fit(hours, failed, entry=entry if entered else None)
    if distribution == "weibull":
        theirs, ours = (fitter.rho_, fitter.lambda_), (fit.shape, fit.scale_h)
    else:
        theirs, ours = (fitter.sigma_, math.exp(fitter.mu_)), (fit.shape, fit.scale_h)
    assert ours == pytest.approx(theirs, rel=2e-3)
    assert fitter.log_likelihood_ - 1e-9 <= fit.loglik <= fitter.log_likelihood_ + 1e-3
    assert fit.loglik == pytest.approx(
        loglik(distribution, math.log(fit.sigma), fit.coefficients[0], (hours, failed, entry * entered)),
        rel=1e-11,
    )


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_lifelines_with_a_covariate(distribution: str) -> None:
    frame = pd.DataFrame({"hours": MOTORS_H, "failed": MOTORS_FAILED, "x": (MOTORS_C - 180) / 30})
    fit = fit_life(MOTORS_H, MOTORS_FAILED, distribution=distribution, covariates=frame["x"])
    fitter, location, spread = (
        (lifelines.WeibullAFTFitter(), "lambda_", "rho_")
        if distribution == "weibull"
        else (lifelines.LogNormalAFTFitter(), "mu_", "sigma_")
    )
    with quiet():
        fitter.fit(frame, "hours", "failed")
    expected = fitter.params_[location]
    assert fit.coefficients == pytest.approx([expected["Intercept"], expected["x"]], rel=1e-4)
    errors = fitter.standard_errors_[location]
    assert fit.coefficient_se == pytest.approx([errors["Intercept"], errors["x"]], rel=1e-3)
    assert abs(math.log(fit.sigma)) == pytest.approx(abs(fitter.params_[spread]["Intercept"]), rel=1e-3)
    assert fit.log_sigma_se == pytest.approx(fitter.standard_errors_[spread]["Intercept"], rel=1e-3)


def test_activation_energies_of_the_motorettes() -> None:
    """Another fit of these data, with scipy, to five digits: 0.83794 and 0.85526 eV."""
    per_ev = 1 / (8.617333262e-5 * (MOTORS_C + 273.15))
    for distribution, energy_ev, value in (
        ("weibull", 0.83794, -146.2543),
        ("lognormal", 0.85526, -148.5373),
    ):
        fit = fit_life(MOTORS_H, MOTORS_FAILED, distribution=distribution, covariates=per_ev)
        assert fit.coefficients[1] == pytest.approx(energy_ev, abs=5e-6)
        assert fit.loglik == pytest.approx(value, abs=5e-5)


# --- against the likelihood ------------------------------------------------------------------------------------------


def exact_loglik(distribution: str, entered: bool) -> Callable[[mpmath.mpf, mpmath.mpf], mpmath.mpf]:
    """Log-likelihood of the NIST data in mpmath, of location and log sigma."""

    def log_survival(z: mpmath.mpf) -> mpmath.mpf:
        return (
            -mpmath.exp(z) if distribution == "weibull" else mpmath.log(mpmath.erfc(z / mpmath.sqrt(2)) / 2)
        )

    def log_density(z: mpmath.mpf) -> mpmath.mpf:
        return z - mpmath.exp(z) if distribution == "weibull" else mpmath.log(mpmath.npdf(z))

    def value(location: mpmath.mpf, log_sigma: mpmath.mpf) -> mpmath.mpf:
        def z(time: float) -> mpmath.mpf:
            return (mpmath.log(time) - location) / mpmath.exp(log_sigma)

        return mpmath.fsum(
            (log_density(z(time)) - log_sigma - mpmath.log(time) if failed else log_survival(z(time)))
            - (log_survival(z(entry)) if entered and entry else 0)
            for time, failed, entry in zip(NIST_H, NIST_FAILED, NIST_ENTRY_H, strict=True)
        )

    return value


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("entered", [False, True])
def test_slope_and_curvature_in_mpmath(distribution: str, entered: bool) -> None:
    """Standard errors are the inverse of the observed information in location and log sigma."""
    entry = NIST_ENTRY_H if entered else None
    fit = fit_life(NIST_H, NIST_FAILED, distribution=distribution, entry_h=entry)
    with mpmath.workdps(40):
        at = (mpmath.mpf(float(fit.coefficients[0])), mpmath.log(mpmath.mpf(fit.sigma)))
        value = exact_loglik(distribution, entered)
        assert fit.loglik == pytest.approx(float(value(*at)), rel=1e-13)
        assert [float(mpmath.diff(value, at, n)) for n in ((1, 0), (0, 1))] == pytest.approx(
            [0, 0], abs=1e-11
        )
        across = -mpmath.diff(value, at, (1, 1))
        information = mpmath.matrix(
            [[-mpmath.diff(value, at, (2, 0)), across], [across, -mpmath.diff(value, at, (0, 2))]]
        )
        covariance = information**-1
        assert fit.coefficient_se[0] == pytest.approx(float(mpmath.sqrt(covariance[0, 0])), rel=1e-11)
        assert fit.log_sigma_se == pytest.approx(float(mpmath.sqrt(covariance[1, 1])), rel=1e-11)
    assert fit.sigma_se == pytest.approx(fit.sigma * fit.log_sigma_se, rel=1e-14)
    assert fit.shape_se == pytest.approx(fit.shape * fit.log_sigma_se, rel=1e-14)
    assert fit.scale_se_h == pytest.approx(fit.scale_h * fit.coefficient_se[0], rel=1e-14)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("entered", [False, True])
def test_limits_lie_where_the_profile_likelihood_has_fallen_enough(distribution: str, entered: bool) -> None:
    """Profiles by scipy's distributions and a bounded search over what is left free."""
    data = (np.array(NIST_H, float), np.array(NIST_FAILED), np.array(NIST_ENTRY_H, float) * entered)
    fit = fit_life(*data[:2], distribution=distribution, entry_h=data[2])
    confidence, allowed = 0.9, 2.705543454  # chi-square quantile, 1 degree of freedom; mpmath

    def fallen(path: Callable[[float], tuple[float, float]], centre: float) -> float:
        """Twice the loss at the best of a path of (log sigma, location)."""
        best = scipy.optimize.minimize_scalar(
            lambda free: -loglik(distribution, *path(free), data),
            bounds=(centre - 4, centre + 4),
            method="bounded",
            options={"xatol": 1e-9},
        )
        return 2 * (fit.loglik + best.fun)

    def quantile(fraction: float, log_sigma: float) -> float:
        return math.log(law(distribution, math.exp(log_sigma), 1.0).ppf(fraction))

    shape = fit.shape_limits(confidence)
    for edge in (shape.lower, shape.upper):
        log_sigma = -math.log(edge) if distribution == "weibull" else math.log(edge)
        assert fallen(lambda free, s=log_sigma: (s, free), fit.coefficients[0]) == pytest.approx(
            allowed, rel=1e-6
        )
    times = fit.time_limits_h(0.1, confidence)
    reliability = fit.reliability_limits(700, confidence)
    edges = [
        (0.1, times.lower),
        (0.1, times.upper),
        (1 - reliability.lower, 700),
        (1 - reliability.upper, 700),
    ]
    for fraction, time in edges:
        assert fallen(
            lambda free, p=fraction, t=time: (free, math.log(t) - quantile(p, free)), math.log(fit.sigma)
        ) == pytest.approx(allowed, rel=1e-6)
    assert shape.lower < fit.shape < shape.upper
    assert times.lower < fit.quantile_h(0.1) < times.upper
    assert reliability.lower < fit.reliability(700) < reliability.upper


@st.composite
def plain_samples(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Hours on any scale and whether failed, 3 failures or more; censored at one time or at many, some with ties."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    lives = np.sort(rng.weibull(draw(st.floats(0.5, 6)), size=draw(st.integers(8, 80))))
    failures = draw(st.integers(3, lives.size // 2))
    if draw(st.booleans()):
        lives[1:failures:2] = lives[: failures - 1 : 2]
    censored = lives[failures] * np.ones(lives.size)
    if draw(st.booleans()):
        censored *= rng.uniform(1, 1.5, size=lives.size)
    failed = np.arange(lives.size) < failures
    return np.where(failed, lives, censored) * draw(st.sampled_from([1e-3, 1e3, 1e15])), failed


@settings(max_examples=15, deadline=None)
@given(
    data=plain_samples(),
    confidence=st.floats(0.1, 0.999),
    fraction=st.sampled_from([1e-9, 1e-3, 0.5, 1 - math.exp(-1), 0.999]),
    stretch=st.floats(0.01, 2),
)
def test_weibull_limits_without_a_climb_are_those_with_one(
    data: tuple[np.ndarray, np.ndarray], confidence: float, fraction: float, stretch: float
) -> None:
    """A chip that came with hours far too few to matter has all limits found by climbs on the likelihood."""
    hours, failed = data
    plain, climbed = (
        fit_life(hours, failed, entry_h=[entry] + [0.0] * (hours.size - 1)) for entry in (0, 1e-300)
    )
    assert climbed.loglik == pytest.approx(plain.loglik, rel=1e-12, abs=1e-12)
    time_h = stretch * float(hours.max())
    for limits, expected in (
        (plain.shape_limits(confidence), climbed.shape_limits(confidence)),
        (plain.time_limits_h(fraction, confidence), climbed.time_limits_h(fraction, confidence)),
        (plain.reliability_limits(time_h, confidence), climbed.reliability_limits(time_h, confidence)),
    ):
        assert (limits.lower, limits.upper) == pytest.approx(
            (expected.lower, expected.upper), rel=1e-8, abs=1e-300
        )


@pytest.mark.parametrize("confidence", [1e-300, 1e-9, 1e-3])
def test_weibull_limits_at_next_to_no_confidence_close_in_on_the_estimate(confidence: float) -> None:
    """As far as the rounding of the likelihood lets them: its loss is as the square of the way from the maximum."""
    fit = fit_life(NIST_H, NIST_FAILED)
    for limits, estimate in (
        (fit.shape_limits(confidence), fit.shape),
        (fit.time_limits_h(0.01, confidence), fit.quantile_h(0.01)),
        (fit.reliability_limits(700, confidence), fit.reliability(700)),
        (fit.reliability_limits(1e-300, confidence), 1.0),
    ):
        assert (limits.lower, limits.upper) == pytest.approx((estimate, estimate), rel=2 * confidence + 1e-6)


def test_limits_of_the_life_at_use_from_the_motorettes() -> None:
    """Time and reliability limits are one profile from two sides: at the upper limit of t_p, R's limit is 1 - p."""
    fit = fit_life(MOTORS_H, MOTORS_FAILED, covariates=MOTORS_C)
    times = fit.time_limits_h(0.01, 0.9, [130])
    assert fit.reliability_limits(times.lower, 0.9, [130]).lower == pytest.approx(0.99, rel=1e-8)
    assert fit.reliability_limits(times.upper, 0.9, [130]).upper == pytest.approx(0.99, rel=1e-8)
    assert fit.reliability(fit.quantile_h(0.01, [130]), [130]) == pytest.approx(0.99, rel=1e-12)
    wider = fit.time_limits_h(0.01, 0.99, [130])
    assert wider.lower < times.lower
    assert wider.upper > times.upper


# --- closed forms and laws -------------------------------------------------------------------------------------------


def test_lognormal_without_censoring_is_the_mean_and_spread_of_log_hours() -> None:
    hours = np.array([3.0, 8.0, 21.0, 22.0, 90.0, 400.0])
    fit = fit_life(hours, np.ones(6), distribution="lognormal")
    logs = np.log(hours)
    assert fit.coefficients[0] == pytest.approx(logs.mean(), rel=1e-13)
    assert fit.sigma == pytest.approx(logs.std(), rel=1e-13)
    assert fit.coefficient_se[0] == pytest.approx(fit.sigma / math.sqrt(6), rel=1e-12)
    assert fit.log_sigma_se == pytest.approx(1 / math.sqrt(12), rel=1e-12)


def test_lognormal_regression_without_censoring_is_least_squares() -> None:
    """Two covariates; numpy's least squares."""
    rng = np.random.default_rng(7)
    x = rng.uniform(size=(30, 2)) * [1, 1000] + [40, -3]
    logs = x @ [2, 0.004] + rng.normal(size=30)
    fit = fit_life(np.exp(logs), np.ones(30), distribution="lognormal", covariates=x)
    design = np.column_stack([np.ones(30), x])
    solution, residual, *_ = np.linalg.lstsq(design, logs)
    assert fit.coefficients == pytest.approx(solution, rel=1e-9)
    assert fit.sigma == pytest.approx(math.sqrt(residual.item() / 30), rel=1e-11)
    errors = fit.sigma * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert fit.coefficient_se == pytest.approx(errors, rel=1e-8)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
@pytest.mark.parametrize("factor", [1e-6, 1e-3, 1e12])
def test_hours_on_any_scale(distribution: str, factor: float) -> None:
    fit, scaled = (
        fit_life(np.array(NIST_H) * unit, NIST_FAILED, distribution=distribution) for unit in (1, factor)
    )
    assert scaled.shape == pytest.approx(fit.shape, rel=1e-12)
    assert scaled.scale_h == pytest.approx(fit.scale_h * factor, rel=1e-11)
    assert scaled.shape_limits(0.9).upper == pytest.approx(fit.shape_limits(0.9).upper, rel=1e-9)
    assert scaled.time_limits_h(0.01, 0.9).lower == pytest.approx(
        fit.time_limits_h(0.01, 0.9).lower * factor, rel=1e-8
    )


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_covariates_on_any_scale(distribution: str) -> None:
    def fitted(covariates: np.ndarray) -> LifeFit:
        return fit_life(MOTORS_H, MOTORS_FAILED, distribution=distribution, covariates=covariates)

    fit, scaled = fitted(MOTORS_C), fitted(MOTORS_C * 1e6 - 1e9)
    assert scaled.coefficients[1] == pytest.approx(fit.coefficients[1] / 1e6, rel=1e-9)
    assert scaled.coefficient_se[1] == pytest.approx(fit.coefficient_se[1] / 1e6, rel=1e-9)
    assert scaled.quantile_h(0.5, [130 * 1e6 - 1e9]) == pytest.approx(fit.quantile_h(0.5, [130]), rel=1e-9)


def weibull_shape_in_mpmath(hours: list[float], failures: int) -> float:
    """The root of the shape equation; the first ``failures`` hours are failures."""
    with mpmath.workdps(60):
        times = [mpmath.mpf(time) for time in hours]
        mean_log = mpmath.fsum(map(mpmath.log, times[:failures])) / failures

        def excess(shape: mpmath.mpf) -> mpmath.mpf:
            powers = [time**shape for time in times]
            weighted = mpmath.fsum(p * mpmath.log(t) for p, t in zip(powers, times, strict=True))
            return weighted / mpmath.fsum(powers) - 1 / shape - mean_log

        low, high = mpmath.mpf("1e-3"), mpmath.mpf(10) ** 9
        return float(mpmath.findroot(excess, (low, high), solver="anderson", maxsteps=500, tol=1e-40))


@pytest.mark.parametrize(
    "hours",
    [
        [100.0, 300.0, 500.0, *[1000.0] * 228],  # 231 chips, 3 failures
        [408.0, 408.0, 504.0, 504.0, 504.0],  # ties, all failed
        [1e-3, 1.0, 1e15],
        [1e15, 1.1e15, 1.3e15, *[2e15] * 5],
        [100.0, 100.0, 100.0, *[100.001] * 20],  # all failures at one time, others good beyond it
    ],
)
def test_weibull_shape_equation_in_mpmath(hours: list[float]) -> None:
    failures = sum(time not in {1000.0, 2e15, 100.001} for time in hours)
    fit = fit_life(hours, [True] * failures + [False] * (len(hours) - failures))
    assert fit.shape == pytest.approx(weibull_shape_in_mpmath(hours, failures), rel=1e-9)
    assert (fit.failures, fit.chips) == (failures, len(hours))
    # At the maximum the hours to the power of the shape account for the failures.
    assert math.fsum((time / fit.scale_h) ** fit.shape for time in hours) == pytest.approx(failures, rel=1e-7)


def test_far_beyond_the_data_nothing_is_good() -> None:
    for distribution in DISTRIBUTIONS:
        fit = fit_life(NIST_H, NIST_FAILED, distribution=distribution)
        assert fit.reliability(1e300) == 0.0
        assert fit.reliability(1e-300) == 1.0


def test_far_limits_at_few_failures() -> None:
    """3 failures of 231 say little of the first one in a million: limits, very wide, with the estimate between."""
    fit = fit_life([100.0, 300.0, 500.0, *[1000.0] * 228], [True] * 3 + [False] * 228)
    limits = fit.time_limits_h(1e-6, 0.95)
    assert limits.lower < 1e-6 < fit.quantile_h(1e-6) < limits.upper < 100


def test_entry_at_zero_hours_is_none() -> None:
    fit, entered = (fit_life(NIST_H, NIST_FAILED, entry_h=entry) for entry in (None, np.zeros(20)))
    assert (entered.shape, entered.loglik) == (fit.shape, fit.loglik)


def test_chips_watched_for_no_time_add_nothing() -> None:
    fit = fit_life(NIST_H, NIST_FAILED)
    more = fit_life([*NIST_H, 0, 70], [*NIST_FAILED, False, False], entry_h=[0] * 21 + [70])
    assert (more.shape, more.scale_h, more.loglik, more.chips) == (fit.shape, fit.scale_h, fit.loglik, 22)


def test_prior_stress_left_out_makes_chips_look_better_than_they_are() -> None:
    """Chips that outlived 300 h say nothing of early failures; taken for new ones they seem to."""
    hours, failed = [350.0, 400.0, 420.0, 500.0, 500.0, 500.0], [True, True, True, False, False, False]
    honest = fit_life(hours, failed, entry_h=[300.0] * 6)
    naive = fit_life(hours, failed)
    assert honest.quantile_h(0.5) < naive.quantile_h(0.5)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_too_few_failures(failures: int) -> None:
    failed = [True] * failures + [False] * (20 - failures)
    with pytest.raises(ValueError, match=f"failed must mark at least 3 failures for a fit; got {failures}"):
        fit_life(NIST_H, failed)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_likelihoods_without_a_maximum(distribution: str) -> None:
    marks = [True, True, True, False]
    with pytest.raises(ValueError, match=r"times_h must have a failure before .* all 3 failures are at 50"):
        fit_life([50.0, 50.0, 50.0, 20.0], marks, distribution=distribution)
    with pytest.raises(ValueError, match=r"times_h must be such that the likelihood has a maximum"):
        fit_life(np.exp([1, 2, 3, 1]), marks, distribution=distribution, covariates=[1, 2, 3, 3])
    with pytest.raises(ValueError, match=r"covariates must differ among the failed .* got 1 different rows"):
        fit_life([1, 2, 3, 9], marks, distribution=distribution, covariates=[85, 85, 85, 55])
    with pytest.raises(ValueError, match=r"covariates must differ among the failed"):
        fit_life([1, 2, 3, 9], marks, distribution=distribution, covariates=[[1, 2], [2, 4], [3, 6], [1, 1]])


def test_entry_hours_that_leave_no_shape() -> None:
    """Far heavier in the tail than any Weibull: lives 1, 10, ... 1e6 times the entry."""
    with pytest.raises(ValueError, match=r"entry hours that leave no shape above 0"):
        fit_life([2.0, 3.0, 1e3, 1e9, 1e18], [True] * 5, entry_h=[1.0] * 5)


def test_limits_that_the_data_do_not_set() -> None:
    """3 failures of 6 chips that had outlived 300 h: shape 2.0 with a standard error of 4.0, and 0 not excluded."""
    fit = fit_life([350, 400, 420, 500, 500, 500], [1, 1, 1, 0, 0, 0], entry_h=[300] * 6)
    with pytest.raises(
        ValueError, match=r"confidence must be low enough for these data to set limits; got 0\.9"
    ):
        fit.shape_limits(0.9)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_confidence_that_is_one_but_for_rounding(distribution: str) -> None:
    fit = fit_life(NIST_H, NIST_FAILED, distribution=distribution)
    confidence = math.nextafter(1, 0)
    message = rf"confidence must be low enough for these data to set limits; got {confidence}"
    with pytest.raises(ValueError, match=message):
        fit.shape_limits(confidence)
    with pytest.raises(ValueError, match=message):
        fit.reliability_limits(700, confidence)
    with pytest.raises(ValueError, match=message):
        fit.time_limits_h(0.01, confidence)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"distribution": "normal"}, "distribution must be one of weibull, lognormal; got 'normal'"),
        ({"covariates": [1.0] * 19}, r"covariates must have one row per chip, 20; got shape \(19, 1\)"),
        ({"covariates": [1.0] * 19 + [math.inf]}, "covariates must be finite numbers; got inf"),
        ({"entry_h": [0.0] * 19}, "entry_h must be one number per chip, 20; got 19"),
        ({"entry_h": [54.0] + [0.0] * 19}, r"entry_h must be below times_h .*; got 54\.0"),
        ({"entry_h": [0.0] * 19 + [501.0]}, r"entry_h must be below times_h .*; got 501\.0"),
        ({"entry_h": [-1.0] * 20}, r"entry_h must be finite numbers, 0 or more; got -1\.0"),
    ],
)
def test_arguments_out_of_range(arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fit_life(NIST_H, NIST_FAILED, **arguments)


def test_a_failure_at_no_hours_is_refused() -> None:
    with pytest.raises(ValueError, match=r"times_h must be above 0 where a chip failed, .*; got 0\.0"):
        fit_life([0.0, 1.0, 2.0, 3.0], [True] * 4)


def test_questions_out_of_range() -> None:
    plain, with_covariate = (
        fit_life(NIST_H, NIST_FAILED),
        fit_life(MOTORS_H, MOTORS_FAILED, covariates=MOTORS_C),
    )
    for bad in (0.0, 1.0, -0.1, math.nan):
        with pytest.raises(ValueError, match=f"fraction must lie between 0 and 1, both excluded; got {bad}"):
            plain.quantile_h(bad)
        with pytest.raises(ValueError, match=f"fraction must lie between 0 and 1, both excluded; got {bad}"):
            plain.time_limits_h(bad, 0.9)
        with pytest.raises(
            ValueError, match=f"confidence must lie between 0 and 1, both excluded; got {bad}"
        ):
            plain.shape_limits(bad)
    with pytest.raises(ValueError, match="time_h must be a finite number above 0; got 0"):
        plain.reliability(0)
    with pytest.raises(ValueError, match="time_h must be a finite number above 0; got -1"):
        plain.reliability_limits(-1, 0.9)
    with pytest.raises(ValueError, match=r"at must be 0 finite numbers, one per covariate; got \[130\]"):
        plain.reliability(100, [130])
    with pytest.raises(ValueError, match=r"at must be 1 finite numbers, one per covariate; got \(\)"):
        with_covariate.quantile_h(0.5)
    assert with_covariate.scale_h is None
    assert with_covariate.scale_se_h is None
