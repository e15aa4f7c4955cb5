"""The accounts beside the boards and the claims: failures, hours, reads, alerts, lots, and what came in."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.faces.terminal.layout import (
    MARGIN,
    PLAIN,
    TROUBLE,
    Line,
    Part,
    account,
    table,
)
from monitor.faces.terminal.ranks import (
    RANK_ALERT,
    RANK_CHIP,
    RANK_DETAIL,
    RANK_FAILURE,
    RANK_HOURS,
    RANK_INTAKE,
    RANK_LOT,
    RANK_READS,
)
from monitor.faces.terminal.text import (
    NAME_CELLS,
    clip,
    count,
    credited,
    hexadecimal,
    instant,
    lower,
    percent,
    place,
    self_heating,
    setting,
    uncredited,
    upper,
    volts,
    wrap,
)
from monitor.figures.document import (
    DispositionLine,
    FailureFigures,
    Figures,
    Incident,
    LotFigures,
    Plan,
)
from monitor.rules.alerts import Alert

MOST_HOURS_LINES = 2
FIRST_FAILURES = 3  # of many failures, these give way to nothing but the first lines
FIRST_CHIPS = 4  # of many chips of an incident, named beside it
READS_ASSUMED = "reads taken as independent"

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
    """Any suspected equipment incident, each failed chip besides, the latest first, and the incidents' chips."""
    lines: list[Line] = [(incident_text(item), RANK_FAILURE, TROUBLE) for item in figures.incidents]
    named = in_incidents(figures)
    latest = sorted(figures.failures, key=lambda failure: failure.t_ms, reverse=True)
    for i, failure in enumerate(item for item in latest if item.serial not in named):
        lines.append((failure_text(failure), RANK_FAILURE if i < FIRST_FAILURES else RANK_DETAIL, TROUBLE))
        lines.append((failure_detail(failure), RANK_DETAIL, PLAIN))
        lines += [(disposition_text(item), RANK_DETAIL, PLAIN) for item in failure.dispositions]
    for failure in (item for item in figures.failures if item.serial in named):
        lines.append((incident_chip(failure), RANK_CHIP, PLAIN))
        lines += [(disposition_text(item), RANK_CHIP, PLAIN) for item in failure.dispositions]
    if not lines:
        none = (
            "no chip has failed" if figures.chips.failed + figures.chips.not_relevant == 0 else "not listed"
        )
        lines.append((none, RANK_HOURS, PLAIN))
    return account("Failures", width, *lines)


def in_incidents(figures: Figures) -> set[str]:
    """The serials of the chips of all incidents."""
    return {serial for incident in figures.incidents for serial in incident.chips}


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
    return _class_and_mechanism(failure.disposition, failure.mechanism)


def _class_and_mechanism(cls: str, mechanism: str | None) -> str:
    """Only a relevant failure has a mechanism that may be unknown."""
    if mechanism is None and cls != "relevant":
        return cls
    return f"{cls}, mechanism {mechanism or 'not known'}"


def disposition_text(item: DispositionLine) -> str:
    """One decision about a failure: when, by whom, what, and why."""
    when = instant(item.when_ms, seconds=False)
    return (
        f"disposition {when} UTC by {item.who}: {_class_and_mechanism(item.cls, item.mechanism)}; {item.why}"
    )


def incident_text(incident: Incident) -> str:
    """One suspected equipment incident, with its first chips."""
    more = len(incident.chips) - FIRST_CHIPS
    chips = ", ".join(incident.chips[:FIRST_CHIPS]) + (f" and {more:,} more" if more > 0 else "")
    return f"{incident_head(incident)}: {chips}"


def incident_head(incident: Incident) -> str:
    """How many chips failed together, where and when, and what that says."""
    together_ = " together" if len(incident.chips) != 1 else ""
    return (
        f"Suspect the equipment first: {count(len(incident.chips), 'chip')} failed{together_} on "
        f"{place(incident.rack, incident.board)}, {instant(incident.t_ms, seconds=False)} UTC"
    )


def incident_chip(failure: FailureFigures) -> str:
    """One chip of an incident, whose place and time are told already."""
    address = "" if failure.address is None else f", address {hexadecimal(failure.address)}"
    where = f"lot {failure.lot}, socket {failure.socket}, {credited(failure.hours)} h{address}"
    return f"{failure.serial}, {where}, {verdict(failure)}"


# Hours and reads


