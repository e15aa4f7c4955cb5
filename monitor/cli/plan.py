"""``lifebound plan``: any one quantity of a campaign from all the others, by both kinds of bound."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import msgspec

from monitor.campaign import load
from monitor.claims import EaInterval, Energy, Mechanism, UseCondition
from monitor.claims.planning import LIMITS, Plan, Quantity
from monitor.claims.slowest import Acceleration
from monitor.faces.terminal.planning import explain
from monitor.figures.planned import USUAL_CONFIDENCE, Answer, Asked, Question, reply, sizes_alone
from shared.errors import InputError

DONE, NO = 0, 1
_ASKED = "?"
_USUAL_MIXTURE_RATE = 5.0

_OPTIONS: dict[Asked, str] = {
    "chips": "chips",
    "hours": "hours",
    "temp_c": "temp",
    "supply_v": "supply",
    "failures": "failures",
    "confidence": "confidence",
    "target_fit": "target",
    "life_years": "life_years",
}
_PLAN: list[Quantity] = list(LIMITS)
_FOR_A_LIFE = {"hours", "temp_c", "supply_v"}
_EA = (-1.0, 5.0)
_OF_THE_PART: dict[str, tuple[float, float]] = {  # what a campaign file says instead
    "ea": _EA,
    "ea_low": _EA,
    "ea_high": _EA,
    "gamma": (0.0, 100.0),
    "exponent": (0.0, 200.0),
    "use_temp": LIMITS["temp_c"],
    "use_supply": LIMITS["supply_v"],
    "self_heating": (0.0, 200.0),
    "mixture_rate": (0.0, 50.0),
}
_RANGES: dict[str, tuple[float, float]] = {
    **{_OPTIONS[name]: limits for name, limits in LIMITS.items()},
    **_OF_THE_PART,
    "life_years": (0.001, 1000.0),
}


def run(args: argparse.Namespace) -> int:
    """Print the plan; the answer is "no" where neither bound can be met."""
    for option in _RANGES:
        _check_range(option, getattr(args, option))
    try:
        answer = _answer(args)
    except ValueError as error:
        raise InputError(_by_option(str(error))) from None
    print(msgspec.json.encode(answer).decode() if args.json else explain(answer))
    return DONE if answer.solved else NO


def _answer(args: argparse.Namespace) -> Answer:
    if args.sample_sizes and _asks_for_sizes_alone(args):
        return sizes_alone(args.confidence if isinstance(args.confidence, float) else USUAL_CONFIDENCE)
    return reply(read(args))


def read(args: argparse.Namespace) -> Question:
    """The question; options win over the campaign file. Raises InputError, or ValueError by a quantity's name."""
    values: dict[Asked, Any] = {name: getattr(args, option) for name, option in _OPTIONS.items()}
    read_part = _from_options if args.campaign is None else _from_campaign
    acceleration, mixture_rate = read_part(args, values)
    if values["supply_v"] is None and not _has_voltage_term(acceleration):
        values["supply_v"] = acceleration.profile[0].supply_v
    unknown = _unknown(values)
    _check_can_be_found(unknown, acceleration)
    known = {name: None if value == _ASKED else value for name, value in values.items()}
    return Question(
        plan=_plan(known),
        unknown=unknown,
        acceleration=acceleration,
        mixture_rate=mixture_rate,
        life_years=known["life_years"],
        stresses=tuple(_stress(text, known["supply_v"], acceleration) for text in args.compare),
        sizes=args.sample_sizes,
    )


def _plan(known: dict[Asked, Any]) -> Plan:
    values: dict[str, Any] = {name: known[name] for name in _PLAN}
    for name in ("chips", "failures"):
        if values[name] is not None:
            values[name] = int(values[name])
    return Plan(**values)


def _check_range(option: str, value: float | str | None) -> None:
    if value is None or isinstance(value, str):
        return
    low, high = _RANGES[option]
    whole = option in {"chips", "failures"}
    if not low <= value <= high or (whole and value != int(value)):
        kind = "a whole number" if whole else "a number"
        raise InputError(f"{_flag(option)} {value:g}: {kind} from {low:,.10g} to {high:,.10g} is allowed")


def _flag(option: str) -> str:
    return f"--{option.replace('_', '-')}"


def _flags(names: Iterable[Asked]) -> str:
    return ", ".join(_flag(_OPTIONS[name]) for name in names)


def _by_option(refusal: str) -> str:
    """A refusal that begins with the name of a quantity, with that of its option instead."""
    for name, option in _OPTIONS.items():
        if refusal.startswith(f"{name} "):
            return _flag(option) + refusal.removeprefix(name)
    return refusal


