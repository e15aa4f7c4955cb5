"""The likelihood of a log-location-scale law, its maximum, and how far one can go from it.

The standardised residual of a chip is ``z = row @ theta``, theta = (tau, gamma): tau the inverse of the spread of log
hours, gamma the coefficients times tau, row = (log hours, -1, -covariates). In theta the log-likelihood of
right-censored lives is concave (both laws here are log-concave), with one maximum, which damped Newton steps find from
anywhere; entry hours (left truncation) take that guarantee away, rarely the maximum. A shape, a quantile or a
reliability held fixed is a linear constraint on theta: the profile likelihood is the same climb along fewer
directions.

Log hours and covariates come standardised, so that theta is near (1, 0, ...) and everything is of order 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import erfcx, log_ndtr, ndtr, ndtri

from monitor.claims import _checks
from monitor.claims._lifedata import Floats

_NO_MAXIMUM = (
    "times_h must be such that the likelihood has a maximum; got failures on a line in the covariates, or entry hours "
    "that leave no shape above 0"
)
_MOST_STEPS = 500
_MOST_DOUBLINGS = 40
_FIRST_STEP = 2.0  # in z, or a little more or less; so that a climb along the constraint starts near its end
_LONGEST_STEP = 10.0  # in z: where the likelihood is all but linear, a Newton step has no measure
_CONVERGED = 1e-16  # squared length of a step in standard errors: the step is taken, and is the last
# tau is about 1 at a sound maximum; beyond these the climb has no end but rounding.
_LEAST_TAU, _MOST_TAU = 1e-6, 1e7

Curve = Callable[[Floats], tuple[Floats, Floats, Floats]]
"""A function of z: its value, and its first and second derivatives."""


def _sev_log_density(z: Floats) -> tuple[Floats, Floats, Floats]:
    hazard = np.exp(z)
    return z - hazard, 1 - hazard, -hazard


def _sev_log_survival(z: Floats) -> tuple[Floats, Floats, Floats]:
    hazard = np.exp(z)
    return -hazard, -hazard, -hazard


def _normal_log_density(z: Floats) -> tuple[Floats, Floats, Floats]:
    return -0.5 * (z * z + math.log(2 * math.pi)), -z, -np.ones_like(z)


def _normal_log_survival(z: Floats) -> tuple[Floats, Floats, Floats]:
    hazard = math.sqrt(2 / math.pi) / erfcx(z / math.sqrt(2))
    return log_ndtr(-z), -hazard, -hazard * (hazard - z)


@dataclass(frozen=True, slots=True)
class Law:
    """The law of z: logarithms of density and of the fraction surviving, that fraction itself, and the quantiles."""

    log_density: Curve
    log_survival: Curve
    survival: Callable[[float], float]
    quantile: Callable[[float], float]
    # Location and spread of log hours, in spreads of the Weibull fit that the climb starts from.
    start_shift: float
    start_spread: float


LAWS: dict[str, Law] = {
    "weibull": Law(
        _sev_log_density,
        _sev_log_survival,
        lambda z: math.exp(-math.exp(min(z, 700.0))),
        lambda fraction: math.log(-math.log1p(-fraction)),
        0.0,
        1.0,
    ),
    "lognormal": Law(
        _normal_log_density,
        _normal_log_survival,
        lambda z: float(ndtr(-z)),
        lambda fraction: float(ndtri(fraction)),
        math.log(math.log(2)),
        math.pi / math.sqrt(6),
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """Log-likelihood of standardised log hours in theta = (tau, gamma), with gradient and Hessian."""

    failures: int
    parts: tuple[tuple[int, Curve, Floats], ...]  # sign, function of z, rows: z = rows @ theta

    def __call__(self, theta: Floats) -> tuple[float, Floats, Floats]:
        gradient, hessian = np.zeros(theta.size), np.zeros((theta.size, theta.size))
        tau = float(theta[0])
        if tau <= 0:
            return -math.inf, gradient, hessian
        value = self.failures * math.log(tau)
        gradient[0] = self.failures / tau
        hessian[0, 0] = -self.failures / tau**2
        with np.errstate(over="ignore", invalid="ignore"):  # far off, the value is -inf and the rest not used
            for sign, curve, rows in self.parts:
                terms, first, second = curve(rows @ theta)
                value += sign * float(terms.sum())
                gradient += sign * (first @ rows)
                hessian += sign * ((rows.T * second) @ rows)
        return value, gradient, hessian

    def longest(self, step: Floats) -> float:
        """The most that any z changes in a step of theta."""
        return max(float(np.abs(rows @ step).max(initial=0.0)) for _, _, rows in self.parts)


def highest(law: Law, likelihood: Likelihood) -> Peak:
    """The maximum of the likelihood, from theta = (1, 0, ...); ValueError where it has none."""
    start = np.zeros(likelihood.parts[0][2].shape[1])
    start[0] = 1.0
    try:
        theta = _climb(likelihood, start, np.eye(start.size))
    except _EndlessClimbError:
        raise ValueError(_NO_MAXIMUM) from None
    value, _, hessian = likelihood(theta)
    if not (_LEAST_TAU < theta[0] < _MOST_TAU and np.linalg.eigvalsh(-hessian)[0] > 0):
        raise ValueError(_NO_MAXIMUM)
    return Peak(law, likelihood, theta, value, np.linalg.inv(-hessian).astype(np.float64))


class _EndlessClimbError(Exception):
    """The climb came to no maximum."""


def _climb(likelihood: Likelihood, theta: Floats, directions: Floats) -> Floats:
    """The maximum over ``theta`` plus the columns of ``directions``: Newton steps, shortened until they gain enough.

    Where the likelihood is not concave (possible with entry hours only) the curvatures are taken by their size.
    """
    value, gradient, hessian = likelihood(theta)
    for _ in range(_MOST_STEPS):
        curvature, axes = np.linalg.eigh(-directions.T @ hessian @ directions)
        curvature = np.abs(curvature)
        if not curvature.max() > 0:  # flat, as far as numbers go
            raise _EndlessClimbError
        curvature = np.maximum(curvature, 1e-14 * curvature.max())
        slope = axes.T @ (directions.T @ gradient)
        step: Floats = directions @ (axes @ (slope / curvature))
        gain = float(slope @ (slope / curvature))
        if gain < _CONVERGED:
            return theta + step
        noise = 1e-13 * (1 + abs(value))
        part = min(1.0, _LONGEST_STEP / likelihood.longest(step))
        following = likelihood(theta + part * step)
        while not following[0] >= value + 1e-4 * part * gain - noise:
            part /= 2
            if part < 1e-12:
                raise _EndlessClimbError
            following = likelihood(theta + part * step)
        theta = theta + part * step
        value, gradient, hessian = following
    raise _EndlessClimbError


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """The maximum of the likelihood, and how far the likelihood allows one to go from it."""

    law: Law
    likelihood: Likelihood
    theta: Floats
    value: float
    covariance: Floats

    def residual(self, fraction: float) -> float:
        """z at which ``fraction`` has failed."""
        if not 0 < fraction < 1:
            raise ValueError(f"fraction must lie between 0 and 1, both excluded; got {fraction!r}")
        return self.law.quantile(fraction)

    def log_tau_limits(self, confidence: float) -> tuple[float, float]:
        """Limits on log tau; tau held fixed, gamma moves."""
        tau, directions = float(self.theta[0]), np.eye(self.theta.size)[:, 1:]

        def most(log_tau: float, near: Floats) -> Floats:
            return _climb(self.likelihood, near * (math.exp(log_tau) / near[0]), directions)

        error = math.sqrt(float(self.covariance[0, 0])) / tau
        return self._limits(confidence, math.log(tau), error, most)

    def residual_limits(self, row: Floats, confidence: float) -> tuple[float, float]:
        """Limits on z at one time and point."""

        def most(residual: float, near: Floats) -> Floats:
            return self._most_given(row, residual, near)

        error = math.sqrt(float(row @ self.covariance @ row))
        return self._limits(confidence, float(row @ self.theta), error, most)

    def log_time_limits(self, residual: float, point: Floats, confidence: float) -> tuple[float, float]:
        """Limits on the standardised log hours at which z is ``residual``."""
        tau = float(self.theta[0])
        log_time = (residual + float(point @ self.theta[1:])) / tau

        def row(log_time: float) -> Floats:
            return np.concatenate([[log_time], -point])

        def most(log_time: float, near: Floats) -> Floats:
            return self._most_given(row(log_time), residual, near)

        error = math.sqrt(float(row(log_time) @ self.covariance @ row(log_time))) / tau
        return self._limits(confidence, log_time, error, most)

    def _most_given(self, row: Floats, residual: float, near: Floats) -> Floats:
        """The theta of the greatest likelihood with ``row @ theta = residual``; the intercept's row element is -1.

        The climb starts at the best of three ways from ``near`` to the constraint: a shift of all lives, a change of
        spread alone, and the way the covariance would take.
        """
        directions = np.delete(np.eye(self.theta.size), 1, axis=1)
        directions[1] = np.delete(row, 1)
        missing = residual - float(row @ near)
        ways = (np.eye(self.theta.size)[1], near, self.covariance @ row)
        starts = [
            near + way * (missing / along)
            for way in ways
            if abs(along := float(row @ way)) > 1e-9 * abs(missing)
        ]
        start = max(starts, key=lambda theta: self.likelihood(theta)[0])
        return _climb(self.likelihood, start, directions)

    def _limits(
        self, confidence: float, best: float, error: float, most: Callable[[float, Floats], Floats]
    ) -> tuple[float, float]:
        """Where twice the loss of log-likelihood is the chi-square quantile; ``most`` climbs from a theta near by."""
        errors = reach(confidence)

        def limit(step: float) -> float:
            near = self.theta

            def excess(value: float) -> float:
                nonlocal near
                near = most(value, near)
                return 2 * (self.value - self.likelihood(near)[0]) - errors**2

            return _crossing(excess, best, step)

        first_step = min(errors * error, _FIRST_STEP)
        try:
            return limit(-first_step), limit(first_step)
        except _EndlessClimbError:
            raise _no_limits(confidence) from None


def reach(confidence: float) -> float:
    """Root of the chi-square quantile with 1 degree of freedom; refused where it is beyond floating point."""
    _checks.confidence_level(confidence)
    errors = float(ndtri((1 + confidence) / 2))
    if errors == math.inf:
        raise _no_limits(confidence)
    return errors


def _no_limits(confidence: float) -> ValueError:
    return ValueError(f"confidence must be low enough for these data to set limits; got {confidence!r}")


def _crossing(excess: Callable[[float], float], best: float, step: float) -> float:
    """Where ``excess`` turns positive on the way from ``best``, in steps that double."""
    near = best
    for _ in range(_MOST_DOUBLINGS):
        far = near + step
        if excess(far) > 0:
            return float(brentq(excess, near, far, xtol=1e-13 * (1 + abs(far)), rtol=1e-12))
        near, step = far, 2 * step
    raise _EndlessClimbError
