"""Life and early life of one mechanism, in equivalent hours of use, chip by chip."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from monitor.claims import (
    TwoSidedLimits,
    early_life,
    field_hours,
    fit_life,
    kaplan_meier,
    nelson_aalen,
    weibayes,
)
from monitor.figures import document as doc
from monitor.figures.basis import Standing

_CHARACTERISTIC = 1 - math.exp(-1)  # failed at the Weibull scale


def life(standing: Standing, m: int) -> list[doc.LifeShown]:
    """Reliability shown at the end of the field life, for every assumed shape and confidence of the campaign."""
    campaign = standing.ledger.campaign
    mission_h = field_hours(campaign.use.life_years)
    found = []
    for confidence in campaign.confidence:
        basis = standing.claimed(m, confidence)
        counts = basis.fixed_count(basis.failures), basis.anytime_count(basis.failures)
        for shape in campaign.claims.weibull_shapes:
            look, always = (weibayes(standing.chip_h[basis.row], n, shape, mission_h) for n in counts)
            found.append(
                doc.LifeShown(
                    shape=shape,
                    confidence=confidence,
                    reliability_lower=look.reliability_lower,
                    reliability_lower_anytime=always.reliability_lower,
                    average_fit_upper=doc.finite(look.average_fit_upper),
                    average_fit_upper_anytime=doc.finite(always.average_fit_upper),
                )
            )
    return found


def early(standing: Standing, m: int) -> list[doc.EarlyShown]:
    """Failures in the first hours of field use: every chip counts up to these hours and no further."""
    campaign = standing.ledger.campaign
    marks = standing.marks(m)
    found = []
    for confidence in campaign.confidence:
        basis = standing.claimed(m, confidence)
        chip_h = standing.chip_h[basis.row]
        limit_h = campaign.claims.early_life_h
        failures = int((marks & (chip_h <= limit_h)).sum())
        shown = early_life(
            failures, len(chip_h), np.minimum(chip_h, limit_h), 1.0, limit_h, basis.count_confidence
        )
        # At a constant rate a bound is its count over the hours: the any-time one is wider by so much.
        wider = basis.anytime_count(failures) / basis.fixed_count(failures)
        found.append(
            doc.EarlyShown(
                confidence=confidence,
                early_life_h=limit_h,
                failures=failures,
                fit_upper=doc.finite(shown.fit_upper),
                ppm_upper=doc.finite(shown.ppm_upper),
                fit_upper_anytime=_scaled(shown.fit_upper, wider),
                ppm_upper_anytime=_scaled(shown.ppm_upper, wider),
                covers=shown.covers,
            )
        )
    return found


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else doc.finite(value * factor)


def fitted(standing: Standing, m: int) -> doc.LifeFitted | None:
    """A Weibull fit, from three failures on; at the stated activation energy."""
    times_h, failed = _lives(standing, m)
    if not failed.any() or not times_h.all():  # a failure at 0 h has no place on a Weibull distribution
        return None
    campaign = standing.ledger.campaign
    confidence, mission_h = max(campaign.confidence), field_hours(campaign.use.life_years)
    try:
        fit = fit_life(times_h, failed)
    except ValueError:  # fewer than three failures, or all at one time: no likelihood has a maximum
        return None
    if fit.scale_h is None:
        return None
    return doc.LifeFitted(
        confidence,
        fit.shape,
        *_ends(lambda: fit.shape_limits(confidence)),
        fit.scale_h,
        *_ends(lambda: fit.time_limits_h(_CHARACTERISTIC, confidence)),
        fit.reliability(mission_h),
        *_ends(lambda: fit.reliability_limits(mission_h, confidence)),
    )


def curve(standing: Standing, m: int) -> list[doc.CurveStep]:
    """Survival after Kaplan and Meier, cumulative hazard after Nelson and Aalen."""
    times_h, failed = _lives(standing, m)
    if not failed.any():
        return []
    confidence = max(standing.ledger.campaign.confidence)
    survival, hazard = kaplan_meier(times_h, failed, confidence), nelson_aalen(times_h, failed, confidence)
    columns = (
        survival.times_h,
        survival.at_risk,
        survival.failures,
        survival.estimate,
        survival.lower,
        survival.upper,
        hazard.estimate,
    )
    return [
        doc.CurveStep(t_h, at_risk, failures, s, doc.finite(low), doc.finite(high), h)
        for t_h, at_risk, failures, s, low, high, h in zip(*(c.tolist() for c in columns), strict=True)
    ]


def _lives(standing: Standing, m: int) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Equivalent hours of each chip that has any or has failed, and whether it failed at them."""
    times_h, failed = standing.chip_h[m], standing.marks(m)
    seen = (times_h > 0) | failed
    return times_h[seen], failed[seen]


def _ends(limits: Callable[[], TwoSidedLimits]) -> tuple[float | None, float | None]:
    """Both limits; none where so few failures bound nothing."""
    try:
        found = limits()
    except ValueError:
        return None, None
    return doc.finite(found.lower), doc.finite(found.upper)
