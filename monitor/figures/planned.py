"""A campaign before there is one: any quantity from all the others, by both kinds of bound, and what it would cost."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import msgspec

from monitor.claims import FIT_PER_HOUR, anytime_upper_count, field_hours, poisson_upper_count, weaknesses
from monitor.claims.acceleration import HIGHEST_USUAL_FACTOR
from monitor.claims.planning import (
    LIMITS,
    Candidate,
    Demand,
    Plan,
    Quantity,
    UpperCount,
    chance_of_passing,
    chance_of_passing_watched,
    compare,
    covered_years,
    demands,
    hours_by_failures,
    solve,
)
from monitor.claims.samples import binomial_sample_size, jedec_sample_size, poisson_sample_size
from monitor.claims.slowest import Acceleration, Pace

Asked = Quantity | Literal["life_years"]
USUAL_CONFIDENCE = 0.9  # where none is stated and none is needed for a bound

_SHARES = (0.1, 0.2, 0.5, 1.0, 2.0)  # true rates over the target
_PRICED_BEYOND = 2  # failures beyond those allowed
_DEFECTIVE = (0.10, 0.07, 0.05, 0.03, 0.02, 0.015, 0.01)
_SAMPLE_FAILURES = range(5)


@dataclass(frozen=True, slots=True)
class Question:
    """A plan with one unknown (or, where the field life is asked for, with more) and all it is reckoned by."""

    plan: Plan
    unknown: Asked
    acceleration: Acceleration
    mixture_rate: float
    life_years: float | None
    stresses: tuple[tuple[float, float], ...] = ()  # to compare: temp_c, supply_v
    sizes: bool = False  # whether sample sizes are asked for too

    @property
    def supply_matters(self) -> bool:
        """Where it changes nothing, nobody needs to have stated it, and it is not shown."""
        return any(m.gamma_per_v or m.voltage_exponent for m in self.acceleration.mechanisms)

    @property
    def bounds(self) -> dict[str, UpperCount]:
        """Both kinds of bound."""
        return {
            "one_look": poisson_upper_count,
            "any_time": partial(anytime_upper_count, mixture_rate=self.mixture_rate),
        }


class MechanismLine(msgspec.Struct, frozen=True):
    """A mechanism at the planned stress, with the activation energy it is planned with."""

    name: str
    acceleration: float
    life_stress_h: float | None  # None where no life is stated
    covered_years: float
    ea_ev: float
    ea_stated_ev: float
    count_confidence: float  # what an error of the activation energy leaves to the count of failures


class Price(msgspec.Struct, frozen=True):
    """Hours until the target is met with so many failures."""

    failures: int
    hours: float


class Chance(msgspec.Struct, frozen=True):
    """Chance of passing at a true rate, where the activation energies are what they are stated to be."""

    truth_over_target: float
    chance: float


class Planned(msgspec.Struct, frozen=True):
    """The whole plan by one kind of bound."""

    chips: int
    hours: float
    temp_c: float
    supply_v: float | None
    failures: int
    confidence: float
    target_fit: float
    fit_upper: float
    equivalent_h: float  # of the mechanism that decides
    covered_years: float  # of the field, by the slowest mechanism
    mechanisms: list[MechanismLine]
    price: list[Price]
    passing: list[Chance]


class Stress(msgspec.Struct, frozen=True):
    """A stress that is compared."""

    temp_c: float
    supply_v: float | None
    accelerations: list[float]
    hours_one_look: float | None
    hours_any_time: float | None
    life_stress_h: float | None
    doubtful: bool  # an acceleration beyond what models are good for


class SampleSize(msgspec.Struct, frozen=True):
    """Chips that show at most so many defective."""

    confidence: float
    share_defective: float
    failures: int
    binomial: int
    poisson: int
    jedec: int


class Answer(msgspec.Struct, frozen=True):
    """Everything that ``plan`` says; a bound is None where nothing inside the limits does, or none is asked for."""

    unknown: Asked | None
    life_years: float | None
    confidence: float | None
    one_look: Planned | None = None
    any_time: Planned | None = None
    mechanisms: list[MechanismLine] = []  # where the field life is asked for
    stresses: list[Stress] = []
    sample_sizes: list[SampleSize] = []
    notes: list[str] = []  # what is legal but weak
    given: dict[str, float] = {}  # what the unknown was found from

    @property
    def solved(self) -> bool:
        """Whether there is an answer, by one kind of bound at least."""
        found = self.one_look or self.any_time or self.mechanisms or (self.unknown is None)
        return bool(found)


def sizes_alone(confidence: float) -> Answer:
    """Nothing but the table of sample sizes."""
    return Answer(None, None, confidence, sample_sizes=_sizes(confidence))


def reply(question: Question) -> Answer:
    """Solve the question. Raises ValueError where the models do not hold."""
    plan = question.plan
    asks_life = question.unknown == "life_years"
    plans: dict[str, Plan | None] = {
        kind: None if asks_life else solve(plan, question.acceleration, upper_count)
        for kind, upper_count in question.bounds.items()
    }
    planned = {kind: _planned(question, kind, found) for kind, found in plans.items() if found is not None}
    return Answer(
        unknown=question.unknown,
        life_years=question.life_years,
        confidence=plan.confidence,
        one_look=planned.get("one_look"),
        any_time=planned.get("any_time"),
        mechanisms=_mechanisms(question, plan) if asks_life else [],
        stresses=_stresses(question, plans),
        sample_sizes=_sizes(_confidence(plan)) if question.sizes else [],
        notes=_weaknesses(question, [plan] if asks_life else [found for found in plans.values() if found]),
        given=_given(question),
    )


def _given(question: Question) -> dict[str, float]:
    values = {name: getattr(question.plan, name) for name in LIMITS}
    if not question.supply_matters:
        del values["supply_v"]
    return {name: value for name, value in values.items() if value is not None}


def _planned(question: Question, kind: str, plan: Plan) -> Planned:
    upper_count, acceleration = question.bounds[kind], question.acceleration
    target_fit, failures = plan.known("target_fit"), int(plan.known("failures"))
    asked = demands(plan, acceleration, upper_count)
    slowest = max(asked, key=lambda demand: demand.chip_hours)  # the one that decides
    equivalent_h = plan.known("chips") * plan.known("hours") * slowest.pace.factor
    mechanisms = _mechanisms(question, plan)
    chance = _chance(question, kind, plan, slowest, target_fit / FIT_PER_HOUR * equivalent_h)
    hours = hours_by_failures(plan, acceleration, upper_count, failures + _PRICED_BEYOND)
    return Planned(
        chips=int(plan.known("chips")),
        hours=plan.known("hours"),
        temp_c=plan.known("temp_c"),
        supply_v=_supply(question, plan.supply_v),
        failures=failures,
        confidence=plan.known("confidence"),
        target_fit=target_fit,
        fit_upper=slowest.count * FIT_PER_HOUR / equivalent_h,
        equivalent_h=equivalent_h,
        covered_years=min(line.covered_years for line in mechanisms),
        mechanisms=mechanisms,
        price=list(itertools.starmap(Price, enumerate(hours))),
        passing=[Chance(part, chance(part)) for part in _SHARES],
    )


def _chance(
    question: Question, kind: str, plan: Plan, slowest: Demand, expected: float
) -> Callable[[float], float]:
    """The chance of passing by the true rate over the target.

    A part as stated fails faster under stress than one with the activation energy that is planned with.
    """
    stated = question.acceleration.factors(plan.known("temp_c"), plan.known("supply_v"))
    names = [mechanism.name for mechanism in question.acceleration.mechanisms]
    faster = stated[names.index(slowest.pace.mechanism.name)] / slowest.pace.factor
    failures = int(plan.known("failures"))

    def chance(part: float) -> float:
        if kind == "one_look":
            return chance_of_passing(part * faster, failures, expected)
        level, upper_count = slowest.count_confidence, question.bounds[kind]
        return chance_of_passing_watched(part * faster, failures, expected, level, upper_count)

    return chance


def _confidence(plan: Plan) -> float:
    return USUAL_CONFIDENCE if plan.confidence is None else plan.confidence


def _supply(question: Question, supply_v: float | None) -> float | None:
    return supply_v if question.supply_matters else None


def _paces(question: Question, plan: Plan) -> tuple[Pace, ...]:
    """No confidence need be stated where the field life is asked for: only a normal error hangs on it."""
    return question.acceleration.paces(plan.known("temp_c"), plan.known("supply_v"), _confidence(plan))


def _mechanisms(question: Question, plan: Plan) -> list[MechanismLine]:
    acceleration, hours = question.acceleration, plan.known("hours")
    life_h = None if question.life_years is None else field_hours(question.life_years)
    levels = acceleration.count_confidences(_confidence(plan))
    return [
        MechanismLine(
            name=stated.name,
            acceleration=pace.factor,
            life_stress_h=None if life_h is None else life_h / pace.factor,
            covered_years=covered_years(hours, pace.factor),
            ea_ev=pace.mechanism.ea_ev,
            ea_stated_ev=stated.ea_ev,
            count_confidence=level,
        )
        for stated, pace, level in zip(acceleration.mechanisms, _paces(question, plan), levels, strict=True)
    ]


def _weaknesses(question: Question, plans: Sequence[Plan]) -> list[str]:
    acceleration = question.acceleration
    found = {
        f"{pace.mechanism.name}: {weakness}": None
        for plan in plans
        for pace in _paces(question, plan)
        for weakness in weaknesses(
            pace.mechanism,
            acceleration.profile,
            plan.known("temp_c"),
            plan.known("supply_v"),
            acceleration.self_heating_c,
        )
    }
    return list(found)


def _stresses(question: Question, plans: dict[str, Plan | None]) -> list[Stress]:
    years = question.life_years or 1.0  # of no life stated, no hours are shown
    by_kind = [
        compare(plan, question.acceleration, question.bounds[kind], question.stresses, years)
        for kind, plan in plans.items()
        if plan is not None
    ]
    if question.stresses and len(by_kind) < len(plans):
        raise ValueError("--compare: the plan itself must have an answer by both bounds")
    return [_compared(question, *pair) for pair in zip(*by_kind, strict=True)]


def _compared(question: Question, one_look: Candidate, any_time: Candidate) -> Stress:
    return Stress(
        temp_c=one_look.temp_c,
        supply_v=_supply(question, one_look.supply_v),
        accelerations=list(one_look.factors),
        hours_one_look=one_look.hours,
        hours_any_time=any_time.hours,
        life_stress_h=None if question.life_years is None else one_look.life_h,
        doubtful=max(one_look.factors) > HIGHEST_USUAL_FACTOR,
    )


def _sizes(confidence: float) -> list[SampleSize]:
    return [
        SampleSize(
            confidence,
            part,
            failures,
            binomial_sample_size(part, confidence, failures),
            poisson_sample_size(part, confidence, failures),
            jedec_sample_size(part, confidence, failures),
        )
        for part in _DEFECTIVE
        for failures in _SAMPLE_FAILURES
    ]
