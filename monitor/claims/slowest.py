"""The slowest mechanism at a stress: how hard must it be until every mechanism is as fast as a plan needs?

Each mechanism is taken as it will be claimed. An activation energy that is known exactly has one factor. An interval
that surely holds it has the least factor of its two ends (``uncertainty.floor_factor`` has the proof). A normal error
has the factor at a lower confidence limit, and the count of failures is asked at ``guarded_confidence``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.claims import _checks
from monitor.claims.acceleration import (
    BOLTZMANN_EV_PER_K,
    ZERO_C_K,
    Mechanism,
    UseCondition,
    acceleration_factor,
)
from monitor.claims.uncertainty import (
    EaNormal,
    Energy,
    claimed_energies_ev,
    count_confidence,
    rises_with_ea,
)

TEMP_LIMITS_C = (-100.0, 400.0)
"""The stress temperatures that are considered, in °C (ambient), both included."""

_SUPPLY_SPAN = 10.0  # a supply is sought from a tenth to ten times the highest one in use
_ABOVE_USE_C = 0.001  # a normal error is bounded at a stress that is hotter than use, by however little


@dataclass(frozen=True, slots=True)
class Pace:
    """A mechanism with the activation energy it is planned with, and its factor at a stress."""

    mechanism: Mechanism
    factor: float


@dataclass(frozen=True, slots=True)
class Acceleration:
    """What a stress is reckoned by: mechanisms, use profile, self-heating under stress in kelvin.

    ``energies`` are parallel to the mechanisms; empty, every activation energy is certain.
    """

    mechanisms: tuple[Mechanism, ...]
    profile: tuple[UseCondition, ...]
    self_heating_c: float = 0.0
    energies: tuple[Energy, ...] = ()

    def __post_init__(self) -> None:
        if not self.mechanisms:
            raise ValueError("mechanisms must be at least one; got none")
        if self.energies and len(self.energies) != len(self.mechanisms):
            raise ValueError(
                f"energies must be none or {len(self.mechanisms)}, one a mechanism; got {len(self.energies)}"
            )
        _checks.finite("self_heating_c", self.self_heating_c)

    def factors(self, temp_c: float, supply_v: float) -> tuple[float, ...]:
        """The factor of every mechanism as stated, at a stress of ``temp_c`` (°C, ambient) and ``supply_v`` (V)."""
        return tuple(self._factor(mechanism, temp_c, supply_v) for mechanism in self.mechanisms)

    def paces(self, temp_c: float, supply_v: float, confidence: float) -> tuple[Pace, ...]:
        """Every mechanism as it may be claimed at ``confidence``: the worst activation energy at this stress.

        Raises ValueError where one has a normal error and the stress is not hotter than every condition of use: the
        lower limit would not be the worst case.
        """
        self.check_hotter_than_use(temp_c)
        return tuple(
            min((Pace(m, self._factor(m, temp_c, supply_v)) for m in variants), key=lambda pace: pace.factor)
            for variants in self._variants(confidence)
        )

    def count_confidences(self, confidence: float) -> tuple[float, ...]:
        """The confidence that is left to the count of failures, per mechanism."""
        return tuple(count_confidence(energy, confidence) for energy in self._stated_energies)

    def check_hotter_than_use(self, temp_c: float) -> None:
        """Raise ValueError where a normal error is stated and the stress is not hotter than every use."""
        if self._has_normals and not rises_with_ea(self.profile, temp_c, self.self_heating_c):
            raise ValueError(
                f"temp_c must be above {self._coldest_for_normals_c():g} where an activation energy has a standard "
                f"deviation, hotter than any use (state an interval instead); got {temp_c!r}"
            )

    def least_temp_c(self, factors: Sequence[float], supply_v: float, confidence: float) -> float | None:
        """The lowest stress temperature in °C at which every mechanism has its factor of ``factors``; None: nowhere.

        From one temperature to another each condition of the profile gains the same
        ``exp(Ea/k (1/T_1 - 1/T_2))``, so that the temperature follows in closed form. Sought within ``TEMP_LIMITS_C``.

        Raises ValueError where no mechanism is faster when hotter.
        """
        low_c, high_c = TEMP_LIMITS_C
        if self._has_normals:
            low_c = max(low_c, self._coldest_for_normals_c() + _ABOVE_USE_C)
        found_c, hotter_is_faster = low_c, False
        for mechanism, factor in self._each(factors, confidence):
            if mechanism.ea_ev > 0:
                hotter_is_faster = True
                missing = math.log(factor / self._factor(mechanism, low_c, supply_v))
                per_k = 1 / self._junction_k(low_c) - missing * BOLTZMANN_EV_PER_K / mechanism.ea_ev
                if per_k <= 0:  # not even infinitely hot
                    return None
                found_c = max(found_c, 1 / per_k - ZERO_C_K - self.self_heating_c)
        if not hotter_is_faster:
            raise ValueError("temp_c can be solved for where a mechanism has ea_ev above 0; got none")
        reached = found_c <= high_c and self._reaches(factors, found_c, supply_v, confidence)
        return found_c if reached else None

    def least_supply_v(self, factors: Sequence[float], temp_c: float, confidence: float) -> float | None:
        """The lowest stress supply in V at which every mechanism has its factor of ``factors``; None: nowhere.

        In closed form, as ``least_temp_c``. Sought from a tenth to ten times the highest supply in use.

        Raises ValueError where no mechanism is faster at a higher supply, and as ``paces`` does.
        """
        usual_v = max(use.supply_v for use in self.profile)
        found_v, higher_is_faster = usual_v / _SUPPLY_SPAN, False
        for mechanism, factor in self._each(factors, confidence):
            missing = math.log(factor / self._factor(mechanism, temp_c, usual_v))
            if mechanism.gamma_per_v > 0:
                needed_v = usual_v + missing / mechanism.gamma_per_v
            elif mechanism.voltage_exponent > 0:
                decades = missing / mechanism.voltage_exponent / math.log(_SUPPLY_SPAN)
                needed_v = usual_v * _SUPPLY_SPAN**decades if decades <= 1 else math.inf
            else:
                continue
            found_v, higher_is_faster = max(found_v, needed_v), True
        if not higher_is_faster:
            raise ValueError(
                "supply_v can be solved for where a mechanism has gamma_per_v or voltage_exponent above 0; got none"
            )
        reached = found_v <= usual_v * _SUPPLY_SPAN and self._reaches(factors, temp_c, found_v, confidence)
        return found_v if reached else None

    @property
    def _stated_energies(self) -> tuple[Energy, ...]:
        return self.energies or (None,) * len(self.mechanisms)

    @property
    def _has_normals(self) -> bool:
        return any(isinstance(energy, EaNormal) for energy in self.energies)

    def _variants(self, confidence: float) -> list[tuple[Mechanism, ...]]:
        """Every mechanism with the activation energies that have to be reckoned with."""
        claimed = claimed_energies_ev(self._stated_energies, confidence)
        return [
            (m,) if claimed_ev is None else tuple(replace(m, ea_ev=ea_ev) for ea_ev in claimed_ev)
            for m, claimed_ev in zip(self.mechanisms, claimed, strict=True)
        ]

    def _each(self, factors: Sequence[float], confidence: float) -> list[tuple[Mechanism, float]]:
        return [
            (mechanism, factor)
            for variants, factor in zip(self._variants(confidence), factors, strict=True)
            for mechanism in variants
        ]

    def _coldest_for_normals_c(self) -> float:
        return max(use.junction_k for use in self.profile) - ZERO_C_K - self.self_heating_c

    def _junction_k(self, temp_c: float) -> float:
        return temp_c + self.self_heating_c + ZERO_C_K

    def _factor(self, mechanism: Mechanism, temp_c: float, supply_v: float) -> float:
        return float(acceleration_factor(mechanism, self.profile, temp_c, supply_v, self.self_heating_c))

    def _reaches(self, factors: Sequence[float], temp_c: float, supply_v: float, confidence: float) -> bool:
        paces = self.paces(temp_c, supply_v, confidence)
        return all(pace.factor >= factor * (1 - 1e-9) for pace, factor in zip(paces, factors, strict=True))
