"""The final figures as one page of plain text, for the end of a run and for paper. Pure; computes no figure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from rich.cells import cell_len

from monitor.faces.terminal import accounts, claims, evidence
from monitor.faces.terminal.boards import SOUND
from monitor.faces.terminal.drift import drift_text
from monitor.faces.terminal.layout import table
from monitor.faces.terminal.state import standing
from monitor.faces.terminal.text import (
    ANY_TIME,
    ONE_LOOK,
    clip,
    count,
    credited,
    instant,
    lower,
    measured,
    nearest,
    percent,
    place,
    scrub,
    setting,
    uncredited,
    upper,
    wrap,
)
from monitor.figures.document import (
    EveryFailure,
    FailureFigures,
    Figures,
    FixedLook,
    LifeRatios,
    MechanismFigures,
    Plan,
    Ratios,
    Target,
    TargetFixed,
)

WIDTH = 78
INDENT = "  "
CAUTION = (
    "Upper bounds are rounded up; credited hours, coverage and lower bounds are rounded down. An upper and a lower "
    "bound hold each for itself. These figures support a qualification decision; they do not make it."
)


def summary(figures: Figures) -> str:
    """Every important figure with its unit, in at most 78 columns, ending with what the figures are not."""
    figures = scrub(figures)
    paragraphs = [
        _heading(figures),
        _part("Chips", [next(standing(figures)), _chips(figures)]),
        *([_part("Suspected equipment incidents", _incidents(figures))] if figures.incidents else []),
        _part("Failures", _failures(figures)),
        _part("Hours at stress (chip-hours)", _hours(figures)),
        _part("Reads", _reads(figures)),
        *(
            _part(
                f"Failure rate, mechanism {item.name}",
                [*claims.doubts(figures), *_mechanism(item, figures.plan)],
            )
            for item in figures.mechanisms
        ),
        _part("Failure rate, all mechanisms together", evidence.total(figures)),
        _part("Target", _target(figures)),
        _part("Coverage of one field life (1 is the whole life)", _coverage(figures)),
        _part("Lots", _lots(figures)),
        _part("What came in (messages)", _intake(figures)),
        *(
            _part(f"Drift at read points, {item.parameter} ({item.unit})", drift_text(item))
            for item in figures.drift
        ),
        *([_part("Cautions", figures.cautions)] if figures.cautions else []),
        "\n".join(wrap(CAUTION, WIDTH)),
    ]
    return "\n\n".join(paragraphs) + "\n"


def _part(title: str, texts: Iterable[str]) -> str:
    """A title and below it each text, indented; what is too wide goes on in the next line, as far in."""
    return "\n".join([*wrap(title, WIDTH), *(line for text in texts for line in _indented(text))])


def _indented(text: str) -> list[str]:
    bare = text.lstrip(" ")
    indent = INDENT + " " * (len(text) - len(bare))
    room = WIDTH - len(indent)
    return [indent + line for line in ([bare] if cell_len(bare) <= room else wrap(bare, room))]


def _heading(figures: Figures) -> str:
    plan = figures.plan
    stamp = (
        "before the first message" if figures.as_of_ms is None else f"as of {instant(figures.as_of_ms)} UTC"
    )
    texts = (
        f"{figures.campaign}: {plan.title}, {stamp}",
        f"Stress {accounts.stress(plan)}; {accounts.elapsed(plan)}.",
        f"FIT holds in use: {claims.use(plan)}.",
        _made_with(figures),
        *([claims.WHAT_IF + "."] if claims.is_what_if(figures) else []),
    )
    return "\n".join(line for text in texts for line in wrap(text, WIDTH))


def _made_with(figures: Figures) -> str:
    made = figures.provenance
    recorded = made.recorded_sha256
    under = {None: "the run does not say under which", made.campaign_sha256: "the one it was recorded under"}
    told = under.get(recorded, f"NOT the one it was recorded under, {(recorded or '')[:12]}")
    return f"Made with {made.software}, campaign file sha256 {made.campaign_sha256[:12]} ({told})."


def _chips(figures: Figures) -> str:
    chips = figures.chips
    return (
        f"Loaded {chips.loaded:,}, at risk {chips.at_risk:,}, failed {chips.failed:,}, "
        f"failed but not relevant {chips.not_relevant:,}, places the campaign does not name {chips.strangers:,}."
    )


def _failures(figures: Figures) -> Iterator[str]:
    together = accounts.in_incidents(figures)
    alone = [failure for failure in figures.failures if failure.serial not in together]
    if not alone:
        yield "None besides the incidents." if figures.failures else "None."
    for item in sorted(alone, key=lambda failure: failure.t_ms):
        where = place(item.rack, item.board, item.socket)
        yield f"{item.serial}, lot {item.lot}, {where}"
        yield f"{INDENT}failed {instant(item.t_ms)} UTC after {credited(item.hours)} credited hours"
        yield INDENT + accounts.failure_detail(item) + "."
        yield from (INDENT + accounts.disposition_text(line) for line in item.dispositions)


def _incidents(figures: Figures) -> Iterator[str]:
    """Each incident, and one line for each of its chips, which are not told again among the failures."""
    failed = {failure.serial: failure for failure in figures.failures}
    for incident in figures.incidents:
        yield accounts.incident_head(incident) + ":"
        for serial in incident.chips:
            yield from _incident_chip(serial, failed.get(serial))


def _incident_chip(serial: str, failure: FailureFigures | None) -> Iterator[str]:
    if failure is None:
        yield INDENT + serial
        return
    yield INDENT + accounts.incident_chip(failure)
    yield from (INDENT * 2 + accounts.disposition_text(line) for line in failure.dispositions)


def _hours(figures: Figures) -> Iterator[str]:
    lost = figures.exposure.uncredited_h
    lines = [
        ["credited", credited(figures.exposure.credited_h)],
        ["not credited, not read at the rate asked", uncredited(lost.not_reading)],
        ["not credited, temperature outside limits", uncredited(lost.temperature)],
        ["not credited, supply outside limits", uncredited(lost.supply)],
        ["not credited, unwitnessed (no tally for too long)", uncredited(lost.unwitnessed)],
        ["not credited, counter fault", uncredited(lost.counter)],
    ]
    yield from table(lines, "<>")
    for board in sorted(figures.boards, key=lambda item: (item.rack, item.board)):
        if board.state not in SOUND:
            seen = f"{measured(board.temp_c, 1)} C, {measured(board.supply_v, 3)} V"
            yield f"not credited now: {place(board.rack, board.board)}, {board.state} (last {seen})"


def _reads(figures: Figures) -> Iterator[str]:
    reads = figures.reads
    yield from table(
        [
            ["credited", f"{reads.credited:,}"],
            ["in all", f"{reads.total:,}"],
            ["failed", f"{reads.errors:,}"],
            ["failed while the chip was at risk", f"{reads.errors_at_risk:,}"],
        ],
        "<>",
    )
    yield f"probability that a read fails ({accounts.READS_ASSUMED}):"
    counts = [f"{reads.errors_at_risk:,}", f"{reads.credited:,}"]
    bounds = [
        [percent(item.confidence), upper(item.per_read_upper), upper(item.per_read_upper_anytime), *counts]
        for item in figures.read_error
    ]
    head = ["confidence", "one look", "any time", "failed at risk", "of reads credited"]
    yield from (INDENT + line for line in table([head, *bounds], ">>>>>"))
    for item in figures.read_error:
        if item.per_bit_upper is not None:
            yield (
                f"a bit of it is wrong: at most {upper(item.per_bit_upper)} at {percent(item.confidence)} (one look), "
                f"{upper(item.per_bit_upper_anytime)} any time"
            )


def _mechanism(item: MechanismFigures, plan: Plan) -> Iterator[str]:
    if item.careful is not None:
        yield from evidence.careful(item.careful)
        yield "were Ea exact:"
    yield f"acceleration {nearest(item.acceleration)} at the set-point: {claims.terms(item)}"
    yield f"{lower(item.equivalent_h)} equivalent hours of use"
    yield f"{count(item.failures, 'failure')} after disposition{_point(item.bounds)}:"
    yield from _bounds(item)
    same = (item.all.failures, item.all.bounds, item.all.anytime) == (
        item.failures,
        item.bounds,
        item.anytime,
    )
    yield f"{count(item.all.failures, 'failure')} with every failed chip counted{_point(item.all.bounds)}:"
    yield from [INDENT + "the same bounds"] if same else _bounds(item.all)
    if item.pass_line is not None:
        yield evidence.pass_line(item, item.pass_line)
    if item.sequential is not None:
        yield evidence.sequential(item, item.sequential)
    yield from evidence.life(item.life, plan.life_years)
    yield from evidence.early(item.early)
    if item.fitted is not None:
        yield evidence.fitted(item.fitted)
    yield from evidence.influences(item.influences)


def _point(bounds: Sequence[FixedLook]) -> str:
    return f", point estimate {nearest(bounds[0].fit_point)} FIT" if bounds else ""


def _bounds(item: MechanismFigures | EveryFailure) -> Iterator[str]:
    lines = [["confidence", "FIT (failures in 1e9 device-hours)", "at most", "at least"]]
    for look in item.bounds:
        lines.append([percent(look.confidence), ONE_LOOK, upper(look.fit_upper), lower(look.fit_lower)])
    for bound in item.anytime:
        lines.append([percent(bound.confidence), ANY_TIME, upper(bound.fit_upper), "-"])
    yield from (INDENT + line for line in table(lines, "><>>"))


def _target(figures: Figures) -> Iterator[str]:
    aim, plan = figures.target, figures.plan
    yield f"{setting(aim.fit)} FIT at {percent(aim.confidence)} confidence; {claims.limited_by(aim)}"
    yield from _progress(ANY_TIME, aim, plan)
    yield from _progress(ONE_LOOK, aim.fixed, plan)
    yield (
        f"who stops as soon as the one-look bound meets the target, and would go on after one failure more, claims "
        f"{percent(math.floor(aim.fixed.watched_confidence * 1000) / 1000)}, not {percent(aim.confidence)}"
    )
    if figures.forecast is not None and not aim.met:
        yield evidence.forecast(figures.forecast)
    yield claims.CLOCK_HOURS


def _progress(kind: str, aim: Target | TargetFixed, plan: Plan) -> Iterator[str]:
    yield f"{kind}: {claims.progress(aim, plan)}"
    yield f"  with one more failure: {claims.one_more(aim, plan, ' to go')}"


def _coverage(figures: Figures) -> list[str]:
    rows: list[tuple[str, Ratios | LifeRatios]] = claims.read_lives(figures)
    rows += [(f"hours, {clip(item.mechanism, 24)}", item) for item in figures.coverage.life]
    body = [[name, *map(lower, (r.least, r.median, r.most, r.fleet))] for name, r in rows]
    return [*table([["", "least chip", "median", "most", "fleet"], *body], "<>>>>"), claims.FLEET]


def _lots(figures: Figures) -> Iterator[str]:
    body = [
        [
            clip(lot.lot, 12),
            f"{lot.loaded:,}",
            f"{lot.failed:,}/{lot.failed_all:,}",
            credited(lot.credited_h),
            f"{lot.reads_credited:,}",
        ]
        for lot in figures.lots
    ]
    yield from table([["lot", "loaded", "failed/all", "credited h", "reads credited"], *body], "<>>>>")
    yield accounts.pooling(figures)
    yield from claims.lot_claims(figures.lots, WIDTH - len(INDENT))


def _intake(figures: Figures) -> Iterator[str]:
    yield ", ".join(f"{name} {number}" for name, number in accounts.intake_items(figures))
    reasons = figures.intake.invalid_reasons
    if reasons:
        yield "invalid by reason: " + ", ".join(f"{reason} {number:,}" for reason, number in reasons.items())
    for rack, board, socket in figures.intake.stranger_places:
        yield "stranger at " + (rack if board is None else place(rack, board, socket))
    if figures.intake.noted:
        yield "the latest of each kind: lifebound figures --intake"
