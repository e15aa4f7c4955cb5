"""How a campaign may go on: when the bound meets the target, and with what chance it will by the planned end.

A forecast is no claim. What the chances of it rest on stands in ``ASSUMPTIONS``.

The rate's posterior is ``Gamma(a0 + r, b0 + T)``, with r failures in T equivalent device-hours; the prior defaults to
Jeffreys' (``a0 = 1/2, b0 = 0``). Further failures in dT more hours are then negative binomial with ``s = a0 + r`` and
``p = (b0 + T) / (b0 + T + dT)``: ``P(k) = Gamma(s + k) / (Gamma(s) k!) p^s (1 - p)^k``.

Looked at once, at the end, the bound meets the target if few enough failures came. Watched all the time, it meets it
as soon as a line is met: r failures at the exposure ``c_r / target``. Given n failures up to a line, their times are n
uniform ones whatever the constant rate is. So the chance ``q_n`` that line n is the first to be met, given n further
failures up to it, holds neither rate nor prior, and the chance asked for is ``sum_n q_n P(n)``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, gammaln, xlog1py, xlogy

from monitor.claims import _checks
from monitor.claims.target import required_equivalent_h

ASSUMPTIONS = (
    "A forecast, not a claim: it takes the failure rate as constant, knows of it the failures and hours so far and "
    "Jeffreys' prior, credits every chip at risk until the planned end, and leaves out the hours a failed chip loses."
)
"""The sentence that must stand beside every forecast."""

CountOf = Callable[[int], float]
"""The bound on the expected count at the confidence asked for, from the failures so far."""

_MOST_LINES = 1000  # further failures that are still reckoned with; more of them only add to the chance


@dataclass(frozen=True, slots=True)
class Prior:
    """Gamma prior of the failure rate: ``shape`` (a0, no unit) and ``hours`` (b0, equivalent device-hours)."""

    shape: float = 0.5
    hours: float = 0.0

    def __post_init__(self) -> None:
        _checks.positive("shape", self.shape)
        _checks.not_negative("hours", self.hours)


JEFFREYS = Prior()
"""Jeffreys' prior of a Poisson rate."""


@dataclass(frozen=True, slots=True)
class FurtherFailures:
    """Distribution of the failures still to come: negative binomial with ``shape`` s and ``success`` p."""

    shape: float
    success: float

    @property
    def mean(self) -> float:
        """Failures expected."""
        return self.shape * (1 - self.success) / self.success

    def probability(self, failures: int) -> float:
        """Chance of exactly so many."""
        _checks.count("failures", failures)
        return float(self._probabilities(np.array([float(failures)]))[0])

    def at_most(self, failures: int) -> float:
        """Chance of so many or fewer: the regularised incomplete beta ``I_p(s, k + 1)``."""
        _checks.count("failures", failures)
        return float(betainc(self.shape, failures + 1.0, self.success))

    def _probabilities(self, failures: NDArray[np.float64]) -> NDArray[np.float64]:
        return _negative_binomial(failures, self.shape, np.asarray(self.success))


def further_failures(
    failures: int, equivalent_h: float, more_h: float, *, prior: Prior = JEFFREYS
) -> FurtherFailures:
    """What to expect of ``more_h`` equivalent device-hours after ``failures`` in ``equivalent_h``.

    Raises ValueError where neither the prior nor the account has any hours: nothing is known then.
    """
    _checks.count("failures", failures)
    _checks.not_negative("equivalent_h", equivalent_h)
    _checks.not_negative("more_h", more_h)
    known_h = prior.hours + equivalent_h
    _checks.positive("equivalent_h", known_h)
    return FurtherFailures(prior.shape + failures, known_h / (known_h + more_h))


