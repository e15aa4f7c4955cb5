"""A plan as text: the answer first, then both kinds of bound side by side and what they rest on. Computes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

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
    wrap,
)
from monitor.figures.planned import Answer, Asked, MechanismLine, Planned, Stress

_WIDTH = 108
_ASSUMED = "Every chip is under stress for all the hours: a failed one is replaced, or its hours are made up."
_Cell = Callable[[Planned], str]


@dataclass(frozen=True, slots=True)
class _Face:
    """How a quantity is named and written; what to say where there is none; how an answer is rounded."""

    label: str
    answer: str
    none: str
    stated: Callable[[float], str]
    found: Callable[[float], str]


def _up(value: float, unit: str) -> str:
    return f"{upper(_tidy(value), 4)} {unit}"


def _tidy(value: float) -> float:
    """Without the last digits: they would push a whole number over the edge when it is rounded up or down."""
    return float(f"{value:.10g}")


def _measure(label: str, answer: str, none: str, unit: str) -> _Face:
    """A quantity that is needed, so that an answer is rounded up."""
    return _Face(
        label, answer, none, lambda value: f"{setting(value)} {unit}", lambda value: _up(value, unit)
    )


def _number(label: str, answer: str, none: str, noun: str) -> _Face:
    def written(value: float) -> str:
        return count(int(value), noun) if value else f"no {noun}"

    return _Face(label, answer, none, written, written)


_FACES: dict[Asked, _Face] = {
    "target_fit": _measure("target", "Failure rate shown", "no target up to 1e9 FIT", "FIT"),
    "confidence": _Face(
        "confidence",
        "Confidence reached",
        "not even 1 %",
        percent,
        lambda value: f"{lower(_tidy(100 * value), 4)} %",
    ),
    "chips": _number("chips", "Needed", "no number of chips up to 1,000,000", "chip"),
    "hours": _measure("hours", "Stress needed", "no time up to 10,000,000 h", "h"),
    "temp_c": _measure("temperature", "Stress temperature needed", "no temperature up to 400 C", "C"),
    "supply_v": _measure("supply", "Stress supply needed", "no supply up to ten times that of use", "V"),
    "failures": _number("failures allowed", "Allowed", "not even a plan without a failure", "failure"),
}


def explain(answer: Answer) -> str:
    """The reply as text; the answer itself comes first."""
    blocks = [*_reply_blocks(answer), _size_table(answer), _warnings(answer)]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _reply_blocks(answer: Answer) -> Iterator[list[str]]:
    if answer.unknown == "life_years":
        yield _life_sentence(answer)
        yield _life_table(answer)
    elif answer.unknown is not None:
        yield _sentence(answer, _FACES[answer.unknown])
        yield from _plan_blocks(answer)


def _sentence(answer: Answer, face: _Face) -> list[str]:
    one_look, any_time = (
        None if planned is None else face.found(getattr(planned, str(answer.unknown)))
        for planned in (answer.one_look, answer.any_time)
    )
    if one_look is None:  # any number of looks asks for more still
        said = f"{capital(face.none)} is enough, be it for one look or for any number of looks"
    elif any_time is None:
        said = f"{face.answer}: {one_look} for {ONE_LOOK};\nfor any number of looks {face.none} is enough"
    else:
        said = f"{face.answer}: {one_look} for {ONE_LOOK}, {any_time} for any number of looks"
    return [f"{said};", f"at {_givens(answer, _FACES)}."]


def _life_sentence(answer: Answer) -> list[str]:
    years = lower(_tidy(min(line.covered_years for line in answer.mechanisms)))
    return [f"Field life covered: {years} years; by {_givens(answer, ('hours', 'temp_c', 'supply_v'))}."]


def _givens(answer: Answer, names: Iterable[Asked]) -> str:
    return ", ".join(_FACES[name].stated(answer.given[name]) for name in names if name in answer.given)


def _plan_blocks(answer: Answer) -> Iterator[list[str]]:
    found = [planned for planned in (answer.one_look, answer.any_time) if planned is not None]
    if not found:
        return
    yield _plan_table(answer, found)
    yield from _mechanism_tables(answer)
    yield _price_table(answer, found)
    yield _passing_table(answer, found)
    yield _stress_table(answer)
    yield [f"  One look: for {ONE_LOOK}. Any time: {ANY_TIME}.", f"  {_ASSUMED}"]


def _row(label: str, answer: Answer, cell: _Cell) -> str:
    cells = ("-" if planned is None else cell(planned) for planned in (answer.one_look, answer.any_time))
    return _columns(label, *cells)


def _columns(label: str, *cells: str) -> str:
    return f"    {label:<24}" + "".join(f"{cell:>18}" for cell in cells)


def _cell(name: Asked, answer: Answer) -> _Cell:
    face = _FACES[name]
    write = face.found if name == answer.unknown else face.stated
    return lambda planned: write(getattr(planned, name))


def _plan_table(answer: Answer, found: list[Planned]) -> list[str]:
    names = [name for name in _FACES if getattr(found[0], name) is not None]
    return [
        _columns("plan", "one look", "any time"),
        *(_row(_FACES[name].label, answer, _cell(name, answer)) for name in names),
        _row("bound at the end", answer, lambda p: _up(p.fit_upper, "FIT")),
        _row("equivalent chip-hours", answer, lambda p: lower(_tidy(p.equivalent_h), 4)),
        _row("field life in hours", answer, lambda p: f"{lower(_tidy(p.covered_years))} years"),
    ]


def _mechanism_tables(answer: Answer) -> Iterator[list[str]]:
    """One table for both kinds of bound where they say the same."""
    tables: dict[tuple[str, ...], list[str]] = {}
    for kind, planned in (("one look", answer.one_look), ("any time", answer.any_time)):
        if planned is not None:
            tables.setdefault(tuple(_mechanism_table(planned, answer)), []).append(kind)
    for (head, *rows), kinds in tables.items():
        which = "" if len(tables) == 1 else f", {', '.join(kinds)}"
        yield [f"  {head}{which}; the mechanism that needs longest decides", *rows]


def _mechanism_table(planned: Planned, answer: Answer) -> list[str]:
    where = [_cell("temp_c", answer)(planned)]
    if planned.supply_v is not None:
        where.append(_cell("supply_v", answer)(planned))
    return [
        f"Acceleration at {', '.join(where)}",
        _columns("mechanism", "at Ea", "acceleration", *_life_head(answer)),
        *(_mechanism_row(m, *_life_h(m.life_stress_h)) for m in planned.mechanisms),
        *_energies(planned.mechanisms, planned.confidence),
    ]


def _life_table(answer: Answer) -> list[str]:
    return [
        _columns("mechanism", "at Ea", "acceleration", "years covered"),
        *(_mechanism_row(m, lower(_tidy(m.covered_years))) for m in answer.mechanisms),
        *_energies(answer.mechanisms, answer.confidence),
    ]


def _mechanism_row(m: MechanismLine, *cells: str) -> str:
    return _columns(m.name, f"{m.ea_ev:.4g} eV", nearest(m.acceleration, 4), *cells)


def _energies(mechanisms: Iterable[MechanismLine], confidence: float | None) -> Iterator[str]:
    """What the uncertainty of an activation energy changes."""
    for m in mechanisms:
        planned = f"{m.name}: planned at Ea {m.ea_ev:.4g} eV, not at the stated {setting(m.ea_stated_ev)} eV"
        if confidence is not None and m.count_confidence != confidence:
            level = f"{100 * m.count_confidence:.6g} %"
            yield from _paragraph(
                f"{planned}: a lower limit, which takes up half of the error allowed; the count is asked at {level}.",
                "    ",
            )
        elif m.ea_ev != m.ea_stated_ev:
            yield from _paragraph(f"{planned}: the worst end of its interval.", "    ")


def _paragraph(text: str, indent: str) -> list[str]:
    first, *more = wrap(text, _WIDTH - len(indent) - 2)
    return [f"{indent}{first}", *(f"{indent}  {line}" for line in more)]


def _life_head(answer: Answer) -> list[str]:
    return [] if answer.life_years is None else [f"{setting(answer.life_years)} years take"]


def _life_h(hours: float | None) -> list[str]:
    return [] if hours is None else [_up(hours, "h")]


def _price_table(answer: Answer, found: list[Planned]) -> list[str]:
    def cell(index: int) -> _Cell:
        return lambda p: _up(p.price[index].hours, "h") if index < len(p.price) else "-"

    most = max(len(planned.price) for planned in found)
    return [
        "  What a failure costs: hours of stress until the target is met",
        _columns("failures", "one look", "any time"),
        *(_row(str(failures), answer, cell(failures)) for failures in range(most)),
    ]


def _passing_table(answer: Answer, found: list[Planned]) -> list[str]:
    def cell(index: int) -> _Cell:
        return lambda planned: f"{100 * planned.passing[index].chance:.2f} %"

    careful = any(m.ea_ev != m.ea_stated_ev for planned in found for m in planned.mechanisms)
    return [
        "  Chance of passing, if the true rate is so much of the target"
        + (" and Ea as stated" if careful else ""),
        _columns("true rate", "one look", "any time"),
        *(
            _row(share(chance.truth_over_target), answer, cell(index))
            for index, chance in enumerate(found[0].passing)
        ),
        "    Any time passes on the first day its bound meets the target, with at most the failures allowed.",
    ]


def _stress_table(answer: Answer) -> list[str]:
    if not answer.stresses:
        return []
    return [
        "  Other stresses with the same chips: hours until the target is met, acceleration of each mechanism",
        _columns("stress", "one look", "any time", *_life_head(answer)),
        *(_stress_row(stress) for stress in answer.stresses),
    ]


def _stress_row(stress: Stress) -> str:
    at_v = "" if stress.supply_v is None else f", {setting(stress.supply_v)} V"
    hours = ("-" if h is None else _up(h, "h") for h in (stress.hours_one_look, stress.hours_any_time))
    row = _columns(f"{setting(stress.temp_c)} C{at_v}", *hours, *_life_h(stress.life_stress_h))
    factors = ", ".join(nearest(factor) for factor in stress.accelerations)
    return f"{row}   {factors}{' (doubtful)' if stress.doubtful else ''}"


def _size_table(answer: Answer) -> list[str]:
    if not answer.sample_sizes:
        return []
    cells: dict[float, list[str]] = {}
    for size in answer.sample_sizes:
        cells.setdefault(size.share_defective, []).append(f"{size.binomial:,} ({size.poisson:,})")
    failures = dict.fromkeys(f"{size.failures}" for size in answer.sample_sizes)
    return [
        f"  Chips that show at most so many defective at {percent(answer.sample_sizes[0].confidence)}: "
        "exact binomial (Poisson form)",
        _wide("failures allowed", failures),
        *(_wide(f"{share(part)} defective", row) for part, row in cells.items()),
    ]


def _wide(label: str, cells: Iterable[str]) -> str:
    return f"    {label:<18}" + "".join(f"{cell:>16}" for cell in cells)


def _warnings(answer: Answer) -> list[str]:
    return [line for note in answer.notes for line in _paragraph(f"warning: {note}", "  ")]
