"""What the account shows besides its bounds, in sentences: plans declared, totals, life, influences, forecast."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.faces.terminal.layout import HEAD, PLAIN, TROUBLE, Line, Part, account, table
from monitor.faces.terminal.ranks import RANK_CAUTION, RANK_DETAIL, RANK_PLAN
from monitor.faces.terminal.text import (
    count,
    lower,
    nearest,
    percent,
    setting,
    upper,
)
from monitor.figures.document import (
    Careful,
    EarlyShown,
    Figures,
    Forecast,
    Influence,
    LifeFitted,
    LifeShown,
    MechanismFigures,
    PassLineStanding,
    SequentialStanding,
)

_MOST_PPM = 1e6  # more than every chip says nothing
_LEAST_SHOWN = 1e-6  # a reliability below is none
_PARAMETERS = {
    "ea_ev": ("Ea", "eV"),
    "gamma_per_v": ("gamma", "per V"),
    "voltage_exponent": ("voltage exponent", ""),
    "self_heating_shift_c": ("self-heating off by", "C"),
    "stress_temp_shift_c": ("stress temperature off by", "C"),
    "use_temp_shift_c": ("use temperatures off by", "C"),
    "failures": ("failures", ""),
}


def plans(figures: Figures, width: int) -> Part:
    """Where the campaign stands on the plans it declared, what the total is, and how likely the target is met."""
    lines: list[Line] = []
    for item in figures.mechanisms:
        if item.pass_line is not None:
            lines.append((f"{item.name}: {pass_line(item, item.pass_line)}", RANK_PLAN, HEAD))
        if item.sequential is not None:
            lines.append((f"{item.name}: {sequential(item, item.sequential)}", RANK_PLAN, HEAD))
    if figures.forecast is not None and not figures.target.met:
        lines.append((forecast(figures.forecast), RANK_DETAIL, PLAIN))
    if len(figures.mechanisms) > 1:
        lines += [(text, RANK_DETAIL, PLAIN) for text in total(figures)]
    return account("Plans", width, *lines)


def cautions(figures: Figures, width: int) -> Part:
    """Claims that are legal but weak."""
    return account("Cautions", width, *((text, RANK_CAUTION, TROUBLE) for text in figures.cautions))


def pass_line(item: MechanismFigures, line: PassLineStanding) -> str:
    """How a declared pass line stands."""
    declared = (
        f"pass line at {percent(line.confidence)} with at most {count(line.failures_allowed, 'failure')}"
    )
    match line.verdict:
        case "passed":
            said = f"PASSED at {lower(line.decided_h)} equivalent h"
        case "failed":
            said = f"FAILED at {lower(line.decided_h)} equivalent h"
        case _:
            now = f"now {lower(_claimed_h(item))}, {count(item.failures, 'failure')}"
            said = f"go on to {upper(line.pass_h)} equivalent h ({now})"
    return f"{declared}: {said}{_of_every_failure(line)}"


def _of_every_failure(plan: PassLineStanding | SequentialStanding) -> str:
    """Where dispositions change a verdict, the other one."""
    return (
        ""
        if plan.verdict == plan.verdict_all
        else f"; with every failed chip counted: {plan.verdict_all.upper()}"
    )


def sequential(item: MechanismFigures, plan: SequentialStanding) -> str:
    """How the sequential plan stands between its lines."""
    risks = (
        f"risks {_risk(plan.producer_risk)} and {_risk(plan.consumer_risk)} asked, "
        f"{_risk(plan.exact_producer_risk)} and {_risk(plan.exact_consumer_risk)} run"
    )
    head = f"sequential plan against {nearest(plan.good_fit)} FIT as good ({risks})"
    if plan.verdict != "go on":
        decided = f"{plan.verdict.upper()} at {lower(plan.decided_h)} equivalent h"
        return f"{head}: {decided}{_of_every_failure(plan)}"
    reject = "" if plan.reject_h is None else f"; one more failure rejects up to {lower(plan.reject_h)}"
    accept = "no acceptance any more" if plan.accept_h is None else f"accept from {upper(plan.accept_h)}"
    return f"{head}: go on, {accept} equivalent h (now {lower(_claimed_h(item))}){reject}{_of_every_failure(plan)}"


def forecast(given: Forecast) -> str:
    """The chances of meeting the target by the planned end."""
    return (
        f"chance to meet the target in the {upper(given.to_go_h, 4)} planned h to go: any time "
        f"{_chance(given.chance_anytime)}, one look at the end {_chance(given.chance_fixed)} ({given.mechanism}; "
        "a forecast at a constant rate, not a claim)"
    )


def total(figures: Figures) -> Iterator[str]:
    """Bounds on the total rate over all mechanisms."""
    for item in figures.total:
        yield (
            f"all mechanisms together at {percent(item.confidence)}: any time {upper(item.anytime)} FIT, one look "
            f"{upper(item.weighted)} FIT (sum of the single bounds {upper(item.sum_of_bounds)})"
        )


def careful(stated: Careful) -> Iterator[str]:
    """What is stated of the activation energy, and the bounds that carry it."""
    yield f"claimed, with the worst of Ea ({energy(stated)}):"
    head = ["confidence", "Ea taken", "equivalent h", "one look at most", "any time at most"]
    body = [
        [
            percent(b.confidence),
            f"{nearest(b.ea_ev, 4)} eV",
            lower(b.equivalent_h),
            f"{upper(b.fit_upper)} FIT",
            f"{upper(b.fit_upper_anytime)} FIT",
        ]
        for b in stated.bounds
    ]
    yield from (f"  {line}" for line in table([head, *body], ">>>>>"))


def energy(stated: Careful) -> str:
    """What is stated of an activation energy besides its value."""
    if stated.ea_sd_ev is not None:
        return f"stated with a standard error of {setting(stated.ea_sd_ev)} eV"
    return f"stated as {setting(stated.ea_low_ev or 0)} to {setting(stated.ea_high_ev or 0)} eV"


def life(shown: list[LifeShown], years: float) -> Iterator[str]:
    """Reliability shown at the end of the field life, for assumed Weibull shapes."""
    yield (
        f"at {setting(years)} years of use, for an assumed Weibull shape (1: constant rate): reliability R at least, "
        "average FIT at most"
    )
    head = ["shape", "", "R one look", "R any time", "FIT one look", "FIT any time"]
    body = [
        [
            setting(item.shape),
            percent(item.confidence),
            _reliability(item.reliability_lower),
            _reliability(item.reliability_lower_anytime),
            upper(item.average_fit_upper),
            upper(item.average_fit_upper_anytime),
        ]
        for item in shown
    ]
    yield from (f"  {line}" for line in table([head, *body], ">>>>>>"))


def _reliability(value: float | None) -> str:
    return "0" if value is not None and value < _LEAST_SHOWN else lower(value, 6)


def early(shown: list[EarlyShown]) -> Iterator[str]:
    """Failures in the first hours of field use."""
    for item in shown:
        reach = "" if item.covers else ", extrapolated: not every chip was tried that long"
        yield (
            f"first {setting(item.early_life_h)} h of use at a constant rate, {count(item.failures, 'failure')}: "
            f"expected failures at most {_ppm(item.ppm_upper)} at {percent(item.confidence)} (one look), "
            f"{_ppm(item.ppm_upper_anytime)} any time{reach}"
        )


def _ppm(value: float | None) -> str:
    return "no claim" if value is None or value > _MOST_PPM else f"{upper(value)} ppm"


def fitted(given: LifeFitted) -> str:
    """The fitted Weibull distribution."""
    return (
        f"Weibull fitted (two-sided {percent(given.confidence)} limits): shape {nearest(given.shape)} "
        f"({_limits(given.shape_lower, given.shape_upper)}), characteristic life {nearest(given.scale_h)} h "
        f"({_limits(given.scale_lower_h, given.scale_upper_h)})"
    )


def _limits(low: float | None, high: float | None) -> str:
    """Two limits, of which so few failures may give one or none."""
    return f"{'no limit' if low is None else lower(low)} to {'no limit' if high is None else upper(high)}"


def influences(rows: list[Influence]) -> Iterator[str]:
    """Which parameter the any-time bound at the highest confidence hangs on, the widest first."""
    if not rows:
        return
    yield "the any-time bound hangs on (* as stated; else a trial):"
    body = [
        [
            _parameter(row),
            f"{upper(row.fit_at_low)} to {upper(row.fit_at_high)} FIT",
            "*" if row.stated else "",
        ]
        for row in rows
    ]
    yield from (f"  {line}" for line in table(body, "<><"))


def _parameter(row: Influence) -> str:
    name, unit = _PARAMETERS.get(row.parameter, (row.parameter, ""))
    return f"{name} {setting(row.low)} to {setting(row.high)} {unit}".rstrip()


def _claimed_h(item: MechanismFigures) -> float:
    """The hours that plans are judged by: the careful ones at the highest confidence, where there are any."""
    if item.careful is None or not item.careful.bounds:
        return item.equivalent_h
    return max(item.careful.bounds, key=lambda bound: bound.confidence).equivalent_h


def _risk(value: float) -> str:
    return f"{nearest(100 * value)} %"


def _chance(value: float | None) -> str:
    """A chance; neither certainty nor impossibility is told for what only comes near it."""
    if value is None:
        return "not known"
    if 0.999 < value < 1:
        return "over 99.9 %"
    return "under 0.1 %" if 0 < value < 0.001 else f"{nearest(100 * value)} %"
