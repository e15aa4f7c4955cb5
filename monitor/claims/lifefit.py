"""Weibull and lognormal life fitted by maximum likelihood to right-censored hours, with covariates if need be.

``log t = b0 + b1 x1 + ... + sigma Z``, Z of the smallest-extreme-value law for a Weibull life and of the normal law for
a lognormal one (Meeker & Escobar, Statistical Methods for Reliability Data, chapters 8 and 17, from memory). With
``x = 1 / (k T)`` in 1/eV, b1 is an activation energy in eV; with ``x = log V``, -b1 is a voltage exponent.

Chips put in later, or pulled, need no special care: each chip's hours start at its own zero, and a chip that was good
when last seen is right-censored at its hours. Entry times are for chips that come with prior stress: hours count from
before the test, and a chip that had failed before would not have been loaded (left truncation).

The climb to the maximum starts at the two-parameter Weibull fit to all chips, by its equation in the shape alone, and
with log hours and covariates standardised by it: no scale of hours matters.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from monitor.claims import _checks
from monitor.claims._lifedata import Floats, hours, life_data
from monitor.claims._locscale import LAWS, Law, Likelihood, Peak, highest
from monitor.claims._weibull import WeibullLimits

Distribution = Literal["weibull", "lognormal"]

_LEAST_FAILURES = 3


@dataclass(frozen=True, slots=True)
class TwoSidedLimits:
    """Two-sided limits: ``confidence`` lies between them, not on one side."""

    confidence: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True, eq=False)
class LifeFit:
    """A fitted life distribution; standard errors by the observed information.

    ``coefficients`` are of log hours: the intercept, then one per covariate. ``shape`` is the Weibull shape 1 / sigma
    or the lognormal sigma. ``scale_h`` is the characteristic life (63.2 % failed) or the lognormal median, in hours;
    None with covariates. ``loglik`` is the log-likelihood of the hours (not of their logarithms).

    Limits are two-sided and by the likelihood ratio: the values for which ``2 (loglik - most loglik given the value)``
    is up to the chi-square quantile with 1 degree of freedom. They are approximate, and good for one look at a time
    fixed in advance. ``at`` are the values of the covariates, in the order of their columns.

    Methods raise ValueError for a fraction, confidence, time or ``at`` out of range, and where the likelihood never
    falls far enough to set limits (few failures of chips with prior stress do not exclude a shape near 0).
    """

    distribution: Distribution
    chips: int
    failures: int
    coefficients: Floats
    coefficient_se: Floats
    sigma: float
    sigma_se: float
    log_sigma_se: float
    shape: float
    shape_se: float
    scale_h: float | None
    scale_se_h: float | None
    loglik: float
    _peak: Peak = field(repr=False)
    _limits: Peak | WeibullLimits = field(repr=False)
    _units: _Units = field(repr=False)

    def quantile_h(self, fraction: float, at: Sequence[float] = ()) -> float:
        """Hours at which ``fraction`` (between 0 and 1) has failed."""
        point = self._units.point(at)
        tau, gamma = self._peak.theta[0], self._peak.theta[1:]
        return self._units.hours(float(self._peak.residual(fraction) + point @ gamma) / tau)

    def reliability(self, time_h: float, at: Sequence[float] = ()) -> float:
        """Fraction that is good at ``time_h`` hours (above 0)."""
        row = self._units.row(time_h, at)
        return self._peak.law.survival(float(row @ self._peak.theta))

    def shape_limits(self, confidence: float) -> TwoSidedLimits:
        """Two-sided limits on ``shape``."""
        low, high = np.exp(self._limits.log_tau_limits(confidence)) / self._units.log_spread
        if self.distribution == "lognormal":
            low, high = 1 / high, 1 / low
        return TwoSidedLimits(confidence, float(low), float(high))

    def time_limits_h(self, fraction: float, confidence: float, at: Sequence[float] = ()) -> TwoSidedLimits:
        """Two-sided limits on the hours at which ``fraction`` has failed: ``1 - 1/e`` for the Weibull scale."""
        point, residual = self._units.point(at), self._peak.residual(fraction)
        low, high = self._limits.log_time_limits(residual, point, confidence)
        return TwoSidedLimits(confidence, self._units.hours(low), self._units.hours(high))

    def reliability_limits(
        self, time_h: float, confidence: float, at: Sequence[float] = ()
    ) -> TwoSidedLimits:
        """Two-sided limits on the fraction that is good at ``time_h`` hours (above 0)."""
        low, high = self._limits.residual_limits(self._units.row(time_h, at), confidence)
        return TwoSidedLimits(confidence, self._peak.law.survival(high), self._peak.law.survival(low))


def fit_life(
    times_h: ArrayLike,
    failed: ArrayLike,
    *,
    distribution: Distribution = "weibull",
    covariates: ArrayLike | None = None,
    entry_h: ArrayLike | None = None,
) -> LifeFit:
    """Maximum-likelihood fit of a life distribution to right-censored hours.

    ``times_h`` are hours, one per chip, and ``failed`` tells whether the chip failed at them (else it was still good).
    ``covariates`` has a row per chip and a column per covariate, or one number per chip. ``entry_h`` are the hours each
    chip had behind it when it came under watch, 0 for none, and ``times_h`` count from the same zero. Chips that were
    watched for no time at all add nothing.

    Source: Meeker & Escobar, chapters 8, 11 and 17, from memory; NIST/SEMATECH e-Handbook 8.4.1.2 and 8.4.2.2.

    Raises ValueError for hours, marks or covariates that are not numbers in range and one per chip; for fewer than 3
    failures; and where the likelihood has no maximum: all failures at the longest hours, failures on a line in the
    covariates or not telling the covariates apart, entry hours that leave a Weibull of shape 0.
    """
    law = LAWS.get(distribution)
    if law is None:
        raise ValueError(f"distribution must be one of {', '.join(LAWS)}; got {distribution!r}")
    sample = _sample(times_h, failed, covariates, entry_h)
    units = _units(law, sample)
    return _result(distribution, sample, highest(law, _likelihood(law, units, sample)), units)


@dataclass(frozen=True, slots=True, eq=False)
class _Units:
    """Log hours and covariates standardised: ``(log t - log_zero) / log_spread``, ``(x - centre) / spread``."""

    log_zero: float
    log_spread: float
    centre: Floats
    spread: Floats

    def rows(self, times_h: Floats, columns: Floats) -> Floats:
        """Rows whose product with theta is z."""
        log_times = (np.log(times_h) - self.log_zero) / self.log_spread
        ones = np.ones_like(log_times)
        return np.column_stack([log_times, -ones, -(columns - self.centre) / self.spread])

    def row(self, time_h: float, at: Sequence[float]) -> Floats:
        """The row of one time, at one point of the covariates."""
        _checks.positive("time_h", time_h)
        self.point(at)
        rows = self.rows(np.array([time_h]), np.array([at], dtype=np.float64))
        return rows.reshape(-1)

    def point(self, at: Sequence[float]) -> Floats:
        """The factors of gamma at a point of the covariates: 1, then the covariates."""
        values = np.asarray(at, dtype=np.float64)
        if values.shape != self.centre.shape or not np.isfinite(values).all():
            raise ValueError(f"at must be {self.centre.size} finite numbers, one per covariate; got {at!r}")
        return np.concatenate([[1.0], (values - self.centre) / self.spread])

    def hours(self, log_time: float) -> float:
        """Standardised log hours in hours; infinite beyond floating point."""
        with np.errstate(over="ignore"):
            return float(np.exp(self.log_zero + self.log_spread * log_time))


# --- from the data to the likelihood, and back -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """The chips that were watched for some time: hours, whether failed, covariates, hours at entry; and all chips."""

    times: Floats
    marks: NDArray[np.bool_]
    columns: Floats
    entries: Floats
    chips: int


def _sample(
    times_h: ArrayLike, failed: ArrayLike, covariates: ArrayLike | None, entry_h: ArrayLike | None
) -> _Sample:
    times, marks = life_data(times_h, failed)
    if np.count_nonzero(marks) < _LEAST_FAILURES:
        raise ValueError(
            f"failed must mark at least {_LEAST_FAILURES} failures for a fit; got {np.count_nonzero(marks)}"
        )
    if times[marks].min() == 0:
        raise ValueError("times_h must be above 0 where a chip failed, dead on arrival is no life; got 0.0")
    entries = _entries(entry_h, times, marks)
    columns = _columns(covariates, marks)
    watched = times > entries
    return _Sample(times[watched], marks[watched], columns[watched], entries[watched], times.size)


def _entries(entry_h: ArrayLike | None, times: Floats, marks: NDArray[np.bool_]) -> Floats:
    entries = np.zeros(times.size) if entry_h is None else hours("entry_h", entry_h)
    if entries.shape != times.shape:
        raise ValueError(f"entry_h must be one number per chip, {times.size}; got {entries.size}")
    late = entries[(entries > times) | (marks & (entries == times))]
    if late.size:
        raise ValueError(
            f"entry_h must be below times_h where a chip failed, and never above; got {float(late[0])!r}"
        )
    return entries


def _columns(covariates: ArrayLike | None, marks: NDArray[np.bool_]) -> Floats:
    """Covariates as a matrix, one row per chip; those of the failed chips must tell the columns apart."""
    if covariates is None:
        return np.empty((marks.size, 0))
    columns = np.asarray(covariates, dtype=np.float64)
    if columns.ndim == 1:
        columns = columns[:, np.newaxis]
    if columns.ndim != 2 or columns.shape[0] != marks.size:
        raise ValueError(f"covariates must have one row per chip, {marks.size}; got shape {columns.shape}")
    if not np.isfinite(columns).all():
        raise ValueError(
            f"covariates must be finite numbers; got {float(columns[~np.isfinite(columns)][0])!r}"
        )
    seen = columns[marks] - columns[marks].mean(axis=0)
    largest = np.abs(columns[marks]).max(axis=0)
    seen = seen / np.where(largest > 0, largest, 1.0)
    if np.linalg.matrix_rank(seen, tol=1e-9) < columns.shape[1]:
        raise ValueError(
            "covariates must differ among the failed chips, no column following from the others; "
            f"got {len(np.unique(columns[marks], axis=0))} different rows with failures"
        )
    return columns


def _units(law: Law, sample: _Sample) -> _Units:
    zero, spread = _two_parameter_weibull(np.log(sample.times), sample.marks)
    seen = sample.columns[sample.marks]
    zero += law.start_shift * spread
    return _Units(zero, law.start_spread * spread, seen.mean(axis=0), seen.std(axis=0))


def _two_parameter_weibull(log_times: Floats, marks: NDArray[np.bool_]) -> tuple[float, float]:
    """Log scale and sigma of the Weibull fit to all chips, covariates and entry hours left out.

    The shape b solves ``sum t^b log t / sum t^b - 1 / b = mean log t of the failures``; the left side rises with b.
    """
    latest = float(log_times.max())
    before = log_times - latest  # so that no power overflows
    failures_before = -float(before[marks].mean())
    if failures_before <= 0:
        raise ValueError(
            "times_h must have a failure before the longest hours, or the spread of lives is not to be seen; "
            f"all {np.count_nonzero(marks)} failures are at {math.exp(latest):g}"
        )

    def excess(shape: float) -> float:
        weights = np.exp(shape * before)
        return float(weights @ before / weights.sum()) + failures_before - 1 / shape

    high = 1 / failures_before
    while excess(high) < 0:
        high *= 2
    shape = float(brentq(excess, 0.5 / failures_before, high, rtol=1e-15, xtol=1e-300))
    scale = math.log(float(np.exp(shape * before).sum()) / np.count_nonzero(marks)) / shape
    return latest + scale, 1 / shape


def _likelihood(law: Law, units: _Units, sample: _Sample) -> Likelihood:
    rows = units.rows(sample.times, sample.columns)
    entered = sample.entries > 0
    parts = (
        (1, law.log_density, rows[sample.marks]),
        (1, law.log_survival, rows[~sample.marks]),
        (-1, law.log_survival, units.rows(sample.entries[entered], sample.columns[entered])),
    )
    return Likelihood(int(np.count_nonzero(sample.marks)), parts)


def _result(distribution: Distribution, sample: _Sample, peak: Peak, units: _Units) -> LifeFit:
    """The fit in hours."""
    tau = float(peak.theta[0])
    sigma = units.log_spread / tau
    # Coefficients are linear in gamma / tau.
    to_raw = np.diag(np.concatenate([[1.0], 1 / units.spread]))
    to_raw[0, 1:] = -units.centre / units.spread
    beyond_zero = sigma * to_raw @ peak.theta[1:]
    derivative = np.column_stack([-beyond_zero / tau, sigma * to_raw])
    coefficients = beyond_zero.copy()
    coefficients[0] += units.log_zero
    coefficient_se = np.sqrt(np.diag(derivative @ peak.covariance @ derivative.T))
    for array in (coefficients, coefficient_se):
        array.flags.writeable = False
    log_sigma_se = math.sqrt(float(peak.covariance[0, 0])) / tau
    shape = 1 / sigma if distribution == "weibull" else sigma
    scale_h = None if units.centre.size else units.hours(float(peak.theta[1]) / tau)
    failures = peak.likelihood.failures
    # The density of hours from that of standardised log hours.
    log_jacobian = failures * math.log(units.log_spread) + float(np.log(sample.times[sample.marks]).sum())
    return LifeFit(
        distribution=distribution,
        chips=sample.chips,
        failures=failures,
        coefficients=coefficients,
        coefficient_se=coefficient_se,
        sigma=sigma,
        sigma_se=sigma * log_sigma_se,
        log_sigma_se=log_sigma_se,
        shape=shape,
        shape_se=shape * log_sigma_se,
        scale_h=scale_h,
        scale_se_h=None if scale_h is None else scale_h * float(coefficient_se[0]),
        loglik=peak.value - log_jacobian,
        _peak=peak,
        _limits=_limits(distribution, sample, peak, units),
        _units=units,
    )


def _limits(distribution: Distribution, sample: _Sample, peak: Peak, units: _Units) -> Peak | WeibullLimits:
    """The short way to limits where there is one."""
    if distribution != "weibull" or sample.columns.size or sample.entries.any():
        return peak
    log_times = units.rows(sample.times, sample.columns)[:, 0]
    return WeibullLimits.around(peak, log_times, sample.marks)
