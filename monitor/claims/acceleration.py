"""How much faster a mechanism runs under stress than in use.

``AF(T, V) = exp(Ea/k (1/T_use - 1/T_stress))``, times ``exp(gamma (V_stress - V_use))`` or
``(V_stress / V_use)^n`` where the mechanism has a voltage term. T is the junction in kelvin. The thermal term is
the Arrhenius equation of JESD74A [1]; the exponential voltage term is the one of JESD74A, JESD91 and JEP122.

Beside the factor: the one use temperature that a profile amounts to, and plain sentences about a factor that is legal
but rests on weak ground.
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

HIGHEST_USUAL_FACTOR = 1000.0
"""A factor above this gets a warning: common practice, no source."""

WIDEST_USUAL_EXTRAPOLATION_C = 100.0
"""More degrees than this from stress junction to use junction get a warning: common practice, no source."""

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


def effective_temp_c(mechanism: Mechanism, profile: Sequence[UseCondition]) -> float:
    """The one constant junction temperature of use, in °C, with the same thermal factor as the whole profile.

    It solves ``exp(-Ea / (k T)) = sum_i share_i exp(-Ea / (k T_i))`` (the Arrhenius equation of JESD74A [1], averaged
    over the profile), whatever the stress is: the stress cancels. It lies between the coldest and the hottest junction,
    and the nearer to the hottest the larger the activation energy is. A junction, so that self-heating need not be
    told apart from the ambient; voltage terms are left out.

    Raises ValueError for shares that do not add up to 1, and where the activation energy is 0 and the junctions
    differ: any temperature would do then.
    """
    _check_profile(mechanism, profile)
    junctions_k = [use.junction_k for use in profile]
    if mechanism.ea_ev == 0 and min(junctions_k) < max(junctions_k):
        raise ValueError(
            "ea_ev must not be 0 where the junctions of a profile differ: without an activation energy every "
            f"temperature is alike and none stands for the others; got {mechanism.ea_ev!r}"
        )
    worst_k = max(junctions_k) if mechanism.ea_ev >= 0 else min(junctions_k)
    inverse_k = [1.0 / junction_k - 1.0 / worst_k for junction_k in junctions_k]
    exponents = [mechanism.ea_ev * (-step / BOLTZMANN_EV_PER_K) for step in inverse_k]  # none above 0
    log_mean = _log_mean_exp([use.share for use in profile], exponents)
    if log_mean == 0:
        return worst_k - ZERO_C_K
    return 1.0 / (1.0 / worst_k - BOLTZMANN_EV_PER_K / mechanism.ea_ev * log_mean) - ZERO_C_K


def weaknesses(
    mechanism: Mechanism,
    profile: Sequence[UseCondition],
    temp_c: float,
    supply_v: float,
    self_heating_c: float,
) -> tuple[str, ...]:
    """What a reader should know before trusting the factor at this stress (°C ambient, V, °C): plain sentences.

    All of it is legal and none of it changes a figure. The limits are ``HIGHEST_USUAL_FACTOR`` and
    ``WIDEST_USUAL_EXTRAPOLATION_C``: common practice, no source. Empty where there is nothing to say.

    Raises ValueError as ``acceleration_factor`` does.
    """
    factor = float(acceleration_factor(mechanism, profile, temp_c, supply_v, self_heating_c))
    stress_c = temp_c + self_heating_c
    return (
        *_hotter_in_use(profile, stress_c),
        *_unusual_factor(factor),
        *_thermal_weaknesses(mechanism, profile, stress_c),
    )


def _hotter_in_use(profile: Sequence[UseCondition], stress_c: float) -> list[str]:
    hotter = [use for use in profile if use.junction_k > stress_c + ZERO_C_K]
    if not hotter:
        return []
    share = math.fsum(use.share for use in hotter)
    hottest_c = max(use.junction_k for use in hotter) - ZERO_C_K
    return [
        f"Use is hotter than the stress for {100 * share:.3g} % of the operating time: "
        f"junction up to {hottest_c:.1f} °C in use, {stress_c:.1f} °C under stress."
    ]


def _unusual_factor(factor: float) -> list[str]:
    if factor > HIGHEST_USUAL_FACTOR:
        return [
            f"One hour of stress stands for {factor:.4g} hours of use, more than {HIGHEST_USUAL_FACTOR:g}: "
            "the claim rests on the model far more than on the hours run."
        ]
    if factor < 1:
        return [f"One hour of stress stands for {factor:.4g} hours of use: the stress is milder than use."]
    return []


def _thermal_weaknesses(mechanism: Mechanism, profile: Sequence[UseCondition], stress_c: float) -> list[str]:
    if mechanism.ea_ev == 0:
        if all(use.junction_k == stress_c + ZERO_C_K for use in profile):
            return []
        return [
            "The activation energy is 0: the difference of temperature between stress and use earns nothing."
        ]
    use_c = effective_temp_c(mechanism, profile)
    if abs(stress_c - use_c) <= WIDEST_USUAL_EXTRAPOLATION_C:
        return []
    return [
        f"The stress junction, {stress_c:.1f} °C, is {abs(stress_c - use_c):.1f} °C away from the effective "
        f"junction in use, {use_c:.1f} °C; over more than {WIDEST_USUAL_EXTRAPOLATION_C:g} °C one activation "
        "energy may not hold."
    ]


def _log_mean_exp(weights: Sequence[float], exponents: Sequence[float]) -> float:
    """``log(sum w exp(x) / sum w)`` for exponents of at most 0."""
    total = math.fsum(weights)
    terms = list(zip(weights, exponents, strict=True))
    change = math.fsum(weight * math.expm1(exponent) for weight, exponent in terms) / total
    if change > -0.5:  # all of them near 0, as for a small activation energy: the logarithm would cancel
        return math.log1p(change)
    return math.log(math.fsum(weight * math.exp(exponent) for weight, exponent in terms) / total)


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
