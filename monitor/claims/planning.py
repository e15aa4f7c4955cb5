"""Planning a campaign: any one of its quantities from all the others.

One relation holds them together. A campaign of ``chips`` that run ``hours`` at a stress (T, V) with at most r
``failures`` shows the target rate at confidence C when, for every mechanism,

    ``c(r, C) <= target_fit / 1e9 x chips x hours x AF(T, V)``.

``c(r, C)`` is the upper bound on the expected count, of either kind: the fixed-look one (``poisson_upper_count``; the
trade's chi-square, JESD85) for one look at a time fixed in advance, the anytime one (``anytime_upper_count``) for any
number of looks. The mechanism that asks for the most chip-hours decides: the slowest, as a rule. Where an activation
energy is stated with its uncertainty, AF is the worst factor and C is what is left to the count (``slowest``).

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
from monitor.claims.coverage import H_PER_YEAR, field_hours
from monitor.claims.slowest import TEMP_LIMITS_C, Acceleration, Pace
from monitor.claims.stopping import pass_probability
from monitor.claims.target import required_equivalent_h

UpperCount = Callable[[int, float], float]
"""A bound on the expected count from failures and confidence: ``poisson_upper_count``, ``anytime_upper_count``."""

Quantity = Literal["chips", "hours", "temp_c", "supply_v", "failures", "confidence", "target_fit"]

LIMITS: dict[Quantity, tuple[float, float]] = {
    "chips": (1, 1_000_000),
    "hours": (0.001, 1e7),
    "temp_c": TEMP_LIMITS_C,
    "supply_v": (0.001, 1000.0),
    "failures": (0, 1000),
    "confidence": (0.01, 0.999999),
    "target_fit": (1e-6, 1e9),
}
"""What each quantity may be, both ends included; what is solved for stays inside too."""

_WHOLE = ("chips", "failures")
_TIE = 1e-12  # relative; equal but for rounding


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


@dataclass(frozen=True, slots=True)
class Demand:
    """What the target asks of a mechanism at the planned stress.

    A bound of ``count`` expected failures at ``count_confidence``, hence ``chip_hours`` of stress at the factor of the
    ``pace``.
    """

    pace: Pace
    count_confidence: float
    count: float
    chip_hours: float


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


def demands(
    plan: Plan, acceleration: Acceleration, upper_count: UpperCount, failures: int | None = None
) -> tuple[Demand, ...]:
    """What the target asks of every mechanism; with other ``failures`` than planned where they are given.

    Chips and hours play no part. Raises ValueError as ``Acceleration.paces`` does.
    """
    return _demands(plan, _claimed(plan, acceleration), upper_count, failures)


def hours_by_failures(
    plan: Plan, acceleration: Acceleration, upper_count: UpperCount, most: int
) -> tuple[float, ...]:
    """The price of a failure: hours until the target is met with 0, 1, ... ``most`` failures, all else as planned."""
    _checks.count("most", most)
    claimed, chips = _claimed(plan, acceleration), plan.known("chips")
    return tuple(
        max(demand.chip_hours for demand in _demands(plan, claimed, upper_count, failures)) / chips
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
        paces = acceleration.paces(temp_c, supply_v, plan.known("confidence"))
        factors = tuple(pace.factor for pace in paces)
        hours = None if solved is None else solved.hours
        found.append(Candidate(temp_c, supply_v, factors, hours, life_h / min(factors)))
    return tuple(found)


# One solver a quantity


def _counts(
    plan: Plan, confidences: Sequence[float], upper_count: UpperCount, failures: int | None = None
) -> list[float]:
    allowed = int(plan.known("failures")) if failures is None else failures
    by_confidence = {confidence: upper_count(allowed, confidence) for confidence in set(confidences)}
    return [by_confidence[confidence] for confidence in confidences]


def _claimed(plan: Plan, acceleration: Acceleration) -> list[tuple[Pace, float]]:
    """Every mechanism as it may be claimed, and the confidence left to its count; failures play no part."""
    confidence = plan.known("confidence")
    paces = acceleration.paces(plan.known("temp_c"), plan.known("supply_v"), confidence)
    return list(zip(paces, acceleration.count_confidences(confidence), strict=True))


def _demands(
    plan: Plan, claimed: Sequence[tuple[Pace, float]], upper_count: UpperCount, failures: int | None
) -> tuple[Demand, ...]:
    target_fit = plan.known("target_fit")
    counts = _counts(plan, [level for _, level in claimed], upper_count, failures)
    return tuple(
        Demand(pace, level, count, required_equivalent_h(count, target_fit) / pace.factor)
        for (pace, level), count in zip(claimed, counts, strict=True)
    )


def _chip_hours(
    plan: Plan, acceleration: Acceleration, upper_count: UpperCount, failures: int | None = None
) -> float:
    """What the mechanism that decides asks for."""
    return max(demand.chip_hours for demand in demands(plan, acceleration, upper_count, failures))


def _planned_chip_hours(plan: Plan) -> float:
    return plan.known("chips") * plan.known("hours")


def _needed_factors(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> list[float]:
    levels = acceleration.count_confidences(plan.known("confidence"))
    return [
        required_equivalent_h(count, plan.known("target_fit")) / _planned_chip_hours(plan)
        for count in _counts(plan, levels, upper_count)
    ]


def _needed(name: Quantity, value: float) -> float | None:
    """A value that must be reached, inside the limits: raised to the lower one, refused above the upper one."""
    low, high = LIMITS[name]
    return max(value, low) if value <= high else None


def _chips(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> int | None:
    needed = _needed("chips", _chip_hours(plan, acceleration, upper_count) / plan.known("hours"))
    if needed is None:
        return None
    return max(math.ceil(needed * (1 - _TIE)), int(plan.known("failures")) + 1)


def _hours(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    return _needed("hours", _chip_hours(plan, acceleration, upper_count) / plan.known("chips"))


def _temp_c(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    factors = _needed_factors(plan, acceleration, upper_count)
    return acceleration.least_temp_c(factors, plan.known("supply_v"), plan.known("confidence"))


def _supply_v(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    factors = _needed_factors(plan, acceleration, upper_count)
    supply_v = acceleration.least_supply_v(factors, plan.known("temp_c"), plan.known("confidence"))
    return None if supply_v is None else _needed("supply_v", supply_v)


def _target_fit(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    at_1_fit = _chip_hours(replace(plan, target_fit=1.0), acceleration, upper_count)
    return _needed("target_fit", at_1_fit / _planned_chip_hours(plan))


def _failures(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> int | None:
    """The most failures, by bisection: the chip-hours asked for rise with them, and no count lies below them."""
    planned = _planned_chip_hours(plan) * (1 + _TIE)
    if _chip_hours(plan, acceleration, upper_count, 0) > planned:
        return None
    most = min(int(plan.known("chips")) - 1, int(LIMITS["failures"][1]))
    good, bad = 0, most + 1
    while bad - good > 1:
        middle = (good + bad) // 2
        enough = _chip_hours(plan, acceleration, upper_count, middle) <= planned
        good, bad = (middle, bad) if enough else (good, middle)
    return good


def _confidence(plan: Plan, acceleration: Acceleration, upper_count: UpperCount) -> float | None:
    """The highest confidence: the chip-hours asked for rise with it.

    Both the counts do and, where an activation energy has a normal error, the limit it is taken at falls. Sought on the
    scale of ``-log(1 - C)``, where the counts are smooth up to 1.
    """
    least, most = LIMITS["confidence"]

    def excess(scale: float) -> float:
        at = replace(plan, confidence=min(max(-math.expm1(-scale), least), most))
        return _chip_hours(at, acceleration, upper_count) / _planned_chip_hours(plan) - 1

    low, high = (-math.log1p(-limit) for limit in (least, most))
    if excess(low) > 0:
        return None
    if excess(high) <= 0:
        return most
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
