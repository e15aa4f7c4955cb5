"""What may be claimed: bounds on the failure rate and their conditions, coverage, and the target."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len

from monitor.faces.terminal.layout import (
    HEAD,
    MARGIN,
    PLAIN,
    TROUBLE,
    Part,
    account,
    column_widths,
    row,
    sentences,
    table,
    together,
)
from monitor.faces.terminal.ranks import (
    RANK_BY_LOT,
    RANK_CLAIM,
    RANK_COVERAGE,
    RANK_DETAIL,
    RANK_TARGET,
)
from monitor.faces.terminal.text import (
    ANY_TIME,
    NAME_CELLS,
    NONE_YET,
    ONE_LOOK,
    capital,
    clip,
    count,
    lower,
    nearest,
    percent,
    self_heating,
    setting,
    share,
    upper,
    volts,
)
from monitor.figures.document import (
    Anytime,
    Careful,
    EveryFailure,
    Figures,
    FixedLook,
    LifeRatios,
    LotFigures,
    LotMechanism,
    MechanismFigures,
    Plan,
    Ratios,
    Target,
    TargetFixed,
    UseLine,
)

CLOCK_HOURS = "hours to go are clock hours with every chip at risk credited"
FLEET = "fleet: sum over chips, not a life any one chip has covered"
WHAT_IF = "WHAT IF: recorded under another campaign file; no plan here was declared before the start"
LOTS_DIFFER = "lots differ: pooled figures are doubtful"
KINDS_OF_BOUND = f"One look: good for {ONE_LOOK}. Any time: {ANY_TIME}."


def claims(figures: Figures, width: int) -> Part:
    """Both bounds on the failure rate of each mechanism at each confidence, in FIT."""
    for with_hours in (True, False):
        lines = _claims_table(figures.mechanisms, with_hours=with_hours)
        if lines and max(map(cell_len, lines)) <= width:
            rows = [row(line, RANK_CLAIM, PLAIN if i > 1 else HEAD) for i, line in enumerate(lines)]
            doubt = [item for text in doubts(figures) for item in sentences(text, width, RANK_CLAIM, TROUBLE)]
            notes = [KINDS_OF_BOUND, *conditions(figures)]
            below = [item for note in notes for item in sentences(note, width, RANK_DETAIL)]
            return Part("Claims", [*together([*rows, *doubt]), *below])
    doubted = [(text, RANK_CLAIM, TROUBLE) for text in doubts(figures)]
    said = [(claim_sentence(item), RANK_CLAIM, PLAIN) for item in figures.mechanisms]
    notes_below = [(note, RANK_DETAIL, PLAIN) for note in conditions(figures)] if said else []
    return account("Claims", width, *doubted, *said, *notes_below)


def lots_differ(figures: Figures) -> bool:
    """Whether the test speaks against figures over all lots."""
    return figures.pooling.verdict == "lots differ"


def doubts(figures: Figures) -> list[str]:
    """What must stand beside the claims: a campaign other than the recorded one, lots that may not be pooled."""
    said = [WHAT_IF + "."] if is_what_if(figures) else []
    return [*said, capital(LOTS_DIFFER) + "."] if lots_differ(figures) else said


def is_what_if(figures: Figures) -> bool:
    """Whether the run was recorded under another campaign file than the figures were made with."""
    made = figures.provenance
    return made.recorded_sha256 is not None and made.recorded_sha256 != made.campaign_sha256


def conditions(figures: Figures) -> list[str]:
    """For which use the claims hold, and how the stress was converted to it."""
    factors = "; ".join(
        f"{item.name} {nearest(item.acceleration)} ({terms(item)})" for item in figures.mechanisms
    )
    return [f"In use: {use(figures.plan)}.", f"Acceleration at the set-point: {factors}."]


def use(plan: Plan) -> str:
    """The conditions of use, the longest first; what all of them share is said once, at the end."""
    lines = sorted(plan.use, key=lambda line: -line.share)
    common = {_supply_and_heating(line) for line in lines}
    if len(common) == 1:
        temperatures = ", ".join(f"{share(line.share)} at {setting(line.temp_c)} C" for line in lines)
        return f"{temperatures}, {common.pop()}"
    return (
        "; ".join(
            f"{share(line.share)} at {setting(line.temp_c)} C, {_supply_and_heating(line)}" for line in lines
        )
        or "not stated"
    )


def _supply_and_heating(line: UseLine) -> str:
    return f"{volts(line.supply_v)} V, {self_heating(line.self_heating_c)}"


def terms(item: MechanismFigures) -> str:
    """The terms of the acceleration: the activation energy, and the voltage where it has one."""
    said = [f"Ea {setting(item.ea_ev)} eV"]
    if item.gamma_per_v != 0:
        said.append(f"gamma {setting(item.gamma_per_v)} per V")
    if item.voltage_exponent != 0:
        said.append(f"voltage exponent {setting(item.voltage_exponent)}")
    return ", ".join(said)


def _claims_table(mechanisms: Sequence[MechanismFigures], *, with_hours: bool) -> list[str]:
    """Two header lines and one line a mechanism, one more where a failure was set aside; or nothing."""
    looks, always = _confidences(mechanisms)
    body = [line for item in mechanisms for line in _claim_lines(item, looks, always)]
    if not body:
        return []
    cells = [["FIT at most", "failures/all", "equivalent h", *map(percent, [*looks, *always])], *body]
    if not with_hours:
        cells = [[*line[:2], *line[3:]] for line in cells]
    over = _over("Claims", cells, len(looks), len(always))
    return [over, *table(cells, "<" + ">" * (len(cells[0]) - 1))]


def _confidences(items: Sequence[MechanismFigures | LotMechanism]) -> tuple[list[float], list[float]]:
    """The confidences of the bounds for one look, and of those for any time."""
    looks = {bound.confidence for item in items for bound in item.bounds}
    always = {bound.confidence for item in items for bound in item.anytime}
    return sorted(looks), sorted(always)


def _over(title: str, cells: Sequence[Sequence[str]], looks: int, always: int) -> str:
    """The line over a table whose last columns are so many bounds of either kind."""
    widths = column_widths(cells)
    first = len(widths) - looks - always
    left, one = sum(widths[:first]) + 2 * (first - 1), sum(widths[first:][:looks]) + 2 * looks
    rest = sum(widths) + 2 * (len(widths) - 1) - left - one
    return title.ljust(left) + "one look".rjust(one) + "any time".rjust(rest)


def _claim_lines(
    item: MechanismFigures, looks: Sequence[float], always: Sequence[float]
) -> Iterable[list[str]]:
    """What is claimed first; where Ea's uncertainty is stated, what would hold were it exact, below."""
    name, failures = clip(item.name, NAME_CELLS), f"{item.failures:,}/{item.all.failures:,}"
    plain = [lower(item.equivalent_h), *_bound_cells(item, looks, always)]
    careful = item.careful is not None and bool(item.careful.bounds)
    if item.careful is not None and careful:
        yield [name, failures, *_careful_cells(item.careful, looks, always)]
        yield ["  if Ea is exact", failures, *plain]
    else:
        yield [name, failures, *plain]
    if item.all.failures != item.failures:
        every = "  all, Ea exact" if careful else "  every failure"
        yield [every, f"{item.all.failures:,}", "", *_bound_cells(item.all, looks, always)]


