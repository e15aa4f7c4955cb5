"""``lifebound plan``: any one quantity of a campaign from all the others, by both kinds of bound."""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

import msgspec

from monitor.campaign import load
from monitor.claims import (
    Mechanism,
    UseCondition,
    anytime_upper_count,
    field_hours,
    poisson_upper_count,
)
from monitor.claims.bounds import FIT_PER_HOUR
from monitor.claims.planning import (
    DOUBTFUL_FACTOR,
    LIMITS,
    Acceleration,
    Candidate,
    Plan,
    Quantity,
    UpperCount,
    chance_of_passing,
    chance_of_passing_watched,
    compare,
    covered_years,
    hours_by_failures,
    solve,
)
from monitor.claims.samples import binomial_sample_size, jedec_sample_size, poisson_sample_size
from monitor.faces.terminal.text import (
    ANY_TIME,
    ONE_LOOK,
    capital,
    count,
    lower,
    nearest,
    percent,
    setting,
    share,
    upper,
)
from shared.errors import InputError

DONE, NO = 0, 1
_ASKED = "?"
_SHARES = (0.1, 0.2, 0.5, 1.0, 2.0)  # true rates over the target
_PRICED_BEYOND = 2  # failures beyond those allowed
_DEFECTIVE = (0.10, 0.07, 0.05, 0.03, 0.02, 0.015, 0.01)
_SAMPLE_FAILURES = range(5)
_USUAL_CONFIDENCE = 0.9  # of the table of sample sizes where none is stated

_OPTIONS: dict[Quantity, str] = {
    "chips": "chips",
    "hours": "hours",
    "temp_c": "temp",
    "supply_v": "supply",
    "failures": "failures",
    "confidence": "confidence",
    "target_fit": "target",
}
_LIFE: Literal["life_years"] = "life_years"
Asked = Quantity | Literal["life_years"]
_OF_THE_PART: dict[str, tuple[float, float]] = {  # what a campaign file says instead
    "ea": (-1.0, 5.0),
    "gamma": (0.0, 100.0),
    "exponent": (0.0, 200.0),
    "use_temp": LIMITS["temp_c"],
    "use_supply": LIMITS["supply_v"],
    "self_heating": (0.0, 200.0),
    "mixture_rate": (0.0, 50.0),
}
_RANGES: dict[str, tuple[float, float]] = {
    **{option: LIMITS[name] for name, option in _OPTIONS.items()},
    **_OF_THE_PART,
    _LIFE: (0.001, 1000.0),
}
_ASSUMED = "Every chip is under stress for all the hours: a failed one is replaced, or its hours are made up."


# What is asked


@dataclass(frozen=True, slots=True)
class Question:
    """A plan with one unknown (or, where the field life is asked for, with more) and all it is reckoned by."""

    plan: Plan
    unknown: Asked
    acceleration: Acceleration
    mixture_rate: float
    life_years: float | None
    supply_matters: bool
    notes: tuple[str, ...]

    @property
    def bounds(self) -> dict[str, UpperCount]:
        """Both kinds of bound."""
        return {
            "one_look": poisson_upper_count,
            "any_time": partial(anytime_upper_count, mixture_rate=self.mixture_rate),
        }


class MechanismLine(msgspec.Struct, frozen=True):
    """A mechanism at the planned stress; the life is None where none is stated."""

    name: str
    acceleration: float
    life_stress_h: float | None
    covered_years: float


class Price(msgspec.Struct, frozen=True):
    """Hours until the target is met with so many failures."""

    failures: int
    hours: float


class Chance(msgspec.Struct, frozen=True):
    """Chance of passing at a true rate."""

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
    equivalent_h: float
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

    share_defective: float
    failures: int
    binomial: int
    poisson: int
    jedec: int


class Answer(msgspec.Struct, frozen=True):
    """Everything that ``plan`` says; a bound is None where nothing inside the limits does, or none is asked for."""

    unknown: str | None
    life_years: float | None
    confidence: float | None
    one_look: Planned | None
    any_time: Planned | None
    mechanisms: list[MechanismLine]  # where the field life is asked for
    stresses: list[Stress]
    sample_sizes: list[SampleSize]
    notes: list[str]


