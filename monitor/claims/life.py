"""Reliability shown at a mission time, with confidence, where the Weibull shape is taken as known.

With shape b the hours of each chip, raised to the power b, add up to ``T_b = sum t_i^b``, and failures come as a
Poisson process in T_b: a bound m on the expected count of failures is a bound on the life (often called Weibayes:
Nelson, J. Quality Technology 17:140, 1985, from memory). Shape 1 is the constant failure rate.

**The shape is an assumption.** Few failures say nothing about it, and a claim far from the hours tested hangs on it:
show the claim for a range of shapes.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.claims import _checks
from monitor.claims._lifedata import hours
from monitor.claims.bounds import FIT_PER_HOUR

_LOG_LARGEST = math.log(sys.float_info.max)
_LOG_SMALLEST = math.log(sys.float_info.min)


@dataclass(frozen=True, slots=True)
class LifeBound:
    """What is shown of the life at a mission time; as good as the bound on the count it is made from.

    ``eta_lower_h`` is the characteristic life (63.2 % failed), hours of use; ``reliability_lower`` and
    ``failed_upper`` the fractions good and failed at ``mission_h``; ``average_fit_upper`` the failure rate in FIT
    averaged over the mission. None without exposure.
    """

    shape: float
    mission_h: float
    upper_count: float
    eta_lower_h: float | None
    reliability_lower: float | None
    failed_upper: float | None
    average_fit_upper: float | None


def weibayes(equivalent_h: ArrayLike, upper_count: float, shape: float, mission_h: float) -> LifeBound:
    """Life shown by chips of ``equivalent_h`` equivalent hours of use each (one per chip, failed ones up to failure).

    ``upper_count`` (m) is an upper bound on the expected count of failures: `poisson_upper_count` for one look at a
    time fixed in advance, `anytime_upper_count` for any number of looks. ``shape`` (b) is the Weibull shape, assumed.
    Then ``eta >= (T_b / m)^(1/b)``, ``R(t) >= exp(-m t^b / T_b)`` and the average rate to t is at most
    ``m t^(b-1) / T_b`` per hour. With no failures in n chips of t hours each, R(t) is the exact binomial
    ``(1 - C)^(1/n)``, whatever the shape.

    Sums are kept as logarithms, so that no power of hours overflows; a result beyond floating point is the nearest
    number in it.

    Raises ValueError for hours that are negative or not finite, and for a count, shape or mission that is not above 0.
    """
    chips_h = hours("equivalent_h", equivalent_h)
    _checks.positive("upper_count", upper_count)
    _checks.positive("shape", shape)
    _checks.positive("mission_h", mission_h)
    chips_h = chips_h[chips_h > 0]
    if not chips_h.size:
        return LifeBound(shape, mission_h, upper_count, None, None, None, None)
    log_longest = math.log(chips_h.max())
    # T_b over the longest chip's t^b: from 1 to the number of chips.
    log_sum = math.log(math.fsum(np.exp(shape * (np.log(chips_h) - log_longest))))
    log_count = math.log(upper_count)
    log_expected = log_count - log_sum + shape * (math.log(mission_h) - log_longest)
    expected = _exp(log_expected)
    return LifeBound(
        shape=shape,
        mission_h=mission_h,
        upper_count=upper_count,
        eta_lower_h=_exp(log_longest + (log_sum - log_count) / shape),
        reliability_lower=math.exp(-expected),
        failed_upper=-math.expm1(-expected),
        average_fit_upper=_exp(log_expected + math.log(FIT_PER_HOUR) - math.log(mission_h)),
    )


def _exp(exponent: float) -> float:
    return math.exp(min(max(exponent, _LOG_SMALLEST), _LOG_LARGEST))
