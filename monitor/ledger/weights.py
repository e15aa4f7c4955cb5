"""Acceleration of an interval as a whole number, so that weighted hours add up exactly.

A float sum depends on the order of its terms. Here the acceleration factor of an interval is rounded once to a
multiple of a power of two (about 2**-40 of the factor at the set-point, 1e-12 relative) and multiplied by whole
milliseconds: the sum is an integer, the same for any grouping. Two 64-bit words hold it, low and high.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.campaign import Campaign
from monitor.claims import acceleration_factor
from shared.quantities import MS_PER_H

WORD_BITS = 22
_SIGNIFICANT_BITS = 40
_CACHE = 65_536


class Weights:
    """Acceleration factors of a campaign's mechanisms as fixed-point numbers."""

    def __init__(self, campaign: Campaign) -> None:
        self.mechanisms = campaign.mechanisms
        self.profile = campaign.use.profile
        self._self_heating_c = float(campaign.stress.self_heating_c)
        self._measured = campaign.stress.accelerate_at == "measured"
        set_point = (float(campaign.stress.temp_c), float(campaign.stress.supply_v))
        self.at_set_point = self._factors(*set_point)
        self._shift = tuple(_SIGNIFICANT_BITS - math.frexp(factor)[1] for factor in self.at_set_point)
        self._fixed_at_set_point = self._fixed(self.at_set_point)
        self._cache: dict[tuple[float, float], tuple[int, ...]] = {}

    def of_interval(self, temp_c: float, supply_v: float) -> tuple[int, ...]:
        """Fixed-point factor per mechanism at the interval's mean temperature and supply."""
        if not self._measured:
            return self._fixed_at_set_point
        key = (temp_c, supply_v)
        found = self._cache.get(key)
        if found is None:
            if len(self._cache) >= _CACHE:
                self._cache.clear()
            found = self._cache[key] = self._fixed(self._factors(temp_c, supply_v))
        return found

    def equivalent_h(self, low: NDArray[np.int64], high: NDArray[np.int64]) -> NDArray[np.float64]:
        """Equivalent use hours of sums kept as words of shape (mechanisms, n); each is rounded once."""
        result = np.empty(low.shape, dtype=np.float64)
        for m, shift in enumerate(self._shift):
            for i, (lo, hi) in enumerate(zip(low[m].tolist(), high[m].tolist(), strict=True)):
                result[m, i] = self.hours_of((hi << WORD_BITS) + lo, shift)
        return result

    def total_h(self, low: NDArray[np.int64], high: NDArray[np.int64]) -> list[float]:
        """Equivalent use hours summed over the last axis, per mechanism; exact until one rounding."""
        return [
            self.hours_of((sum(high[m].tolist()) << WORD_BITS) + sum(low[m].tolist()), shift)
            for m, shift in enumerate(self._shift)
        ]

    @staticmethod
    def hours_of(total: int, shift: int) -> float:
        """A fixed-point sum of factor x milliseconds as hours."""
        return total / (MS_PER_H << shift) if shift >= 0 else (total << -shift) / MS_PER_H

    def _factors(self, temp_c: float, supply_v: float) -> tuple[float, ...]:
        return tuple(
            float(acceleration_factor(m, self.profile, temp_c, supply_v, self._self_heating_c))
            for m in self.mechanisms
        )

    def _fixed(self, factors: tuple[float, ...]) -> tuple[int, ...]:
        return tuple(round(math.ldexp(f, s)) for f, s in zip(factors, self._shift, strict=True))


def split(fixed: int, ms: int) -> tuple[int, int]:
    """``fixed * ms`` as (low, high) words to add to the two sums."""
    return (fixed & ((1 << WORD_BITS) - 1)) * ms, (fixed >> WORD_BITS) * ms
