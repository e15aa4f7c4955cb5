"""How much of the field life the credited hours and reads cover, chip by chip and over the fleet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.claims import _checks

H_PER_YEAR = 8766.0  # a year of 365.25 days
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Coverage:
    """Ratios of what was credited to what one field life asks: over chips, and for all chips together."""

    least: float
    median: float
    most: float
    fleet: float


def field_hours(life_years: float) -> float:
    """Hours one chip is in the field for: ``life_years x 8766``."""
    _checks.positive("life_years", life_years)
    return life_years * H_PER_YEAR


def field_reads(reads_per_day: float, life_years: float) -> float:
    """Reads one chip does in the field: ``reads_per_day x 365.25 x life_years``."""
    _checks.positive("reads_per_day", reads_per_day)
    _checks.positive("life_years", life_years)
    return reads_per_day * DAYS_PER_YEAR * life_years


def coverage(amounts: ArrayLike, required: float) -> Coverage:
    """Coverage from the credited amount of every chip (one dimension, hours or reads) and what one life asks.

    The fleet figure is the sum over chips over the same requirement: "so many field lives in total". The sum is
    rounded once, so that the order of the chips does not show.
    """
    _checks.positive("required", required)
    credited = np.asarray(amounts)
    if credited.ndim != 1 or credited.size == 0:
        raise ValueError(f"amounts must be one number for each chip; got an array of shape {credited.shape}")
    for amount in (credited.min(), credited.max()):
        _checks.not_negative("amounts", float(amount))
    return Coverage(
        least=float(credited.min()) / required,
        median=float(np.median(credited)) / required,
        most=float(credited.max()) / required,
        fleet=math.fsum(credited.tolist()) / required,
    )