def run(args: argparse.Namespace) -> int:
    """Print the plan; the answer is "no" where neither bound can be met."""
    if args.sample_sizes and _asks_for_sizes_alone(args):
        confidence = _sizes_confidence(args.confidence)
        _print(args, Answer(None, None, confidence, None, None, [], [], _sizes(confidence), []), None)
        return DONE
    question = read(args)
    try:
        answer = reply(question, args)
    except ValueError as error:
        raise InputError(str(error)) from None
    _print(args, answer, question)
    solved = answer.one_look or answer.any_time or answer.mechanisms
    return DONE if solved else NO


def _print(args: argparse.Namespace, answer: Answer, question: Question | None) -> None:
    print(msgspec.json.encode(answer).decode() if args.json else explain(answer, question))


# Reading the options


def read(args: argparse.Namespace) -> Question:
    """The question; values of the options win over those of the campaign file. Raises InputError."""
    for option in _RANGES:
        _check_range(option, getattr(args, option))
    values: dict[Asked, Any] = {name: getattr(args, option) for name, option in _OPTIONS.items()}
    values[_LIFE] = args.life_years
    if args.campaign is not None:
        acceleration, mixture_rate, notes = _from_campaign(args, values)
    else:
        acceleration, mixture_rate, notes = _from_options(args, values), args.mixture_rate, ()
    matters = any(m.gamma_per_v or m.voltage_exponent for m in acceleration.mechanisms)
    if values["supply_v"] is None and not matters:
        values["supply_v"] = acceleration.profile[0].supply_v
    unknown = _unknown(values)
    life_years = None if values[_LIFE] == _ASKED else values.pop(_LIFE)
    _check_can_be_found(unknown, acceleration)
    return Question(
        plan=_plan({name: None if values[name] == _ASKED else values[name] for name in _OPTIONS}),
        unknown=unknown,
        acceleration=acceleration,
        mixture_rate=5.0 if mixture_rate is None else mixture_rate,
        life_years=life_years,
        supply_matters=matters,
        notes=notes,
    )


def _plan(values: dict[str, Any]) -> Plan:
    for name in ("chips", "failures"):
        if values[name] is not None:
            values[name] = int(values[name])
    try:
        return Plan(**values)
    except ValueError as error:
        raise InputError(str(error)) from None


def _check_range(option: str, value: float | str | None) -> None:
    if value is None or isinstance(value, str):
        return
    low, high = _RANGES[option]
    whole = option in {"chips", "failures"}
    if not low <= value <= high or (whole and value != int(value)):
        kind = "a whole number" if whole else "a number"
        raise InputError(f"{_flag(option)} {value:g}: {kind} from {low:,.7g} to {high:,.7g} is allowed")


def _flag(option: str) -> str:
    return f"--{option.replace('_', '-')}"


def _from_campaign(
    args: argparse.Namespace, values: dict[Asked, Any]
) -> tuple[Acceleration, float, tuple[str, ...]]:
    """Fill in what the file says and no option does."""
    for option in _OF_THE_PART:
        if getattr(args, option) is not None:
            raise InputError(
                f"{_flag(option)}: stands in the campaign file; change it there, or plan without the file"
            )
    campaign = load(Path(args.campaign))
    written: dict[Asked, Any] = {
        "chips": len(campaign.chips),
        "hours": campaign.planned_hours,
        "temp_c": float(campaign.stress.temp_c),
        "supply_v": float(campaign.stress.supply_v),
        "failures": campaign.claims.failures_allowed or 0,
        "confidence": max(campaign.confidence),
        "target_fit": campaign.target_fit,
        _LIFE: campaign.use.life_years,
    }
    for name, value in written.items():
        if values[name] is None:
            values[name] = value
    acceleration = Acceleration(
        campaign.mechanisms, campaign.use.profile, float(campaign.stress.self_heating_c)
    )
    uncertain = [m.name for m, e in zip(campaign.mechanisms, campaign.energies, strict=True) if e is not None]
    notes = (
        (f"Planned at the stated Ea; its stated uncertainty ({', '.join(uncertain)}) asks for more hours.",)
        if uncertain
        else ()
    )
    return acceleration, campaign.claims.mixture_rate, notes


def _from_options(args: argparse.Namespace, values: dict[Asked, Any]) -> Acceleration:
    for option in ("ea", "use_temp"):
        if getattr(args, option) is None:
            raise InputError(f"{_flag(option)}: is needed, or a campaign file with --campaign")
    gamma, exponent = args.gamma or 0.0, args.exponent or 0.0
    if gamma and exponent:
        raise InputError("--gamma and --exponent: give one voltage term or none")
    if (gamma or exponent) and args.use_supply is None:
        raise InputError("--use-supply: is needed with a voltage term")
    stated_v = values["supply_v"] if isinstance(values["supply_v"], float) else 1.0
    use_v = stated_v if args.use_supply is None else args.use_supply
    heating_c = args.self_heating or 0.0
    return Acceleration(
        (Mechanism(f"Ea {args.ea:g} eV", args.ea, gamma, exponent),),
        (UseCondition(1.0, args.use_temp, use_v, heating_c),),
        heating_c,
    )


