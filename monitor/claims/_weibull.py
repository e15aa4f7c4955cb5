"""Likelihood-ratio limits for a Weibull life from zero hours without covariates: no climbs, one root per limit.

With theta = (tau, gamma) as in `_locscale`, z is a line over standardised log hours. Here it is given by its slope tau
and its level w, the z of the longest hours: with d the log hours less the longest, z = w + tau d, and no power
overflows. For r failures the log-likelihood is

    r ln tau + r w + tau D - e^w S(tau),    D the sum of d over the failures, S(tau) that of e^(tau d) over all chips.

At a slope it is highest on the level ln(r / S), and falls by r (e^u - 1 - u) at u off it. So the lines that a
confidence allows are known: slopes between two limits and, at each, levels between two ends. They are a convex set, as
the log-likelihood is concave; so a limit on z at a time, or on the time of a z, is set by one line, on the edge of the
set, where z at that time does not change with the slope along the edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from monitor.claims._lifedata import Floats
from monitor.claims._locscale import Peak, reach

_MOST_STEPS = 20
_CLOSE = 1e-9  # of a Newton step: what it leaves is the square of that

Side = Literal[-1, 1]
"""The lower or the upper end of the levels allowed."""


class _Line(NamedTuple):
    """Slope and level."""

    tau: float
    level: float


class _Crest(NamedTuple):
    """The highest likelihood at a slope: its level, its loss from the peak, and how both change with the slope."""

    level: float
    loss: float
    level_change: float
    loss_change: float


@dataclass(frozen=True, slots=True, eq=False)
class WeibullLimits:
    """The limits of `Peak`, which finds them by climbing."""

    tau: float  # at the peak, and so the level
    level: float
    longest: float  # standardised log hours
    before: Floats  # d, each value once
    weights: Floats  # a row of how many chips have it, and a row of that times d
    failures: int
    failed_before: float  # D

    @classmethod
    def around(cls, peak: Peak, log_times: Floats, marks: NDArray[np.bool_]) -> Self:
        """Limits around a peak of the likelihood of these standardised log hours and failures."""
        tau, gamma = map(float, peak.theta)
        values, chips = np.unique(log_times, return_counts=True)
        longest = float(values[-1])
        before = values - longest
        return cls(
            tau=tau,
            level=tau * longest - gamma,
            longest=longest,
            before=before,
            weights=np.stack([chips, chips * before]),
            failures=int(np.count_nonzero(marks)),
            failed_before=float((log_times[marks] - longest).sum()),
        )

    def log_tau_limits(self, confidence: float) -> tuple[float, float]:
        """Limits on log tau."""
        allowed = _allowed_loss(confidence)
        best = math.log(self.tau)

        def left(log_tau: float) -> float:
            return allowed - self._crest(math.exp(log_tau)).loss

        # With v the change of log tau, at least r (e^v - 1 - v) is lost, as ln S is convex.
        low, high = best + _shift(allowed / self.failures, -1), best + _shift(allowed / self.failures, 1)
        return _falling_root(lambda log_tau: -left(log_tau), low, best), _falling_root(left, best, high)

    def residual_limits(self, row: Floats, confidence: float) -> tuple[float, float]:
        """Limits on z at one time, of which the row's first number is the standardised logarithm."""
        ahead = float(row[0]) - self.longest
        low, high = self._edges(confidence, lambda _tau, _level: ahead)
        return low.level + low.tau * ahead, high.level + high.tau * ahead

    def log_time_limits(self, residual: float, _point: Floats, confidence: float) -> tuple[float, float]:
        """Limits on the standardised log hours at which z is ``residual``."""

        def ahead(tau: float, level: float) -> float:
            return (residual - level) / tau

        low, high = self._edges(confidence, ahead)
        return self.longest + ahead(*high), self.longest + ahead(*low)

    def _edges(self, confidence: float, ahead: Callable[[float, float], float]) -> tuple[_Line, _Line]:
        """The lines that set the limits: one on the lower end of the levels allowed, one on the upper.

        ``ahead`` of a line's slope and level is where to look at it: log hours less the longest.
        """
        allowed = _allowed_loss(confidence)
        low, high = map(math.exp, self.log_tau_limits(confidence))

        def edge(side: Side) -> _Line:
            def shift(crest: _Crest) -> float:
                return _shift((allowed - crest.loss) / self.failures, side)

            def change(tau: float) -> float:
                # Of z there with the slope, times r |e^u - 1|: so it is finite where the ends of the levels meet.
                crest = self._crest(tau)
                u = shift(crest)
                place = ahead(tau, crest.level + u)
                return (place + crest.level_change) * self.failures * math.expm1(u) - crest.loss_change

            tau = _falling_root(change, low, high)
            crest = self._crest(tau)
            return _Line(tau, crest.level + shift(crest))

        return edge(-1), edge(1)

    def _crest(self, tau: float) -> _Crest:
        total, moment = (self.weights @ np.exp(tau * self.before)).tolist()
        level, mean = math.log(self.failures / total), moment / total
        return _Crest(
            level,
            self.failures * (math.log(self.tau / tau) + self.level - level)
            - (tau - self.tau) * self.failed_before,
            -mean,
            self.failures * (mean - 1 / tau) - self.failed_before,
        )


def _allowed_loss(confidence: float) -> float:
    """How far the log-likelihood may be below its maximum."""
    return reach(confidence) ** 2 / 2


def _shift(loss: float, side: Side) -> float:
    """The u of the sign of ``side`` with ``e^u - 1 - u = loss``; 0 where rounding takes the loss below 0.

    Newton steps from beyond it, so that all go one way: the left side is convex, above u^2 / 2 for u > 0.
    """
    if loss <= 0:
        return 0.0
    shift = math.sqrt(2 * loss) if side > 0 else -math.sqrt(2 * loss) - loss
    for _ in range(_MOST_STEPS):
        slope = math.expm1(shift)
        step = (slope - shift - loss) / slope
        shift -= step
        if abs(step) <= _CLOSE * abs(shift):
            break
    return shift


def _falling_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that is positive at ``low`` turns negative: at one end if it does so within rounding of it."""
    if function(low) <= 0:
        return low
    if function(high) >= 0:
        return high
    return float(brentq(function, low, high, xtol=1e-15, rtol=1e-13))
