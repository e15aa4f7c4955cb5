"""The target: whether it is met, how far it is, and with what chance it will be met by the planned end."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from monitor.claims import (
    FORECAST_ASSUMPTIONS,
    chance_at_the_end,
    chance_by_the_end,
    hours_to_go,
    watched_miss_probability,
)
from monitor.figures import document as doc
from monitor.figures.basis import Basis, Standing
from monitor.ledger import Ledger

Count = Callable[[Basis, int], float]
_MOST_WATCHED = 200  # more failures leave still less, and take seconds to reckon
_FASTEST = 1.1  # chip-hours credited per chip and hour of receive time: late messages come in bursts


class _Way(NamedTuple):
    """Clock hours to the target with no and with one more failure (None: never), and what limits it."""

    none: float | None
    one_more: float | None
    limit: Basis


def target(standing: Standing, at_risk: int) -> doc.Target:
    """The target at the highest stated confidence, for the mechanism that meets it last."""
    ledger, campaign = standing.ledger, standing.ledger.campaign
    confidence = max(campaign.confidence)
    bases = standing.all_claimed(confidence)
    anytime = _way(campaign.target_fit, bases, at_risk, Basis.anytime_count)
    fixed = _way(campaign.target_fit, bases, at_risk, Basis.fixed_count)
    return doc.Target(
        fit=campaign.target_fit,
        met=anytime.none == 0,
        hours_to_go=anytime.none,
        hours_to_go_one_more=anytime.one_more,
        date=_date(ledger, anytime.none, at_risk),
        confidence=confidence,
        mechanism=anytime.limit.name,
        fixed=doc.TargetFixed(
            met=fixed.none == 0,
            hours_to_go=fixed.none,
            hours_to_go_one_more=fixed.one_more,
            date=_date(ledger, fixed.none, at_risk),
            date_one_more=_date(ledger, fixed.one_more, at_risk - 1),
            watched_confidence=_watched(fixed.limit),
        ),
        date_one_more=_date(ledger, anytime.one_more, at_risk - 1),
        careful=anytime.limit.careful,
    )


def forecast(standing: Standing, at_risk: int, elapsed_h: float) -> doc.Forecast | None:
    """Chances for the mechanism whose any-time bound meets the target last; None before the first credited hour."""
    campaign = standing.ledger.campaign
    limit = _way(
        campaign.target_fit, standing.all_claimed(max(campaign.confidence)), at_risk, Basis.anytime_count
    ).limit
    if limit.equivalent_h == 0:
        return None
    to_go_h = max(campaign.planned_hours - elapsed_h, 0.0)
    more_h = to_go_h * at_risk * limit.acceleration
    return doc.Forecast(
        planned_hours=campaign.planned_hours,
        to_go_h=to_go_h,
        chance_anytime=_chance(chance_by_the_end, limit, more_h, campaign.target_fit, limit.anytime_count),
        chance_fixed=_chance(chance_at_the_end, limit, more_h, campaign.target_fit, limit.fixed_count),
        mechanism=limit.name,
        assumptions=FORECAST_ASSUMPTIONS,
    )


def _chance(
    chance: Callable[[int, float, float, float, Callable[[int], float]], float],
    limit: Basis,
    more_h: float,
    target_fit: float,
    count: Callable[[int], float],
) -> float | None:
    return doc.finite(chance(limit.failures, limit.equivalent_h, more_h, target_fit, count))


def _way(target_fit: float, bases: Sequence[Basis], at_risk: int, count: Count) -> _Way:
    """The way to the target by one kind of bound; ``count`` gives the upper bound on the expected count."""
    each = [
        hours_to_go(
            count(basis, basis.failures),
            count(basis, basis.failures + 1),
            target_fit,
            basis.equivalent_h,
            at_risk,
            basis.acceleration,
        )
        for basis in bases
    ]
    last = max(range(len(each)), key=lambda i: math.inf if each[i].none is None else float(each[i].none or 0))
    return _Way(_latest([t.none for t in each]), _latest([t.one_more for t in each]), bases[last])


def _latest(values: Sequence[float | None]) -> float | None:
    """The longest; None when one of them is never."""
    known = [value for value in values if value is not None]
    return doc.finite(max(known)) if len(known) == len(values) else None


def _date(ledger: Ledger, to_go_h: float | None, chips: int) -> str | None:
    """UTC minute at which ``to_go_h`` more hours of ``chips`` are credited at the present pace of the fleet.

    None where nothing is credited, and where credit runs faster than the clock: such a run is played, not lived.
    """
    pace = ledger.credit_pace()
    if not to_go_h or not pace or ledger.as_of_ms is None or not 0 < pace <= _FASTEST * (chips + 1):
        return None
    try:
        start = datetime.fromtimestamp(ledger.as_of_ms / 1000, UTC)
        return (start + timedelta(hours=to_go_h * chips / pace)).strftime("%Y-%m-%dT%H:%MZ")
    except (OverflowError, ValueError, OSError):
        return None


def _watched(limit: Basis) -> float:
    """What watching leaves of the confidence, at most; what a stated error of Ea takes up is lost besides."""
    lost_to_ea = limit.count_confidence - limit.confidence
    failures = min(limit.failures + 1, _MOST_WATCHED)
    return 1 - _watched_miss(limit.count_confidence, failures) - lost_to_ea


_watched_miss = lru_cache(maxsize=256)(watched_miss_probability)