def _unknown(values: dict[Asked, Any]) -> Asked:
    """The one quantity that is asked for: given as ?, or the only one left out. No failure is allowed unless stated."""
    asked = [name for name, value in values.items() if value == _ASKED]
    if len(asked) > 1:
        raise InputError(f"{_flags(asked)}: one quantity can be asked for at a time")
    missing: list[Asked] = [name for name in _OPTIONS if values[name] is None]
    if "failures" in missing and (asked or len(missing) > 1):
        values["failures"] = 0
        missing.remove("failures")
    if asked == [_LIFE]:
        missing = [name for name in missing if name in {"hours", "temp_c", "supply_v"}]
    if not asked and not missing:
        raise InputError("nothing is asked for: give one quantity as '?', such as --hours '?'")
    if asked and missing:
        raise InputError(f"{_flags(missing)}: must be given")
    if len(missing) > 1:
        raise InputError(f"{_flags(missing)}: must be given, but for one that is asked for with '?'")
    return (asked or missing)[0]


def _flags(names: Iterable[Asked]) -> str:
    return ", ".join(_flag(_LIFE if name == _LIFE else _OPTIONS[name]) for name in names)


def _check_can_be_found(unknown: Asked, acceleration: Acceleration) -> None:
    mechanisms = acceleration.mechanisms
    if unknown == "temp_c" and not any(m.ea_ev > 0 for m in mechanisms):
        raise InputError("--temp ?: no mechanism runs faster when hotter; an Ea above 0 is needed")
    if unknown == "supply_v" and not any(m.gamma_per_v or m.voltage_exponent for m in mechanisms):
        raise InputError("--supply ?: no mechanism has a voltage term; give --gamma or --exponent")


def _asks_for_sizes_alone(args: argparse.Namespace) -> bool:
    others = {*_OPTIONS.values(), *_OF_THE_PART, "life_years", "campaign"} - {"confidence"}
    return all(getattr(args, option) is None for option in others) and not args.compare


def _sizes_confidence(value: float | str | None) -> float:
    _check_range("confidence", value)
    return value if isinstance(value, float) else _USUAL_CONFIDENCE


# The reply


def reply(question: Question, args: argparse.Namespace) -> Answer:
    """Solve the question. Raises ValueError where the models do not hold."""
    plans = {kind: _solved(question, upper_count) for kind, upper_count in question.bounds.items()}
    stated = question.plan.confidence
    return Answer(
        unknown=question.unknown,
        life_years=question.life_years,
        confidence=stated,
        one_look=_planned(question, "one_look", plans["one_look"]),
        any_time=_planned(question, "any_time", plans["any_time"]),
        mechanisms=_mechanisms(question, question.plan) if question.unknown == _LIFE else [],
        stresses=_stresses(question, plans, args.compare),
        sample_sizes=_sizes(_sizes_confidence(stated)) if args.sample_sizes else [],
        notes=list(question.notes),
    )


def _solved(question: Question, upper_count: UpperCount) -> Plan | None:
    if question.unknown == _LIFE:
        return None
    return solve(question.plan, question.acceleration, upper_count)


def _planned(question: Question, kind: str, plan: Plan | None) -> Planned | None:
    if plan is None:
        return None
    upper_count, acceleration = question.bounds[kind], question.acceleration
    failures, confidence, target_fit = (
        int(plan.known("failures")),
        plan.known("confidence"),
        plan.known("target_fit"),
    )
    expected = plan.expected_at_target(acceleration)
    passing = (
        partial(chance_of_passing, failures=failures, expected_at_target=expected)
        if kind == "one_look"
        else partial(
            chance_of_passing_watched,
            failures=failures,
            expected_at_target=expected,
            confidence=confidence,
            upper_count=upper_count,
        )
    )
    mechanisms = _mechanisms(question, plan)
    hours = hours_by_failures(plan, acceleration, upper_count, failures + _PRICED_BEYOND)
    return Planned(
        chips=int(plan.known("chips")),
        hours=plan.known("hours"),
        temp_c=plan.known("temp_c"),
        supply_v=_supply(question, plan.supply_v),
        failures=failures,
        confidence=confidence,
        target_fit=target_fit,
        fit_upper=upper_count(failures, confidence) * target_fit / expected,
        equivalent_h=expected * FIT_PER_HOUR / target_fit,
        covered_years=min(line.covered_years for line in mechanisms),
        mechanisms=mechanisms,
        price=list(itertools.starmap(Price, enumerate(hours))),
        passing=[Chance(part, passing(part)) for part in _SHARES],
    )


