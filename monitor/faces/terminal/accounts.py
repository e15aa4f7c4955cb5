"""The accounts beside the boards: failures, hours, claims, coverage, target, and what came in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len

from monitor.faces.terminal.layout import (
    HEAD,
    MARGIN,
    PLAIN,
    TROUBLE,
    Line,
    Part,
    account,
    column_widths,
    row,
    sentences,
    table,
    together,
)
from monitor.faces.terminal.text import (
    ANY_TIME,
    NONE_YET,
    ONE_LOOK,
    clip,
    count,
    credited,
    hexadecimal,
    instant,
    lower,
    percent,
    place,
    setting,
    uncredited,
    upper,
)
from monitor.figures.document import (
    Anytime,
    EveryFailure,
    FailureFigures,
    Figures,
    FixedLook,
    Incident,
    LifeRatios,
    LotFigures,
    MechanismFigures,
    Ratios,
    Target,
    TargetFixed,
)
from monitor.rules.alerts import Alert

# What goes last when the screen is small has the lowest number.
RANK_FAILURE, RANK_CLAIM, RANK_TARGET, RANK_HOURS, RANK_COVERAGE = 1, 3, 4, 4, 6
RANK_READS, RANK_DETAIL, RANK_ALERT, RANK_LOT, RANK_INTAKE = 8, 9, 10, 11, 12
FIRST_FAILURES = 3  # of many failures, these give way to nothing but the first lines
MECHANISM_CELLS = 18
CLOCK_HOURS = "hours to go are clock hours with every chip at risk credited, the date is at the present rate"
KINDS_OF_BOUND = f"One look: good for {ONE_LOOK}. Any time: {ANY_TIME}."

INTAKE_COUNTS = (
    "accepted",
    "duplicates",
    "conflicts",
    "late",
    "gaps",
    "invalid",
    "strangers",
    "counter_faults",
    "waiting",
    "disagreements",
)


# Failures


def failures(figures: Figures, width: int) -> Part:
    """Each failed chip, the latest first, after any suspected equipment incident."""
    lines: list[Line] = [(incident_text(incident), RANK_FAILURE, TROUBLE) for incident in figures.incidents]
    latest = sorted(figures.failures, key=lambda failure: failure.t_ms, reverse=True)
    for i, failure in enumerate(latest):
        first = i < FIRST_FAILURES
        lines.append((failure_text(failure), RANK_FAILURE if first else RANK_DETAIL, TROUBLE))
        lines.append((failure_detail(failure), RANK_DETAIL, PLAIN))
    if not lines:
        none = (
            "no chip has failed" if figures.chips.failed + figures.chips.not_relevant == 0 else "not listed"
        )
        lines.append((none, RANK_HOURS, PLAIN))
    return account("Failures", width, *lines)


def failure_text(failure: FailureFigures) -> str:
    """Which chip, where, when, and after how many of its credited hours."""
    where = place(failure.rack, failure.board, failure.socket)
    when = instant(failure.t_ms, seconds=False)
    return f"{failure.serial} lot {failure.lot}, {where}, {when} UTC, {credited(failure.hours)} h"


def failure_detail(failure: FailureFigures) -> str:
    """What was read where, and what has been decided about it."""
    if failure.address is None:
        what = "address not reported"
    else:
        what = f"address {hexadecimal(failure.address)}: expected {failure.expected}, observed {failure.observed}"
    return f"{what}; {count(failure.reads, 'read')} credited, told by {failure.witness}; {verdict(failure)}"


def verdict(failure: FailureFigures) -> str:
    """The disposition in words."""
    if failure.disposition is None:
        return "waits for a disposition"
    return f"{failure.disposition}, mechanism {failure.mechanism or 'not known'}"


def incident_text(incident: Incident) -> str:
    """One suspected equipment incident."""
    where = place(incident.rack, incident.board)
    chips = ", ".join(incident.chips)
    return (
        f"Suspect the equipment first: {count(len(incident.chips), 'chip')} failed together on {where}, "
        f"{instant(incident.t_ms, seconds=False)} UTC: {chips}"
    )


# Hours and reads


def hours(figures: Figures, width: int) -> Part:
    """What was credited, and what was not, by reason."""
    plan = figures.plan
    done = f"credited {credited(figures.exposure.credited_h)} chip-hours"
    elapsed = f"{credited(plan.elapsed_h)} of {setting(plan.planned_hours)} planned"
    lost = ", ".join(f"{reason} {shown}" for reason, shown in not_credited(figures))
    return account("Hours", width, (f"{done} ({elapsed}); not credited: {lost}", RANK_HOURS, PLAIN))


def not_credited(figures: Figures) -> list[tuple[str, str]]:
    """Reasons and the chip-hours that each of them cost."""
    lost = figures.exposure.uncredited_h
    return [
        ("not read", uncredited(lost.not_reading)),
        ("temperature", uncredited(lost.temperature)),
        ("supply", uncredited(lost.supply)),
        ("unwitnessed", uncredited(lost.unwitnessed)),
        ("counter", uncredited(lost.counter)),
    ]


def reads(figures: Figures, width: int) -> Part:
    """The bound on the probability that a read fails, and the counts it rests on."""
    total = figures.reads
    counts = f"{total.credited:,} credited of {total.total:,}; failed at risk {total.errors_at_risk:,}"
    bound = f"{read_error(figures)}; {total.errors:,} failed"
    return account("Reads", width, (bound, RANK_READS, PLAIN), (counts, RANK_READS, PLAIN))


def read_error(figures: Figures) -> str:
    """The bound on the read-error probability at each confidence."""
    known = [item for item in figures.read_error if item.per_read_upper is not None]
    bounds = [f"{upper(item.per_read_upper)} at {percent(item.confidence)}" for item in known]
    return f"errors a read at most {', '.join(bounds)}" if bounds else "no bound on read errors yet"


# Claims


def claims(figures: Figures, width: int) -> Part:
    """Both bounds on the failure rate of each mechanism at each confidence, in FIT."""
    for with_hours in (True, False):
        lines = _claims_table(figures.mechanisms, with_hours=with_hours)
        if lines and max(map(cell_len, lines)) <= width:
            rows = [row(line, RANK_CLAIM, PLAIN if i > 1 else HEAD) for i, line in enumerate(lines)]
            return Part("Claims", [*together(rows), *sentences(KINDS_OF_BOUND, width, RANK_DETAIL)])
    return account(
        "Claims", width, *((claim_sentence(item), RANK_CLAIM, PLAIN) for item in figures.mechanisms)
    )


def _claims_table(mechanisms: Sequence[MechanismFigures], *, with_hours: bool) -> list[str]:
    """Two header lines and one line a mechanism, one more where a failure was set aside; or nothing."""
    looks = sorted({bound.confidence for item in mechanisms for bound in item.bounds})
    always = sorted({bound.confidence for item in mechanisms for bound in item.anytime})
    body = [line for item in mechanisms for line in _claim_lines(item, looks, always)]
    if not body:
        return []
    cells = [["FIT at most", "failures/all", "equivalent h", *map(percent, [*looks, *always])], *body]
    if not with_hours:
        cells = [[*line[:2], *line[3:]] for line in cells]
    widths = column_widths(cells)
    first = len(widths) - len(looks) - len(always)
    left, one = sum(widths[:first]) + 2 * (first - 1), sum(widths[first:][: len(looks)]) + 2 * len(looks)
    rest = sum(widths) + 2 * (len(widths) - 1) - left - one
    over = "Claims".ljust(left) + "one look".rjust(one) + "any time".rjust(rest)
    return [over, *table(cells, "<" + ">" * (len(widths) - 1))]


def _claim_lines(
    item: MechanismFigures, looks: Sequence[float], always: Sequence[float]
) -> Iterable[list[str]]:
    name = clip(item.name, MECHANISM_CELLS)
    yield [
        name,
        f"{item.failures:,}/{item.all.failures:,}",
        lower(item.equivalent_h),
        *_bound_cells(item, looks, always),
    ]
    if item.all.failures != item.failures:
        yield ["  every failure", f"{item.all.failures:,}", "", *_bound_cells(item.all, looks, always)]


def _bound_cells(
    item: MechanismFigures | EveryFailure, looks: Sequence[float], always: Sequence[float]
) -> list[str]:
    by_look = {bound.confidence: _bound_cell(bound) for bound in item.bounds}
    by_always = {bound.confidence: _bound_cell(bound) for bound in item.anytime}
    return [*(by_look.get(c, "-") for c in looks), *(by_always.get(c, "-") for c in always)]


def _bound_cell(bound: FixedLook | Anytime) -> str:
    return upper(bound.fit_upper).removesuffix(" yet")


def claim_sentence(item: MechanismFigures) -> str:
    """The claims of one mechanism in words, for a screen too narrow for the table."""
    counted = count(item.failures, "failure")
    if item.all.failures != item.failures:
        counted += f" (of {item.all.failures:,} in all)"
    looks = ", ".join(_fit_at(bound) for bound in item.bounds)
    always = ", ".join(_fit_at(bound) for bound in item.anytime)
    said = f"any time at most {always or NONE_YET}; one look at most {looks or NONE_YET}"
    return f"{item.name}: {counted} in {lower(item.equivalent_h)} equivalent h; {said}"


def _fit_at(bound: FixedLook | Anytime) -> str:
    return f"{fit(bound.fit_upper)} at {percent(bound.confidence)}"


def fit(value: float | None) -> str:
    """An upper bound with its unit."""
    shown = upper(value)
    return shown if shown == NONE_YET else f"{shown} FIT"


# Coverage and target


def coverage(figures: Figures, width: int) -> Part:
    """Field lives covered: in reads and, by mechanism, in hours."""
    lives: list[tuple[str, Ratios | LifeRatios]] = [("reads", figures.coverage.reads)]
    lives += [(item.mechanism, item) for item in figures.coverage.life]
    cells = [_coverage_cells(clip(name, MECHANISM_CELLS), ratios) for name, ratios in lives]
    lines = table(cells, "<<<<<")
    if max(map(cell_len, lines)) > width - MARGIN:
        lines = [" ".join(line) for line in cells]
    return account("Coverage", width, *((line, RANK_COVERAGE, PLAIN) for line in lines))


def _coverage_cells(name: str, ratios: Ratios | LifeRatios) -> list[str]:
    chips = (
        f"least {lower(ratios.least)}",
        f"median {lower(ratios.median)}",
        f"most {lower(ratios.most)} lives,",
    )
    return [f"{name}:", *chips, f"fleet {lower(ratios.fleet)}"]


def target(figures: Figures, width: int) -> Part:
    """When the target is met, by either bound, with no further failure and with one more."""
    aim = figures.target
    head = f"{setting(aim.fit)} FIT at {percent(aim.confidence)}"
    more = f"with one more failure: any time {hours_to_go(aim.hours_to_go_one_more)}, one look "
    return account(
        "Target",
        width,
        (f"{head}, any time: {progress(aim)}", RANK_TARGET, HEAD),
        (f"{head}, one look: {progress(aim.fixed)}", RANK_TARGET, PLAIN),
        (f"{more}{hours_to_go(aim.fixed.hours_to_go_one_more)}", RANK_DETAIL, PLAIN),
        (f"{aim.mechanism or 'no mechanism'} meets it last; {CLOCK_HOURS}", RANK_DETAIL, PLAIN),
    )


def progress(aim: Target | TargetFixed) -> str:
    """Whether the target is met, or how far it is and when it would be met at the present rate."""
    if aim.met:
        return "met"
    if aim.hours_to_go is None:
        return "NOT met, hours to go not known yet"
    return f"NOT met, {hours_to_go(aim.hours_to_go)} to go, {aim.date or 'no date yet'}"


def hours_to_go(hours: float | None) -> str:
    """Clock hours still to go with every chip at risk credited all the time, rounded up."""
    return "not known yet" if hours is None else f"{upper(hours, 4)} h"


# What came in, lots, alerts


def alerts(given: Sequence[Alert], width: int) -> Part:
    """Alerts that stand, the latest first, and those that have cleared after them."""
    ordered = sorted(given, key=lambda alert: (alert.cleared_ms is not None, -alert.began_ms))
    return account("Alerts", width, *((alert_text(alert), RANK_ALERT, PLAIN) for alert in ordered))


def alert_text(alert: Alert) -> str:
    """One alert in a sentence."""
    since = f"since {instant(alert.began_ms, seconds=False)} UTC"
    if alert.cleared_ms is not None:
        since = f"{since}, cleared {instant(alert.cleared_ms, seconds=False)} UTC"
    return f"{alert.kind}: {alert.subject}, {since}: {alert.reason}"


def lots(figures: Figures, width: int) -> Part:
    """Each lot, and whether the lots may be pooled."""
    cells = [_lot_cells(lot) for lot in figures.lots]
    lines = table(cells, "<>>>") if cells else []
    pooled = (pooling(figures), RANK_LOT, PLAIN)
    return account("Lots", width, pooled, *((line, RANK_LOT, PLAIN) for line in lines))


def _lot_cells(lot: LotFigures) -> list[str]:
    return [
        f"lot {clip(lot.lot, MECHANISM_CELLS)}:",
        f"{lot.failed:,} of {count(lot.loaded, 'chip')} failed,",
        f"{credited(lot.credited_h)} chip-hours,",
        f"{lot.reads_credited:,} reads credited",
    ]


def pooling(figures: Figures) -> str:
    """Whether the lots may be pooled, by which test."""
    test = figures.pooling
    p_value = "" if test.p_value is None else f", p = {lower(test.p_value)}"
    return f"pooling test: {test.verdict or 'no verdict'} ({test.method or 'no test'}{p_value})"


def intake(figures: Figures, width: int) -> Part:
    """Counts of what came in."""
    text = ", ".join(f"{name} {number}" for name, number in intake_items(figures))
    return account("Intake", width, (text, RANK_INTAKE, PLAIN))


def intake_items(figures: Figures) -> list[tuple[str, str]]:
    """Every count of the intake, in the document's order."""
    return [(name.replace("_", " "), f"{getattr(figures.intake, name):,}") for name in INTAKE_COUNTS]


def campaign(figures: Figures, width: int) -> Part:
    """The campaign and the conditions of its stress."""
    plan = figures.plan
    stress = (
        f"{setting(plan.temp_c)} C ({setting(plan.temp_low_c)} to {setting(plan.temp_high_c)} C), "
        f"{setting(plan.supply_v)} V within {setting(plan.supply_tol_v)} V"
    )
    return account("Campaign", width, (f"{figures.campaign}, {plan.title}: {stress}", RANK_INTAKE, PLAIN))