# What the part is


def _from_campaign(args: argparse.Namespace, values: dict[Asked, Any]) -> tuple[Acceleration, float]:
    """Fill in what the file says and no option does."""
    for option in _OF_THE_PART:
        if getattr(args, option) is not None:
            raise InputError(
                f"{_flag(option)}: stands in the campaign file; change it there, or plan without the file"
            )
    campaign = load(Path(args.campaign))
    stress, use = campaign.stress, campaign.use
    written: dict[Asked, Any] = {
        "chips": len(campaign.chips),
        "hours": campaign.planned_hours,
        "temp_c": float(stress.temp_c),
        "supply_v": float(stress.supply_v),
        "failures": campaign.claims.failures_allowed or 0,
        "confidence": max(campaign.confidence),
        "target_fit": campaign.target_fit,
        "life_years": use.life_years,
    }
    values.update({name: value for name, value in written.items() if values[name] is None})
    heating_c = float(stress.self_heating_c)
    acceleration = Acceleration(campaign.mechanisms, use.profile, heating_c, campaign.energies)
    return acceleration, campaign.claims.mixture_rate


def _from_options(args: argparse.Namespace, values: dict[Asked, Any]) -> tuple[Acceleration, float]:
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
    acceleration = Acceleration(
        (Mechanism(f"Ea {args.ea:g} eV", args.ea, gamma, exponent),),
        (UseCondition(1.0, args.use_temp, use_v, heating_c),),
        heating_c,
        (_energy(args),),
    )
    return acceleration, _USUAL_MIXTURE_RATE if args.mixture_rate is None else args.mixture_rate


def _energy(args: argparse.Namespace) -> Energy:
    low, high = args.ea_low, args.ea_high
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise InputError(
            f"{'--ea-low' if low is None else '--ea-high'}: is needed too; an interval has two ends"
        )
    if low > args.ea:
        raise InputError(f"--ea-low {low:g}: a number from {_EA[0]:g} to --ea, {args.ea:g}, is allowed")
    if high < args.ea:
        raise InputError(f"--ea-high {high:g}: a number from --ea, {args.ea:g}, to {_EA[1]:g} is allowed")
    return EaInterval(low, high)


def _has_voltage_term(acceleration: Acceleration) -> bool:
    return any(m.gamma_per_v or m.voltage_exponent for m in acceleration.mechanisms)


# What is asked


def _unknown(values: dict[Asked, Any]) -> Asked:
    """The one quantity that is asked for: given as ?, or the only one left out. No failure is allowed unless stated."""
    asked = [name for name, value in values.items() if value == _ASKED]
    if len(asked) > 1:
        raise InputError(f"{_flags(asked)}: one quantity can be asked for at a time")
    missing: list[Asked] = [name for name in _PLAN if values[name] is None]
    if "failures" in missing and (asked or len(missing) > 1):
        values["failures"] = 0
        missing.remove("failures")
    if asked == ["life_years"]:
        missing = [name for name in missing if name in _FOR_A_LIFE]
    if not asked and not missing:
        raise InputError("nothing is asked for: give one quantity as '?', such as --hours '?'")
    if asked and missing:
        raise InputError(f"{_flags(missing)}: must be given")
    if len(missing) > 1:
        raise InputError(f"{_flags(missing)}: must be given, but for one that is asked for with '?'")
    return (asked or missing)[0]


def _check_can_be_found(unknown: Asked, acceleration: Acceleration) -> None:
    if unknown == "temp_c" and not any(m.ea_ev > 0 for m in acceleration.mechanisms):
        raise InputError("--temp ?: no mechanism runs faster when hotter; an Ea above 0 is needed")
    if unknown == "supply_v" and not _has_voltage_term(acceleration):
        raise InputError("--supply ?: no mechanism has a voltage term; give --gamma or --exponent")


def _asks_for_sizes_alone(args: argparse.Namespace) -> bool:
    others = {*_RANGES, "campaign"} - {"confidence"}
    return all(getattr(args, option) is None for option in others) and not args.compare


def _stress(text: str, usual_v: float | None, acceleration: Acceleration) -> tuple[float, float]:
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
    try:
        acceleration.check_hotter_than_use(temp_c)
        acceleration.factors(temp_c, supply_v)
    except ValueError as error:
        why = str(error).replace("temp_c", "the temperature")
        raise InputError(f"--compare {text}: {why}") from None
    return temp_c, supply_v