def _supply(question: Question, supply_v: float | None) -> float | None:
    """None where it changes nothing: then nobody needs to have stated it."""
    return supply_v if question.supply_matters else None


def _mechanisms(question: Question, plan: Plan) -> list[MechanismLine]:
    factors = question.acceleration.factors(plan.known("temp_c"), plan.known("supply_v"))
    life_h = None if question.life_years is None else field_hours(question.life_years)
    return [
        MechanismLine(
            name=mechanism.name,
            acceleration=factor,
            life_stress_h=None if life_h is None else life_h / factor,
            covered_years=covered_years(plan.known("hours"), factor),
        )
        for mechanism, factor in zip(question.acceleration.mechanisms, factors, strict=True)
    ]


def _stresses(question: Question, plans: dict[str, Plan | None], asked: list[str]) -> list[Stress]:
    if not asked:
        return []
    if question.unknown == _LIFE or any(plan is None for plan in plans.values()):
        raise InputError("--compare: the plan itself must have an answer by both bounds")
    where = [_stress(text, question.plan.supply_v) for text in asked]
    years = question.life_years or 1.0  # of no life stated, no hours are shown
    by_kind = [
        compare(_known(plans[kind]), question.acceleration, upper_count, where, years)
        for kind, upper_count in question.bounds.items()
    ]
    return [_compared(question, *pair) for pair in zip(*by_kind, strict=True)]


def _known(plan: Plan | None) -> Plan:
    assert plan is not None
    return plan


def _compared(question: Question, one_look: Candidate, any_time: Candidate) -> Stress:
    return Stress(
        temp_c=one_look.temp_c,
        supply_v=_supply(question, one_look.supply_v),
        accelerations=list(one_look.factors),
        hours_one_look=one_look.hours,
        hours_any_time=any_time.hours,
        life_stress_h=None if question.life_years is None else one_look.life_h,
        doubtful=max(one_look.factors) > DOUBTFUL_FACTOR,
    )


def _stress(text: str, usual_v: float | None) -> tuple[float, float]:
    """``TEMP,SUPPLY``; the plan's supply where only a temperature is given."""
    try:
        temp_text, comma, supply_text = text.partition(",")
        temp_c, supply_v = float(temp_text), float(supply_text) if comma else usual_v
    except ValueError:
        raise InputError(f"--compare {text}: give TEMP,SUPPLY, such as 150,1.98") from None
    if supply_v is None:
        raise InputError(f"--compare {text}: the supply is asked for; give TEMP,SUPPLY, such as 150,1.98")
    for name, value, (low, high) in (
        ("temperature", temp_c, LIMITS["temp_c"]),
        ("supply", supply_v, LIMITS["supply_v"]),
    ):
        if not low <= value <= high:
            raise InputError(f"--compare {text}: a {name} from {low:g} to {high:g} is allowed")
    return temp_c, supply_v


def _sizes(confidence: float) -> list[SampleSize]:
    return [
        SampleSize(
            part,
            failures,
            binomial_sample_size(part, confidence, failures),
            poisson_sample_size(part, confidence, failures),
            jedec_sample_size(part, confidence, failures),
        )
        for part in _DEFECTIVE
        for failures in _SAMPLE_FAILURES
    ]


# The reply as text


@dataclass(frozen=True, slots=True)
class _Face:
    """How a quantity is named and written; what to say where there is none; which way an answer is rounded."""

    label: str
    answer: str
    none: str
    unit: str = ""
    rounded: Callable[[float, int], str] = upper

    def stated(self, value: float) -> str:
        """As somebody wrote it."""
        return setting(value) + self.unit

    def found(self, value: float) -> str:
        """As it was reckoned, rounded to the safe side."""
        return self.rounded(_tidy(value), 4) + self.unit


class _Chips(_Face):
    def stated(self, value: float) -> str:
        return count(int(value), "chip")

    found = stated


