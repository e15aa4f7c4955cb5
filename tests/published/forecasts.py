"""Forecast: hours to the target, further failures, chance of meeting the target by the end.

231 chips at 125 °C of a part used at 55 °C, Ea 0.7 eV, 100 FIT asked for, nothing failed in the first 400 h.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from monitor.claims.anytime import anytime_upper_count
from monitor.claims.bounds import FIT_PER_HOUR, poisson_upper_count
from monitor.claims.forecast import (
    FurtherFailures,
    Prior,
    chance_at_the_end,
    chance_by_the_end,
    hours_with_failure_at,
)
from tests.published.check import MPMATH, Check

_CHIPS = 231
_FACTOR = 77.64538205530277
_NOW_H = 400.0
_TARGET_FIT = 100.0
_AFTER_ALL_H = 1e6  # a failure so late that it comes after the target is met
_SOURCE = "computed with mpmath"

_Count = Callable[[int, float], float]
_COUNTS: dict[str, _Count] = {"one look": poisson_upper_count, "any time": anytime_upper_count}

# confidence and bound: further hours with no failure, with one now, with one 200 h from now
_WAITS: dict[tuple[float, str], tuple[float, ...]] = {
    (0.6, "one look"): (110.864450649, 730.674163347),  # met before 200 h are over
    (0.6, "any time"): (220.354705801, 1618.03558202, 1617.16601681),
    (0.9, "one look"): (883.772527305, 1776.34620804, 1775.47664282),
    (0.9, "any time"): (1123.30981174, 2601.48182987, 2600.61226465),
}
_CASES = (("no failure", _AFTER_ALL_H), ("one failure now", 0.0), ("one failure in 200 h", 200.0))


def _further_h(count: _Count, confidence: float, delay_h: float) -> float:
    hours = hours_with_failure_at(
        delay_h,
        count(0, confidence),
        count(1, confidence),
        _TARGET_FIT,
        _NOW_H * _CHIPS * _FACTOR,
        _CHIPS,
        _FACTOR,
    )
    assert hours is not None
    return hours


# Target one failure an hour, one hour so far without failure, prior of shape 1/2 and one hour.
def _at_the_end(end_h: float) -> float:
    count_of = partial(poisson_upper_count, confidence=0.9)
    return chance_at_the_end(0, 1.0, end_h - 1.0, FIT_PER_HOUR, count_of, prior=Prior(0.5, 1.0))


def _by_the_end(end_h: float) -> float:
    count_of = partial(anytime_upper_count, confidence=0.9)
    return chance_by_the_end(0, 1.0, end_h - 1.0, FIT_PER_HOUR, count_of, prior=Prior(0.5, 1.0))


_DRAWS = FurtherFailures(shape=1.5, success=0.4)

CHECKS: list[Check] = [
    *(
        Check(
            f"further hours to the target, {case}, {kind} {confidence:.0%}",
            _SOURCE,
            MPMATH,
            published,
            5e-9,
            partial(_further_h, _COUNTS[kind], confidence, delay_h),
        )
        for (confidence, kind), waits in _WAITS.items()
        for (case, delay_h), published in zip(_CASES, waits, strict=False)
    ),
    *(
        Check(
            f"chance of {failures} further failures, negative binomial with s = 1.5, p = 0.4",
            _SOURCE,
            MPMATH,
            published,
            5e-15,
            partial(_DRAWS.probability, failures),
        )
        for failures, published in enumerate(
            (0.25298221281347, 0.22768399153212, 0.17076299364909, 0.11953409555436, 0.080685514499196)
        )
    ),
    Check(
        "chance of at most 2 further failures, negative binomial with s = 1.5, p = 0.4",
        _SOURCE,
        MPMATH,
        0.65142919799469,
        6e-15,
        partial(_DRAWS.at_most, 2),
    ),
    *(
        Check(
            f"chance of meeting the target by {end_h} target exposures, any time 90 %, one gone without failure",
            _SOURCE,
            MPMATH,
            published,
            5e-14,
            partial(_by_the_end, end_h),
        )
        for end_h, published in ((5, 0.73203410055953), (8, 0.83802654812416))
    ),
    Check(
        "chance of meeting the target at 5 target exposures, one look 90 %, one gone without failure",
        _SOURCE,
        MPMATH,
        0.7698003589195,
        5e-14,
        partial(_at_the_end, 5),
    ),
    Check(
        "chance of at most 3 further failures in 7 target exposures, one gone without failure",
        _SOURCE,
        MPMATH,
        0.83097979698083,
        5e-14,
        partial(FurtherFailures(shape=0.5, success=2 / 9).at_most, 3),
    ),
]