def _careful_cells(stated: Careful, looks: Sequence[float], always: Sequence[float]) -> list[str]:
    last = max(stated.bounds, key=lambda bound: bound.confidence)
    at = {bound.confidence: bound for bound in stated.bounds}
    return [
        lower(last.equivalent_h),
        *(upper(at[c].fit_upper).removesuffix(" yet") if c in at else "-" for c in looks),
        *(upper(at[c].fit_upper_anytime).removesuffix(" yet") if c in at else "-" for c in always),
    ]


def _bound_cells(
    item: MechanismFigures | EveryFailure | LotMechanism, looks: Sequence[float], always: Sequence[float]
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
    return f"{item.name}: {_careful_words(item)}{_claim_words(item, counted)}"


def _careful_words(item: MechanismFigures) -> str:
    """The bounds that carry what is stated of Ea's uncertainty, before the plain ones."""
    if item.careful is None:
        return ""
    always = ", ".join(f"{fit(b.fit_upper_anytime)} at {percent(b.confidence)}" for b in item.careful.bounds)
    looks = ", ".join(f"{fit(b.fit_upper)} at {percent(b.confidence)}" for b in item.careful.bounds)
    return f"any time at most {always or NONE_YET}; one look at most {looks or NONE_YET}; if Ea is exact, "


def _claim_words(item: MechanismFigures | LotMechanism, counted: str) -> str:
    looks = ", ".join(_fit_at(bound) for bound in item.bounds)
    always = ", ".join(_fit_at(bound) for bound in item.anytime)
    said = f"any time at most {always or NONE_YET}; one look at most {looks or NONE_YET}"
    return f"{counted} in {lower(item.equivalent_h)} equivalent h; {said}"


def _fit_at(bound: FixedLook | Anytime) -> str:
    return f"{fit(bound.fit_upper)} at {percent(bound.confidence)}"


def fit(value: float | None) -> str:
    """An upper bound with its unit."""
    shown = upper(value)
    return shown if shown == NONE_YET else f"{shown} FIT"


def coverage(figures: Figures, width: int) -> Part:
    """Field lives covered: in reads and, by mechanism, in hours."""
    lives: list[tuple[str, Ratios | LifeRatios]] = read_lives(figures)
    lives += [(item.mechanism, item) for item in figures.coverage.life]
    cells = [_coverage_cells(clip(name, NAME_CELLS), ratios) for name, ratios in lives]
    lines = table(cells, "<<<<<")
    if max(map(cell_len, lines)) > width - MARGIN:
        lines = [" ".join(line) for line in cells]
    rows = [(line, RANK_COVERAGE, PLAIN) for line in lines]
    return account("Coverage", width, *rows, (FLEET, RANK_DETAIL, PLAIN))


def read_lives(figures: Figures) -> list[tuple[str, Ratios | LifeRatios]]:
    """Field lives covered in reads: of the macro, and of one word where the campaign says how many it has.

    The one that answers the field's figure is named first.
    """
    covered = figures.coverage
    name = "reads" if covered.words is None else "reads, macro"
    if covered.words is None and covered.reads_on == "word":
        name = "reads, not of a word"  # the field's are on one word, and how often it was read is not known
    macro: tuple[str, Ratios | LifeRatios] = (name, covered.reads)
    if covered.reads_word is None:
        return [macro]
    word: tuple[str, Ratios | LifeRatios] = ("reads, hot word", covered.reads_word)
    return [word, macro] if covered.reads_on == "word" else [macro, word]


def _coverage_cells(name: str, ratios: Ratios | LifeRatios) -> list[str]:
    chips = (
        f"least {lower(ratios.least)}",
        f"median {lower(ratios.median)}",
        f"most {lower(ratios.most)} lives,",
    )
    return [f"{name}:", *chips, f"fleet {lower(ratios.fleet)}"]


def target(figures: Figures, width: int) -> Part:
    """When the target is met, by either bound, with no further failure and with one more."""
    aim, plan = figures.target, figures.plan
    head = f"{setting(aim.fit)} FIT at {percent(aim.confidence)}"
    both = f"{head}, any time: {progress(aim, plan)}; one look: {progress(aim.fixed, plan)}"
    more = f"with one more failure: any time {one_more(aim, plan)}, one look "
    return account(
        "Target",
        width,
        (both, RANK_TARGET, HEAD),
        (f"{more}{one_more(aim.fixed, plan)}", RANK_DETAIL, PLAIN),
        (f"{limited_by(aim)}; {CLOCK_HOURS}", RANK_DETAIL, PLAIN),
    )


def limited_by(aim: Target) -> str:
    """Which mechanism keeps the target waiting longest."""
    doubt = ", with what is stated of Ea's uncertainty" if aim.careful else ""
    return f"limited by {aim.mechanism or 'no mechanism'}{doubt}, each mechanism for itself"


def progress(aim: Target | TargetFixed, plan: Plan) -> str:
    """Whether the target is met, or how far it is and when it would be met at the present rate."""
    if aim.met:
        return "met"
    if aim.hours_to_go is None:
        return "NOT met, hours to go not known yet"
    date = f"about {aim.date} at the present rate" if aim.date else "no date yet"
    return f"NOT met, {hours_to_go(aim.hours_to_go, plan, ' to go')}, {date}"


def one_more(aim: Target | TargetFixed, plan: Plan, to_go: str = "") -> str:
    """How far the target is, and when it would be met, with one more failure now."""
    date = f", about {aim.date_one_more}" if aim.date_one_more else ""
    return f"{hours_to_go(aim.hours_to_go_one_more, plan, to_go)}{date}"


def hours_to_go(hours: float | None, plan: Plan, to_go: str = "") -> str:
    """Clock hours still to go with every chip at risk credited all the time, rounded up."""
    if hours is None:
        return "not known yet"
    beyond = " (beyond the planned hours)" if hours > max(plan.planned_hours - plan.elapsed_h, 0) else ""
    return f"{upper(hours, 4)} h{to_go}{beyond}"


def claims_by_lot(figures: Figures, width: int) -> Part:
    """The claims of each lot for itself."""
    lines = lot_claims(figures.lots, width - MARGIN)
    return account("By lot", width, *((line, RANK_BY_LOT, PLAIN) for line in lines))


def lot_claims(given: Sequence[LotFigures], room: int) -> list[str]:
    """Bounds in FIT of each lot and mechanism: a table where there is room for it, else sentences."""
    items = [(lot.lot, item) for lot in given for item in lot.mechanisms]
    if not items:
        return []
    looks, always = _confidences([item for _, item in items])
    head = ["lot", "FIT at most", "failures", "equivalent h", *map(percent, [*looks, *always])]
    body = [
        [
            clip(lot, NAME_CELLS),
            clip(item.name, NAME_CELLS),
            f"{item.failures:,}",
            lower(item.equivalent_h),
            *_bound_cells(item, looks, always),
        ]
        for lot, item in items
    ]
    cells = [head, *body]
    lines = [
        _over("each lot alone", cells, len(looks), len(always)),
        *table(cells, "<<" + ">" * (len(head) - 2)),
    ]
    if max(map(cell_len, lines)) <= room:
        return lines
    return [
        f"lot {lot}, {item.name}: {_claim_words(item, count(item.failures, 'failure'))}"
        for lot, item in items
    ]
