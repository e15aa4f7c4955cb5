"""Planning a campaign: any one of its quantities from all the others.

One relation holds them together. A campaign of ``chips`` that run ``hours`` at a stress (T, V) with at most r
``failures`` shows the target rate at confidence C when

    ``c(r, C) <= target_fit / 1e9 x chips x hours x AF(T, V)``.

``c(r, C)`` is the upper bound on the expected count, of either kind: the fixed-look one (``poisson_upper_count``; the
trade's chi-square, JESD85) for one look at a time fixed in advance, the anytime one (``anytime_upper_count``) for any
number of looks. AF is the factor of the slowest mechanism, so that the target holds for each.

As the trade does, the hours are those of all chips: a failed chip is replaced, or the hours it no longer runs are made
up for (at r failures of n, up to r / n more of them).

The field life is another relation, without a bound in it: ``hours x AF`` over ``8766 x years``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from scipy.optimize import brentq
from scipy.special import gammaincc

from monitor.claims import _checks
from monitor.claims.acceleration import (
    BOLTZMANN_EV_PER_K,
    ZERO_C_K,
    Mechanism,
    UseCondition,
    acceleration_factor,
)
from monitor.claims.bounds import FIT_PER_HOUR
from monitor.claims.coverage import H_PER_YEAR, field_hours
from monitor.claims.stopping import pass_probability
from monitor.claims.target import required_equivalent_h

UpperCount = Callable[[int, float], float]
"""A bound on the expected count from failures and confidence: ``poisson_upper_count``, ``anytime_upper_count``."""

Quantity = Literal["chips", "hours", "temp_c", "supply_v", "failures", "confidence", "target_fit"]

LIMITS: dict[Quantity, tuple[float, float]] = {
    "chips": (1, 1_000_000),
    "hours": (0.001, 1e7),
    "temp_c": (-100.0, 400.0),
    "supply_v": (0.001, 1000.0),
    "failures": (0, 100_000),
    "confidence": (0.01, 0.999999),
    "target_fit": (1e-6, 1e9),
}
"""What each quantity may be, both ends included; what is solved for stays inside too."""

DOUBTFUL_FACTOR = 1000.0
"""Acceleration beyond this rests on the model alone: an hour then stands for six weeks or more of use."""

_WHOLE = ("chips", "failures")
_SUPPLY_SPAN = 10.0  # a supply is sought from a tenth to ten times the highest one in use
_TIE = 1e-12  # relative; equal but for rounding


@dataclass(frozen=True, slots=True)
class Acceleration:
    """What the stress is reckoned by: the mechanisms, the use profile, the self-heating under stress in kelvin."""

    mechanisms: tuple[Mechanism, ...]
    profile: tuple[UseCondition, ...]
    self_heating_c: float = 0.0

    def __post_init__(self) -> None:
        if not self.mechanisms:
            raise ValueError("mechanisms must be at least one; got none")
        _checks.finite("self_heating_c", self.self_heating_c)

    def factors(self, temp_c: float, supply_v: float) -> tuple[float, ...]:
        """The factor of every mechanism at a stress of ``temp_c`` (°C, ambient) and ``supply_v`` (V)."""
        return tuple(self._factor(mechanism, temp_c, supply_v) for mechanism in self.mechanisms)

    def slowest(self, temp_c: float, supply_v: float) -> float:
        """The least of the factors."""
        return min(self.factors(temp_c, supply_v))

    def least_temp_c(self, factor: float, supply_v: float) -> float | None:
        """The lowest stress temperature in °C at which every mechanism has at least ``factor``; None: nowhere.

        From one temperature to another each condition of the profile gains the same
        ``exp(Ea/k (1/T_1 - 1/T_2))``, so that the temperature follows in closed form. Sought within ``LIMITS``.

        Raises ValueError where no mechanism is faster when hotter.
        """
        hotter_faster = [m for m in self.mechanisms if m.ea_ev > 0]
        if not hotter_faster:
            raise ValueError("temp_c can be solved for where a mechanism has ea_ev above 0; got none")
        low, high = LIMITS["temp_c"]
        start_k = low + self.self_heating_c + ZERO_C_K
        temp_c = low
        for mechanism in hotter_faster:
            missing = math.log(factor / self._factor(mechanism, low, supply_v))
            per_k = 1 / start_k - missing * BOLTZMANN_EV_PER_K / mechanism.ea_ev
            if per_k <= 0:  # not even infinitely hot
                return None
            temp_c = max(temp_c, 1 / per_k - ZERO_C_K - self.self_heating_c)
        return temp_c if temp_c <= high and self._reaches(factor, temp_c, supply_v) else None

    def least_supply_v(self, factor: float, temp_c: float) -> float | None:
        """The lowest stress supply in V at which every mechanism has at least ``factor``; None: nowhere.

        In closed form, as ``least_temp_c``. Sought from a tenth to ten times the highest supply in use.

        Raises ValueError where no mechanism is faster at a higher supply.
        """
        usual_v = max(use.supply_v for use in self.profile)
        supply_v, high = usual_v / _SUPPLY_SPAN, usual_v * _SUPPLY_SPAN
        moved = [m for m in self.mechanisms if m.gamma_per_v > 0 or m.voltage_exponent > 0]
        if not moved:
            raise ValueError(
                "supply_v can be solved for where a mechanism has gamma_per_v or voltage_exponent above 0; got none"
            )
        for mechanism in moved:
            missing = math.log(factor / self._factor(mechanism, temp_c, usual_v))
            if mechanism.gamma_per_v:
                needed_v = usual_v + missing / mechanism.gamma_per_v
            elif missing > mechanism.voltage_exponent * math.log(_SUPPLY_SPAN):
                return None
            else:
                needed_v = usual_v * math.exp(missing / mechanism.voltage_exponent)
            supply_v = max(supply_v, needed_v)
        return supply_v if supply_v <= high and self._reaches(factor, temp_c, supply_v) else None

    def _factor(self, mechanism: Mechanism, temp_c: float, supply_v: float) -> float:
        return float(acceleration_factor(mechanism, self.profile, temp_c, supply_v, self.self_heating_c))

    def _reaches(self, factor: float, temp_c: float, supply_v: float) -> bool:
        return self.slowest(temp_c, supply_v) >= factor * (1 - 1e-9)


@dataclass(frozen=True, slots=True)
class Plan:
    """A campaign before it begins; the one quantity that is sought is None.

    ``hours`` of stress of each of ``chips``; ``temp_c`` (°C, ambient) and ``supply_v`` (V) of the stress; ``failures``
    allowed; ``target_fit`` in FIT. Raises ValueError for what lies outside ``LIMITS``, for part of a chip or of a
    failure, and where as many failures are allowed as there are chips.
    """

    chips: int | None
    hours: float | None
    temp_c: float | None
    supply_v: float | None
    failures: int | None
    confidence: float | None
    target_fit: float | None

    def __post_init__(self) -> None:
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if value is None:
                continue
            whole = "a whole number " if name in _WHOLE else ""
            if not low <= value <= high or (whole and value != int(value)):
                raise ValueError(f"{name} must be {whole}from {low:.7g} to {high:.7g}; got {value!r}")
        if self.chips is not None and self.failures is not None and self.failures >= self.chips:
            raise ValueError(f"failures must be fewer than the chips, {self.chips!r}; got {self.failures!r}")

    def known(self, name: Quantity) -> float:
        """A quantity that is not None. Raises ValueError for one that is."""
        value: float | None = getattr(self, name)
        if value is None:
            raise ValueError(f"{name} must be known here; got None")
        return value

    @property
    def unknown(self) -> Quantity:
        """The one quantity that is sought. Raises ValueError where there is none, or more than one."""
        names: list[Quantity] = [name for name in LIMITS if getattr(self, name) is None]
        if len(names) != 1:
            raise ValueError(f"exactly one quantity must be None; got {', '.join(names) or 'none'}")
        return names[0]

    def expected_at_target(self, acceleration: Acceleration) -> float:
        """Failures expected over the whole plan in parts at the target rate, by the slowest mechanism."""
        factor = acceleration.slowest(self.known("temp_c"), self.known("supply_v"))
        chip_hours = self.known("chips") * self.known("hours")
        return self.known("target_fit") / FIT_PER_HOUR * chip_hours * factor


@dataclass(frozen=True, slots=True)
class Candidate:
    """A stress that is considered: factor per mechanism, hours to the target, hours that stand for the field life.

    ``hours`` is None where even the most hours of ``LIMITS`` do not do; ``life_h`` is by the slowest mechanism.
    """

    temp_c: float
    supply_v: float
    factors: tuple[float, ...]
    hours: float | None
    life_h: float


def solve(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> Plan | None:
    """The plan with its unknown quantity filled in: the least that is needed, or the most that can be had.

    Chips are rounded up, failures allowed down. None where no value inside ``LIMITS`` does. Raises ValueError where not
    exactly one quantity is unknown, or where nothing depends on it.
    """
    unknown = plan.unknown
    value = _SOLVERS[unknown](plan, acceleration, upper_count)
    found: dict[str, Any] = {unknown: value}
    return None if value is None else replace(plan, **found)


def hours_by_failures(
    plan: Plan, acceleration: Acceleration, upper_count: UpperCount, most: int
) -> tuple[float, ...]:
    """The price of a failure: hours until the target is met with 0, 1, ... ``most`` failures, all else as planned."""
    _checks.count("most", most)
    factor = acceleration.slowest(plan.known("temp_c"), plan.known("supply_v"))
    per_hour = plan.known("chips") * factor
    confidence, target_fit = plan.known("confidence"), plan.known("target_fit")
    return tuple(
        required_equivalent_h(upper_count(failures, confidence), target_fit) / per_hour
        for failures in range(int(most) + 1)
    )


def chance_of_passing(truth_over_target: float, failures: int, expected_at_target: float) -> float:
    """Chance that a fixed plan passes when the true rate is ``truth_over_target`` times the target: its characteristic.

    It passes with at most ``failures`` in an exposure in which ``expected_at_target`` would be expected at the target
    rate: ``P(X <= r)`` of the Poisson distribution with that mean.
    """
    _checks.not_negative("truth_over_target", truth_over_target)
    _checks.count("failures", failures)
    _checks.not_negative("expected_at_target", expected_at_target)
    return float(gammaincc(failures + 1.0, truth_over_target * expected_at_target))


def chance_of_passing_watched(
    truth_over_target: float,
    failures: int,
    expected_at_target: float,
    confidence: float,
    upper_count: UpperCount,
) -> float:
    """Chance that the bound meets the target at any time in the plan, with at most ``failures``.

    Exact, by ``pass_probability`` over the exposures at which ``upper_count`` passes. With the anytime count it is at
    most ``1 - C`` at the target rate.
    """
    _checks.count("failures", failures)
    _checks.not_negative("expected_at_target", expected_at_target)
    counts = []
    for allowed in range(int(failures) + 1):
        count = upper_count(allowed, confidence)
        if count > expected_at_target * (1 + _TIE):
            break
        counts.append(count)
    return pass_probability(truth_over_target, counts) if counts else 0.0


def covered_years(hours: float, factor: float) -> float:
    """Years in the field that ``hours`` of stress stand for, at an acceleration of ``factor``."""
    _checks.not_negative("hours", hours)
    _checks.positive("factor", factor)
    return hours * factor / H_PER_YEAR


def compare(
    plan: Plan,
    acceleration: Acceleration,
    upper_count: UpperCount,
    stresses: Sequence[tuple[float, float]],
    life_years: float,
) -> tuple[Candidate, ...]:
    """The plan at other stresses, each as (``temp_c``, ``supply_v``): how long it would take there."""
    life_h = field_hours(life_years)
    found = []
    for temp_c, supply_v in stresses:
        solved = solve(replace(plan, hours=None, temp_c=temp_c, supply_v=supply_v), acceleration, upper_count)
        factors = acceleration.factors(temp_c, supply_v)
        hours = None if solved is None else solved.hours
        found.append(Candidate(temp_c, supply_v, factors, hours, life_h / min(factors)))
    return tuple(found)


# One solver a quantity


def _required_h(plan: Plan, upper_count: UpperCount) -> float:
    count = upper_count(int(plan.known("failures")), plan.known("confidence"))
    return required_equivalent_h(count, plan.known("target_fit"))


def _slowest(plan: Plan, acceleration: Acceleration) -> float:
    return acceleration.slowest(plan.known("temp_c"), plan.known("supply_v"))


def _needed(name: Quantity, value: float) -> float | None:
    """A value that must be reached, inside the limits: raised to the lower one, refused above the upper one."""
    low, high = LIMITS[name]
    return max(value, low) if value <= high else None


def _chips(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> int | None:
    per_chip_h = plan.known("hours") * _slowest(plan, acceleration)
    needed = _needed("chips", _required_h(plan, upper_count) / per_chip_h)
    if needed is None:
        return None
    return max(math.ceil(needed * (1 - _TIE)), int(plan.known("failures")) + 1)


def _hours(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    per_hour_h = plan.known("chips") * _slowest(plan, acceleration)
    return _needed("hours", _required_h(plan, upper_count) / per_hour_h)


def _temp_c(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    chip_hours = plan.known("chips") * plan.known("hours")
    return acceleration.least_temp_c(_required_h(plan, upper_count) / chip_hours, plan.known("supply_v"))


def _supply_v(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    chip_hours = plan.known("chips") * plan.known("hours")
    supply_v = acceleration.least_supply_v(_required_h(plan, upper_count) / chip_hours, plan.known("temp_c"))
    return None if supply_v is None else _needed("supply_v", supply_v)


def _target_fit(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    count = upper_count(int(plan.known("failures")), plan.known("confidence"))
    equivalent_h = plan.known("chips") * plan.known("hours") * _slowest(plan, acceleration)
    return _needed("target_fit", count * FIT_PER_HOUR / equivalent_h)


def _failures(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> int | None:
    """The most failures, by bisection: the count rises with them and always lies above them."""
    confidence = plan.known("confidence")
    expected = plan.expected_at_target(acceleration) * (1 + _TIE)
    if upper_count(0, confidence) > expected:
        return None
    most = min(int(plan.known("chips")) - 1, int(LIMITS["failures"][1]))
    good, bad = 0, most + 1
    while bad - good > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if upper_count(middle, confidence) <= expected else (good, middle)
    return good


def _confidence(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    """The highest confidence; sought on the scale of ``-log(1 - C)``, where the counts are smooth up to 1."""
    failures = int(plan.known("failures"))
    expected = plan.expected_at_target(acceleration)

    def excess(scale: float) -> float:
        return upper_count(failures, -math.expm1(-scale)) - expected

    low, high = (-math.log1p(-limit) for limit in LIMITS["confidence"])
    if excess(low) > 0:
        return None
    if excess(high) <= 0:
        return LIMITS["confidence"][1]
    return -math.expm1(-float(brentq(excess, low, high, xtol=1e-14, rtol=1e-14)))


_SOLVERS: dict[Quantity, Callable[[Plan, Acceleration, UpperCount], float | int | None]] = {
    "chips": _chips,
    "hours": _hours,
    "temp_c": _temp_c,
    "supply_v": _supply_v,
    "failures": _failures,
    "confidence": _confidence,
    "target_fit": _target_fit,
}
