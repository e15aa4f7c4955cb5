"""How much faster a mechanism runs under stress than in use.

``AF(T, V) = exp(Ea/k (1/T_use - 1/T_stress))``, times ``exp(gamma (V_stress - V_use))`` or
``(V_stress / V_use)^n`` where the mechanism has a voltage term. T is the junction in kelvin. The thermal term is
the Arrhenius equation of JESD74A [1]; the exponential voltage term is the one of JESD74A, JESD91 and JEP122.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.claims import _checks

BOLTZMANN_EV_PER_K = 8.617333262e-5
"""Boltzmann's constant in eV/K, CODATA 2018 and 2022 (exact since the SI of 2019, here to ten digits)."""

ZERO_C_K = 273.15
"""0 °C in kelvin."""

_SHARE_TOLERANCE = 1e-9  # decimal shares such as 0.06 and 0.94 need not add up to 1 in binary


@dataclass(frozen=True, slots=True)
class Mechanism:
    """A failure mechanism: activation energy in eV and at most one voltage term.

    ``gamma_per_v`` (1/V) is the exponential term, ``voltage_exponent`` (no unit) the power law; 0 is "no such
    term". A negative activation energy is allowed: some mechanisms are worse when cold.
    """

    name: str
    ea_ev: float
    gamma_per_v: float = 0.0
    voltage_exponent: float = 0.0

    def __post_init__(self) -> None:
        _checks.finite("ea_ev", self.ea_ev)
        _checks.finite("gamma_per_v", self.gamma_per_v)
        _checks.finite("voltage_exponent", self.voltage_exponent)
        if self.gamma_per_v and self.voltage_exponent:
            raise ValueError(
                "gamma_per_v and voltage_exponent exclude each other; "
                f"got {self.gamma_per_v!r} and {self.voltage_exponent!r}"
            )


@dataclass(frozen=True, slots=True)
class UseCondition:
    """One condition of the use profile: its share of the operating time (above 0, to 1), temperature and supply.

    The junction is at ``temp_c + self_heating_c``.
    """

    share: float
    temp_c: float
    supply_v: float
    self_heating_c: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.share <= 1:
            raise ValueError(f"share must be above 0 and at most 1; got {self.share!r}")
        _checks.finite("supply_v", self.supply_v)
        _checks.finite("self_heating_c", self.self_heating_c)
        _checks.finite("temp_c", self.temp_c)
        if not self.junction_k > 0:
            raise ValueError(f"temp_c must put the junction above absolute zero; got {self.temp_c!r}")

    @property
    def junction_k(self) -> float:
        """Junction temperature in kelvin."""
        return self.temp_c + self.self_heating_c + ZERO_C_K


def acceleration_factor(
    mechanism: Mechanism,
    profile: Sequence[UseCondition],
    temp_c: ArrayLike,
    supply_v: ArrayLike,
    self_heating_c: float,
) -> NDArray[np.float64]:
    """Hours of use that one hour of stress stands for.

    ``temp_c`` (°C, ambient) and ``supply_v`` (V) are the stress, numbers or arrays that broadcast; the result has
    their shape. Over a profile, ``sum_i share_i / AF_i`` hours of stress are needed for one hour of use; the
    factor is the inverse of that.

    The value of an element depends on that element alone, bit for bit, never on the length of the array or its
    place in it: an account kept one interval at a time equals one kept in batches. Hence elementwise numpy
    functions only, and a power law by logarithm: ``np.power`` takes shortcuts for some scalar exponents.

    Raises ValueError for an empty profile or shares that do not add up to 1; for a stress that is not finite or at
    absolute zero; for a supply that is not above 0 under a power law; and where the factor itself is beyond
    floating point (an infinite factor would credit hours nobody ran).
    """
    _check_profile(mechanism, profile)
    _checks.finite("self_heating_c", self_heating_c)
    temps, volts = np.broadcast_arrays(
        np.asarray(temp_c, dtype=np.float64), np.asarray(supply_v, dtype=np.float64)
    )
    junction_k = temps + self_heating_c + ZERO_C_K
    _require("temp_c", temps, np.isfinite(temps) & (junction_k > 0), "finite and above absolute zero")
    _require("supply_v", volts, np.isfinite(volts), "finite")
    if mechanism.voltage_exponent:
        _require("supply_v", volts, volts > 0, "above 0 V for a power law")
    stress_h_per_use_h = np.zeros(temps.shape)
    with np.errstate(over="ignore", divide="ignore"):  # told apart just below
        for use in profile:
            stress_h_per_use_h = stress_h_per_use_h + use.share * np.exp(
                -_log_factor(mechanism, use, junction_k, volts)
            )
        factor = np.asarray(1.0 / stress_h_per_use_h, dtype=np.float64)
    representable = np.isfinite(factor) & (factor > 0)
    _require("temp_c", temps, representable, "such that the acceleration factor is a number")
    return factor


def _log_factor(
    mechanism: Mechanism, use: UseCondition, junction_k: NDArray[np.float64], volts: NDArray[np.float64]
) -> NDArray[np.float64]:
    log_factor = mechanism.ea_ev / BOLTZMANN_EV_PER_K * (1.0 / use.junction_k - 1.0 / junction_k)
    if mechanism.gamma_per_v:
        log_factor = log_factor + mechanism.gamma_per_v * (volts - use.supply_v)
    if mechanism.voltage_exponent:
        log_factor = log_factor + mechanism.voltage_exponent * np.log(volts / use.supply_v)
    return log_factor


def _check_profile(mechanism: Mechanism, profile: Sequence[UseCondition]) -> None:
    total = math.fsum(use.share for use in profile)
    if abs(total - 1.0) > _SHARE_TOLERANCE:
        raise ValueError(f"profile must have shares that add up to 1; got {total!r}")
    if mechanism.voltage_exponent:
        for use in profile:
            _checks.positive("profile supply_v", use.supply_v)


def _require(name: str, values: NDArray[np.float64], good: NDArray[np.bool_], what: str) -> None:
    if not np.all(good):
        raise ValueError(f"{name} must be {what}; got {float(values[~good].flat[0])!r}")