class _Failures(_Face):
    def stated(self, value: float) -> str:
        return count(int(value), "failure") if value else "no failure"

    found = stated


class _Confidence(_Face):
    def stated(self, value: float) -> str:
        return percent(value)

    def found(self, value: float) -> str:
        return f"{lower(_tidy(100 * value), 4)} %"


_FACES: dict[Quantity, _Face] = {
    "target_fit": _Face("target", "Failure rate shown", "no target up to 1e9 FIT", " FIT"),
    "confidence": _Confidence("confidence", "Confidence reached", "not even 1 %"),
    "chips": _Chips("chips", "Needed", "no number of chips up to 1,000,000"),
    "hours": _Face("hours", "Stress needed", "no time up to 10,000,000 h", " h"),
    "temp_c": _Face("temperature", "Stress temperature needed", "no temperature up to 400 C", " C"),
    "supply_v": _Face("supply", "Stress supply needed", "no supply up to ten times that of use", " V"),
    "failures": _Failures("failures allowed", "Allowed", "not even a plan without a failure"),
}


def explain(answer: Answer, question: Question | None) -> str:
    """The reply as text; the answer itself comes first."""
    blocks = [] if question is None else _reply_blocks(answer, question)
    blocks.append(_size_table(answer))
    blocks.append([f"  {note}" for note in answer.notes])
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _reply_blocks(answer: Answer, question: Question) -> list[list[str]]:
    unknown = question.unknown
    if unknown == "life_years":
        return [_life_sentence(answer, question), _life_table(answer)]
    return [_sentence(answer, question, unknown), *_plan_blocks(answer)]


def _sentence(answer: Answer, question: Question, unknown: Quantity) -> list[str]:
    face = _FACES[unknown]
    one_look, any_time = (
        None if planned is None else face.found(getattr(planned, unknown))
        for planned in (answer.one_look, answer.any_time)
    )
    if one_look is None:  # any number of looks asks for more still
        said = f"{capital(face.none)} is enough, be it for one look or for any number of looks"
    elif any_time is None:
        said = f"{face.answer}: {one_look} for {ONE_LOOK};\nfor any number of looks {face.none} is enough"
    else:
        said = f"{face.answer}: {one_look} for {ONE_LOOK}, {any_time} for any number of looks"
    return [f"{said};", f"at {_givens(question, _FACES)}."]


def _life_sentence(answer: Answer, question: Question) -> list[str]:
    years = lower(_tidy(min(line.covered_years for line in answer.mechanisms)))
    return [f"Field life covered: {years} years; by {_givens(question, ('hours', 'temp_c', 'supply_v'))}."]


def _givens(question: Question, names: Iterable[Quantity]) -> str:
    values = {name: getattr(question.plan, name) for name in names}
    if not question.supply_matters:
        values["supply_v"] = None
    return ", ".join(_FACES[name].stated(value) for name, value in values.items() if value is not None)


def _plan_blocks(answer: Answer) -> Iterator[list[str]]:
    found = [planned for planned in (answer.one_look, answer.any_time) if planned is not None]
    if not found:
        return
    yield _plan_table(answer, found)
    for planned in {(p.temp_c, p.supply_v): p for p in found}.values():
        yield _mechanism_table(planned, answer)
    yield _price_table(answer, found)
    yield _passing_table(answer)
    yield _stress_table(answer)
    yield [f"  One look: for {ONE_LOOK}. Any time: {ANY_TIME}.", f"  {_ASSUMED}", *_doubts(found)]


_Cell = Callable[[Planned], str]


def _row(label: str, answer: Answer, cell: _Cell) -> str:
    cells = ("-" if planned is None else cell(planned) for planned in (answer.one_look, answer.any_time))
    return _columns(label, *cells)


def _columns(label: str, *cells: str) -> str:
    return f"    {label:<24}" + "".join(f"{cell:>18}" for cell in cells)


def _cell(name: Quantity, answer: Answer) -> _Cell:
    face = _FACES[name]
    write = face.found if name == answer.unknown else face.stated
    return lambda planned: write(getattr(planned, name))


def _plan_table(answer: Answer, found: list[Planned]) -> list[str]:
    names = [name for name in _FACES if getattr(found[0], name) is not None]
    return [
        _columns("plan", "one look", "any time"),
        *(_row(_FACES[name].label, answer, _cell(name, answer)) for name in names),
        _row("bound at the end", answer, lambda p: f"{upper(_tidy(p.fit_upper), 4)} FIT"),
        _row("equivalent chip-hours", answer, lambda p: lower(_tidy(p.equivalent_h), 4)),
        _row("field life covered", answer, lambda p: f"{lower(_tidy(p.covered_years))} years"),
    ]