def hours(figures: Figures, width: int) -> Part:
    """What was credited, and what was not, by reason; on a narrow screen without the reasons that cost nothing."""
    plan = figures.plan
    done = f"credited {credited(figures.exposure.credited_h)} chip-hours"
    lost = [f"{reason} {shown}" for reason, shown in not_credited(figures)]
    some = [f"{reason} {shown}" for reason, shown in not_credited(figures) if shown != "0"]
    text, brief = (
        f"{done} ({elapsed(plan)}); not credited: {', '.join(items) or 'none'}" for items in (lost, some)
    )
    fits = len(wrap(text, width - MARGIN)) <= MOST_HOURS_LINES
    return account("Hours", width, (text if fits else brief, RANK_HOURS, PLAIN))


def elapsed(plan: Plan) -> str:
    """How far the campaign is, told by the chip that is furthest."""
    return f"longest-stressed chip {credited(plan.elapsed_h)} of {setting(plan.planned_hours)} h planned"


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
    every = f"in all {count(total.total, 'read')}, {total.errors:,} failed, failed chips included"
    return account("Reads", width, (read_error(figures), RANK_READS, PLAIN), (every, RANK_READS, PLAIN))


def read_error(figures: Figures) -> str:
    """The bound on the read-error probability at each confidence, behind the counts that it rests on."""
    total = figures.reads
    counts = f"{total.errors_at_risk:,} failed at risk of {total.credited:,} credited"
    known = [item for item in figures.read_error if item.per_read_upper is not None]
    looks = ", ".join(f"{upper(item.per_read_upper)} at {percent(item.confidence)}" for item in known)
    always = ", ".join(
        f"{upper(item.per_read_upper_anytime)} at {percent(item.confidence)}" for item in known
    )
    if not known:
        return f"{counts}: no bound on read errors yet"
    return f"{counts}: a read fails with probability at most {looks} (one look), {always} (any time; {READS_ASSUMED})"


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


def _set_aside(lot: LotFigures) -> str:
    more = lot.failed_all - lot.failed
    return f" ({lot.failed_all:,} with those not relevant)" if more else ""


def lots(figures: Figures, width: int) -> Part:
    """Each lot, and whether the lots may be pooled."""
    cells = [_lot_cells(lot) for lot in figures.lots]
    lines = table(cells, "<>>>") if cells else []
    pooled = (pooling(figures), RANK_LOT, PLAIN)
    return account("Lots", width, pooled, *((line, RANK_LOT, PLAIN) for line in lines))


def _lot_cells(lot: LotFigures) -> list[str]:
    return [
        f"lot {clip(lot.lot, NAME_CELLS)}:",
        f"{lot.failed:,} of {count(lot.loaded, 'chip')} failed{_set_aside(lot)},",
        f"{credited(lot.credited_h)} chip-hours,",
        f"{lot.reads_credited:,} reads credited",
    ]


def pooling(figures: Figures) -> str:
    """Whether the lots may be pooled, by which test."""
    test = figures.pooling
    p_value = "" if test.p_value is None else f", p = {lower(test.p_value)}"
    verdict = f"{test.verdict or 'no verdict'} ({test.method or 'no test'}{p_value})"
    return f"pooling test: {verdict}; one look, and not seeing a difference proves none"


def intake(figures: Figures, width: int) -> Part:
    """Counts of what came in."""
    text = ", ".join(f"{name} {number}" for name, number in intake_items(figures))
    return account("Intake", width, (text, RANK_INTAKE, PLAIN))


def intake_items(figures: Figures) -> list[tuple[str, str]]:
    """Every count of the intake, in the document's order."""
    return [(intake_name(name), f"{getattr(figures.intake, name):,}") for name in INTAKE_COUNTS]


def intake_trouble(figures: Figures) -> list[tuple[str, str]]:
    """The counts that tell of trouble and are not zero."""
    sound = {intake_name(name) for name in ("accepted", "waiting")}
    return [(name, number) for name, number in intake_items(figures) if name not in sound and number != "0"]


def intake_name(name: str) -> str:
    """A count's name in words."""
    return name.replace("_", " ")


def campaign(figures: Figures, width: int) -> Part:
    """The campaign and the conditions of its stress."""
    text = f"{figures.campaign}, {figures.plan.title}: {stress(figures.plan)}"
    return account("Campaign", width, (text, RANK_INTAKE, PLAIN))


def stress(plan: Plan) -> str:
    """The conditions of the stress."""
    return (
        f"{setting(plan.temp_c)} C ({setting(plan.temp_low_c)} to {setting(plan.temp_high_c)} C), "
        f"{self_heating(plan.self_heating_c)}, {volts(plan.supply_v)} V within {setting(plan.supply_tol_v)} V"
    )