def hours_with_failure_at(  # noqa: PLR0917  hours_to_go's arguments and the delay
    delay_h: float,
    count_now: float,
    count_one_more: float,
    target_fit: float,
    equivalent_h: float,
    chips_at_risk: int,
    acceleration: float,
) -> float | None:
    """Clock hours to the target when one chip fails ``delay_h`` from now and none after it.

    The other arguments are those of ``hours_to_go``, which has the case of a failure now, the worst time for it. A
    failure that would come after the target is met changes nothing. None where no hours of clock would do.
    """
    _checks.not_negative("delay_h", delay_h)
    _checks.not_negative("equivalent_h", equivalent_h)
    _checks.count("chips_at_risk", chips_at_risk)
    _checks.not_negative("acceleration", acceleration)
    if count_one_more < count_now:
        raise ValueError(f"count_one_more must be at least count_now, {count_now!r}; got {count_one_more!r}")
    pace = chips_at_risk * acceleration
    met_h = required_equivalent_h(count_now, target_fit) - equivalent_h
    if met_h <= delay_h * pace:
        return met_h / pace if met_h > 0 else 0.0
    missing_h = required_equivalent_h(count_one_more, target_fit) - equivalent_h - delay_h * pace
    left = (chips_at_risk - 1) * acceleration
    return delay_h + missing_h / left if left > 0 else None


def chance_at_the_end(
    failures: int,
    equivalent_h: float,
    more_h: float,
    target_fit: float,
    count_of: CountOf,
    *,
    prior: Prior = JEFFREYS,
) -> float:
    """Chance that the bound meets the target when looked at once, after ``more_h`` more equivalent device-hours."""
    coming = further_failures(failures, equivalent_h, more_h, prior=prior)
    reach = len(_lines(failures, equivalent_h + more_h, target_fit, count_of))
    return coming.at_most(reach - 1) if reach else 0.0


def chance_by_the_end(
    failures: int,
    equivalent_h: float,
    more_h: float,
    target_fit: float,
    count_of: CountOf,
    *,
    prior: Prior = JEFFREYS,
) -> float:
    """Chance that the bound, watched all the time, meets the target within ``more_h`` more equivalent device-hours.

    1 where it meets it now.
    """
    further_failures(failures, equivalent_h, more_h, prior=prior)  # refuses what is out of range
    ahead_h = _lines(failures, equivalent_h + more_h, target_fit, count_of) - equivalent_h
    if not ahead_h.size:
        return 0.0
    if ahead_h[0] <= 0:
        return 1.0
    known_h = prior.hours + equivalent_h
    coming = np.arange(ahead_h.size, dtype=np.float64)
    reached = _negative_binomial(coming, prior.shape + failures, known_h / (known_h + ahead_h))
    return min(float(first_met_shares(ahead_h) @ reached), 1.0)


def first_met_shares(lines_h: NDArray[np.float64]) -> NDArray[np.float64]:
    """``q_n``: given n failures up to line n, the chance that it is the first line that is met (0 to n of them).

    ``lines_h`` (one dimension, rising, above 0) is the exposure of line n. Line i < n is the first with the chance
    ``q_i`` times that of i of the n failures up to it, binomial with ``lines_h[i] / lines_h[n]``; what is left is line
    n's own.
    """
    shares = np.ones(lines_h.size)
    log_factorial = gammaln(np.arange(lines_h.size) + 1.0)
    for n in range(1, lines_h.size):
        i = np.arange(n)
        part = lines_h[:n] / lines_h[n]
        log_ways = log_factorial[n] - log_factorial[i] - log_factorial[n - i]
        there = np.exp(log_ways + xlogy(i, part) + xlog1py(n - i, -part))
        shares[n] = max(1.0 - float(shares[:n] @ there), 0.0)
    return shares


def _lines(failures: int, end_h: float, target_fit: float, count_of: CountOf) -> NDArray[np.float64]:
    """Exposures at which 0, 1, ... further failures meet the target, as far as they lie before the end."""
    lines: list[float] = []
    while len(lines) < _MOST_LINES:
        line_h = required_equivalent_h(count_of(failures + len(lines)), target_fit)
        if line_h > end_h:
            break
        lines.append(line_h)
    return np.array(lines)


def _negative_binomial(
    failures: NDArray[np.float64], shape: float, success: NDArray[np.float64]
) -> NDArray[np.float64]:
    log_ways = gammaln(shape + failures) - gammaln(shape) - gammaln(failures + 1)
    return np.asarray(np.exp(log_ways + shape * np.log(success) + xlog1py(failures, -success)))