def _mechanism_table(planned: Planned, answer: Answer) -> list[str]:
    where = [_cell("temp_c", answer)(planned)]
    if planned.supply_v is not None:
        where.append(_cell("supply_v", answer)(planned))
    life = [] if answer.life_years is None else [f"{setting(answer.life_years)} years take"]
    return [
        f"  Acceleration at {', '.join(where)}; the slowest mechanism decides",
        _columns("mechanism", "acceleration", *life),
        *(
            _columns(m.name, nearest(m.acceleration, 4), *_life_h(m.life_stress_h))
            for m in planned.mechanisms
        ),
    ]


def _life_h(hours: float | None) -> list[str]:
    return [] if hours is None else [f"{upper(_tidy(hours), 4)} h"]


def _life_table(answer: Answer) -> list[str]:
    return [
        _columns("mechanism", "acceleration", "years covered"),
        *(
            _columns(m.name, nearest(m.acceleration, 4), lower(_tidy(m.covered_years)))
            for m in answer.mechanisms
        ),
    ]


def _price_table(answer: Answer, found: list[Planned]) -> list[str]:
    def cell(index: int) -> _Cell:
        return lambda p: f"{upper(_tidy(p.price[index].hours), 4)} h" if index < len(p.price) else "-"

    most = max(len(planned.price) for planned in found)
    return [
        "  What a failure costs: hours of stress until the target is met",
        _columns("failures", "one look", "any time"),
        *(_row(str(failures), answer, cell(failures)) for failures in range(most)),
    ]


def _passing_table(answer: Answer) -> list[str]:
    def cell(index: int) -> _Cell:
        return lambda planned: f"{100 * planned.passing[index].chance:.2f} %"

    return [
        "  Chance of passing, if the true rate is so much of the target",
        _columns("true rate", "one look", "any time"),
        *(_row(share(part), answer, cell(index)) for index, part in enumerate(_SHARES)),
    ]


def _stress_table(answer: Answer) -> list[str]:
    if not answer.stresses:
        return []
    life = [] if answer.life_years is None else [f"{setting(answer.life_years)} years take"]
    return [
        "  Other stresses with the same chips: hours until the target is met, acceleration of each mechanism",
        _columns("stress", "one look", "any time", *life),
        *(_stress_row(stress) for stress in answer.stresses),
    ]


def _stress_row(stress: Stress) -> str:
    at_v = "" if stress.supply_v is None else f", {setting(stress.supply_v)} V"
    hours = (
        "-" if h is None else f"{upper(_tidy(h), 4)} h"
        for h in (stress.hours_one_look, stress.hours_any_time)
    )
    row = _columns(f"{setting(stress.temp_c)} C{at_v}", *hours, *_life_h(stress.life_stress_h))
    factors = ", ".join(nearest(factor) for factor in stress.accelerations)
    return f"{row}   {factors}{' (doubtful)' if stress.doubtful else ''}"


def _size_table(answer: Answer) -> list[str]:
    if not answer.sample_sizes:
        return []
    confidence = percent(_USUAL_CONFIDENCE if answer.confidence is None else answer.confidence)
    sizes = {(s.share_defective, s.failures): f"{s.binomial:,} ({s.poisson:,})" for s in answer.sample_sizes}
    return [
        f"  Chips that show at most so many defective at {confidence}: exact binomial (Poisson form)",
        f"    {'failures allowed':<18}" + "".join(f"{failures:>16}" for failures in _SAMPLE_FAILURES),
        *(
            f"    {share(part) + ' defective':<18}"
            + "".join(f"{sizes[part, n]:>16}" for n in _SAMPLE_FAILURES)
            for part in _DEFECTIVE
        ),
    ]


def _doubts(found: Iterable[Planned]) -> list[str]:
    names = {m.name for planned in found for m in planned.mechanisms if m.acceleration > DOUBTFUL_FACTOR}
    if not names:
        return []
    named = ", ".join(sorted(names))
    return [f"  warning: {named}: an acceleration above {DOUBTFUL_FACTOR:,.0f} rests on the model alone"]


def _tidy(value: float) -> float:
    """Without the last digits: they would push a whole number over the edge when it is rounded up or down."""
    return float(f"{value:.10g}")
