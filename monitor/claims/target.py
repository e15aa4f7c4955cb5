"""How long until a bound meets the target rate."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.claims import _checks
from monitor.claims.bounds import FIT_PER_HOUR


@dataclass(frozen=True, slots=True)
class HoursToGo:
    """Clock hours until the bound meets the target, with no further failure and with one more now.

    0 where it is met already; None where no hours of clock would bring it there.
    """

    none: float | None
    one_more: float | None


def required_equivalent_h(count: float, target_fit: float) -> float:
    """Equivalent device-hours at which a bound of ``count`` expected failures is ``target_fit`` FIT."""
    _checks.positive("count", count)
    _checks.positive("target_fit", target_fit)
    return count * FIT_PER_HOUR / target_fit


def hours_to_go(  # noqa: PLR0917  six plain numbers, all of them needed
    count_now: float,
    count_one_more: float,
    target_fit: float,
    equivalent_h: float,
    chips_at_risk: int,
    acceleration: float,
) -> HoursToGo:
    """Clock hours to the target, every chip at risk credited at the set-point all the time.

    ``count_now`` and ``count_one_more`` are the upper counts (of either kind of bound) at the failures so far and at
    one more; ``acceleration`` is the factor at the set-point. One more failure is taken to happen now, the worst
    time for it, and takes its chip out of the risk set.
    """
    if count_one_more < count_now:
        raise ValueError(f"count_one_more must be at least count_now, {count_now!r}; got {count_one_more!r}")
    _checks.not_negative("equivalent_h", equivalent_h)
    _checks.count("chips_at_risk", chips_at_risk)
    if acceleration == math.inf:
        raise ValueError(f"acceleration must be finite; got {acceleration!r}")
    missing_h = required_equivalent_h(count_now, target_fit) - equivalent_h
    missing_one_more_h = required_equivalent_h(count_one_more, target_fit) - equivalent_h
    return HoursToGo(
        none=_clock_hours(missing_h, chips_at_risk, acceleration),
        one_more=_clock_hours(missing_one_more_h, chips_at_risk - 1, acceleration),
    )


def _clock_hours(missing_h: float, chips: int, acceleration: float) -> float | None:
    if missing_h <= 0:
        return 0.0
    if chips <= 0 or not acceleration > 0:
        return None
    return missing_h / (chips * acceleration)
