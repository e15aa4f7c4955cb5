"""Acceleration of an interval as a whole number, so that weighted hours add up exactly.

A float sum depends on the order of its terms. Here the acceleration factor of an interval is rounded once to a
multiple of a power of two (about 2**-40 of the factor at the set-point, 1e-12 relative) and multiplied by whole
milliseconds: the sum is an integer, the same for any grouping. Two 64-bit words hold it, low and high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.campaign import Campaign
from monitor.claims import EaNormal, Mechanism, acceleration_factor, claimed_energies_ev
from shared.quantities import MS_PER_H

WORD_BITS = 22
_SIGNIFICANT_BITS = 40
_CACHE = 65_536


@dataclass(frozen=True, slots=True)
class Guard:
    """A second, careful account of a mechanism whose activation energy is stated with its uncertainty.

    It weighs each interval with the least factor at ``ea_ev``, the ends of an interval that holds Ea for sure, or the
    one lower confidence limit of a normal error that goes with the bounds at ``confidence``.
    """

    mechanism: int
    ea_ev: tuple[float, ...]
    confidence: float | None


class Weights:
    """Acceleration factors of a campaign's mechanisms as fixed-point numbers.

    Rows: one per mechanism in the campaign's order, then one per guard.
    """

    def __init__(self, campaign: Campaign) -> None:
        self.mechanisms = campaign.mechanisms
        self.guards = _guards(campaign)
        self._rows: tuple[tuple[Mechanism, ...], ...] = (
            *((m,) for m in self.mechanisms),
            *(tuple(replace(self.mechanisms[g.mechanism], ea_ev=ea) for ea in g.ea_ev) for g in self.guards),
        )
        self.profile = campaign.use.profile
        self._self_heating_c = float(campaign.stress.self_heating_c)
        self._measured = campaign.stress.accelerate_at == "measured"
        self._set_point = (float(campaign.stress.temp_c), float(campaign.stress.supply_v))
        factors = self._factors(*self._set_point)
        self.at_set_point = factors[: len(self.mechanisms)]
        self.guards_at_set_point = factors[len(self.mechanisms) :]
        self._shift = tuple(_SIGNIFICANT_BITS - math.frexp(factor)[1] for factor in factors)
        self._fixed_at_set_point = self._fixed(factors)
        self._cache: dict[tuple[float, float], tuple[int, ...]] = {}

    @property
    def rows(self) -> int:
        """Accounts of weighted hours that are kept of each chip."""
        return len(self._rows)

    def of_interval(self, temp_c: float, supply_v: float) -> tuple[int, ...]:
        """Fixed-point factor per row at the interval's mean temperature and supply."""
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
        """Equivalent use hours of sums kept as words of shape (rows, n); each is rounded once."""
        result = np.empty(low.shape, dtype=np.float64)
        for m, shift in enumerate(self._shift):
            for i, (lo, hi) in enumerate(zip(low[m].tolist(), high[m].tolist(), strict=True)):
                result[m, i] = self.hours_of(joined(lo, hi), shift)
        return result

    def total_h(self, low: NDArray[np.int64], high: NDArray[np.int64]) -> list[float]:
        """Equivalent use hours summed over the last axis, per row; exact until one rounding."""
        return self.row_h(totals(low, high))

    def worst_ea_ev(self, guard: Guard) -> float:
        """The activation energy of a guard that gives the least factor at the set-point."""
        mechanism = self.mechanisms[guard.mechanism]
        return min(guard.ea_ev, key=lambda ea: self._factor(replace(mechanism, ea_ev=ea), *self._set_point))

    def row_h(self, totals: list[int]) -> list[float]:
        """Fixed-point totals, one per row, as equivalent use hours."""
        return [self.hours_of(total, shift) for total, shift in zip(totals, self._shift, strict=True)]

    @staticmethod
    def hours_of(total: int, shift: int) -> float:
        """A fixed-point sum of factor x milliseconds as hours."""
        return total / (MS_PER_H << shift) if shift >= 0 else (total << -shift) / MS_PER_H

    def _factors(self, temp_c: float, supply_v: float) -> tuple[float, ...]:
        return tuple(min(self._factor(m, temp_c, supply_v) for m in row) for row in self._rows)

    def _factor(self, mechanism: Mechanism, temp_c: float, supply_v: float) -> float:
        return float(acceleration_factor(mechanism, self.profile, temp_c, supply_v, self._self_heating_c))

    def _fixed(self, factors: tuple[float, ...]) -> tuple[int, ...]:
        return tuple(round(math.ldexp(f, s)) for f, s in zip(factors, self._shift, strict=True))


def joined(low: int, high: int) -> int:
    """The fixed-point number of two words."""
    return (high << WORD_BITS) + low


def totals(low: NDArray[np.int64], high: NDArray[np.int64]) -> list[int]:
    """Fixed-point sums over the last axis, per row; exact."""
    return [joined(sum(lo), sum(hi)) for lo, hi in zip(low.tolist(), high.tolist(), strict=True)]


def split(fixed: int, ms: int) -> tuple[int, int]:
    """``fixed * ms`` as (low, high) words to add to the two sums."""
    return (fixed & ((1 << WORD_BITS) - 1)) * ms, (fixed >> WORD_BITS) * ms


def _guards(campaign: Campaign) -> tuple[Guard, ...]:
    """An interval needs one guard for every confidence alike; a normal error one for each."""
    claimed = {c: claimed_energies_ev(campaign.energies, c) for c in campaign.confidence}
    guards: list[Guard] = []
    for index, energy in enumerate(campaign.energies):
        for confidence, energies_ev in claimed.items():
            ea_ev = energies_ev[index]
            if ea_ev is None:
                break
            guard = Guard(index, ea_ev, confidence if isinstance(energy, EaNormal) else None)
            if guard not in guards:
                guards.append(guard)
    return tuple(guards)
