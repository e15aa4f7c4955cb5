"""The figures document: the one frozen set of figures that every face reads.

Field order is the order in the JSON, so equal figures give equal bytes. Numbers that do not exist (no hours yet)
or are not finite are null. Hours are decimal hours, FIT is failures per 1e9 device-hours, ratios are plain.
"""

from __future__ import annotations

import math

import msgspec

from shared.shown import plain_json


class Chips(msgspec.Struct, frozen=True):
    """Chips the campaign names, and places that carry a chip it does not name."""

    loaded: int
    at_risk: int
    failed: int
    not_relevant: int
    strangers: int
    reading: int  # at risk and credited by the last interval of their board


class Uncredited(msgspec.Struct, frozen=True):
    """Chip-hours not credited, by the first reason that held."""

    counter: float
    unwitnessed: float
    temperature: float
    supply: float
    not_reading: float


class Exposure(msgspec.Struct, frozen=True):
    """Chip-hours at stress."""

    credited_h: float
    uncredited_h: Uncredited


class Reads(msgspec.Struct, frozen=True):
    """Exact counts of reads and of failed reads."""

    total: int
    credited: int
    errors: int
    errors_at_risk: int


class FixedLook(msgspec.Struct, frozen=True):
    """Bounds on the failure rate for one look at a time fixed in advance."""

    confidence: float
    fit_upper: float | None
    fit_lower: float | None
    fit_point: float | None


class Anytime(msgspec.Struct, frozen=True):
    """Upper bound on the failure rate that holds however often one looks."""

    confidence: float
    fit_upper: float | None


class CarefulBound(msgspec.Struct, frozen=True):
    """Upper bounds with the stated uncertainty of the activation energy carried in; it is these that are claimed."""

    confidence: float
    ea_ev: float  # at which the least was credited, at the set-point
    acceleration: float  # at the set-point
    equivalent_h: float
    fit_upper: float | None
    fit_upper_anytime: float | None


class Careful(msgspec.Struct, frozen=True):
    """What is stated of an activation energy besides its value: an interval, or a normal error."""

    ea_low_ev: float | None
    ea_high_ev: float | None
    ea_sd_ev: float | None
    bounds: list[CarefulBound]


class Influence(msgspec.Struct, frozen=True):
    """How far the any-time bound moves with one parameter at both ends of its swing, all else as it is."""

    parameter: str
    low: float
    high: float
    fit_at_low: float
    fit_at_high: float
    stated: bool  # the campaign states these ends; else they are a trial


class LifeShown(msgspec.Struct, frozen=True):
    """What is shown at the end of the field life, for an assumed Weibull shape (1: constant rate)."""

    shape: float
    confidence: float
    reliability_lower: float | None
    reliability_lower_anytime: float | None
    average_fit_upper: float | None
    average_fit_upper_anytime: float | None


class EarlyShown(msgspec.Struct, frozen=True):
    """Failures in the first hours of field use, at a constant rate over these hours."""

    confidence: float
    early_life_h: float
    failures: int
    fit_upper: float | None  # one look
    ppm_upper: float | None
    fit_upper_anytime: float | None
    ppm_upper_anytime: float | None
    covers: bool  # every chip was tried for as long; else extrapolated


class CurveStep(msgspec.Struct, frozen=True):
    """One step of the survival and cumulative hazard curves, in equivalent hours of use, with two-sided limits."""

    t_h: float
    at_risk: int
    failures: int
    survival: float
    survival_lower: float | None
    survival_upper: float | None
    hazard: float


class LifeFitted(msgspec.Struct, frozen=True):
    """A Weibull distribution fitted to three failures or more; limits are two-sided, by likelihood ratio."""

    confidence: float
    shape: float
    shape_lower: float | None
    shape_upper: float | None
    scale_h: float
    scale_lower_h: float | None
    scale_upper_h: float | None
    reliability: float  # at the end of the field life
    reliability_lower: float | None
    reliability_upper: float | None


class PassLineStanding(msgspec.Struct, frozen=True):
    """A pass line declared before the start: passed once the equivalent hours reach it at the failures so far.

    ``verdict``: "passed", "go on" or "failed"; ``decided_h`` the equivalent hours at which it fell.
    """

    failures_allowed: int
    confidence: float
    fixed_look_confidence: float  # of the fixed-look bound that gives the line
    pass_h: float | None  # at the failures so far; None beyond those allowed
    verdict: str
    decided_h: float | None
    verdict_all: str  # with every failed chip counted


class SequentialStanding(msgspec.Struct, frozen=True):
    """A truncated Wald test of the target against the rate of a good product.

    ``verdict``: "accept", "reject" or "go on", final once made; lines at the failures so far, in equivalent hours.
    """

    good_fit: float
    producer_risk: float
    consumer_risk: float
    exact_producer_risk: float
    exact_consumer_risk: float
    accept_h: float | None
    reject_h: float | None  # up to which one more failure rejects
    truncation_failures: int
    truncation_h: float
    verdict: str
    decided_h: float | None
    verdict_all: str  # with every failed chip counted


class EveryFailure(msgspec.Struct, frozen=True):
    """The same bounds with every failed chip counted, whatever its disposition."""

    failures: int
    bounds: list[FixedLook]
    anytime: list[Anytime]


class MechanismFigures(msgspec.Struct, frozen=True):
    """What may be claimed of one failure mechanism."""

    name: str
    ea_ev: float
    gamma_per_v: float  # 0: no such term
    voltage_exponent: float  # 0: no such term
    acceleration: float  # at the set-point of the stress
    equivalent_h: float
    failures: int
    bounds: list[FixedLook]
    anytime: list[Anytime]
    all: EveryFailure
    effective_use_temp_c: float | None  # junction; the one use temperature of the same thermal factor
    careful: Careful | None
    pass_line: PassLineStanding | None
    sequential: SequentialStanding | None
    life: list[LifeShown]
    early: list[EarlyShown]
    fitted: LifeFitted | None
    curve: list[CurveStep]
    influences: list[Influence]  # the widest first


class TotalBounds(msgspec.Struct, frozen=True):
    """Upper bounds on the part's total rate over all mechanisms, in FIT."""

    confidence: float
    sum_of_bounds: float | None
    weighted: float | None  # one look
    anytime: float | None


class ReadErrorBound(msgspec.Struct, frozen=True):
    """Upper bound on the probability that a read fails, and that a bit of it is wrong."""

    confidence: float
    per_read_upper: float | None  # one look
    per_read_upper_anytime: float | None
    per_bit_upper: float | None  # one look; None where the campaign does not say how many bits a word has
    per_bit_upper_anytime: float | None


class TargetFixed(msgspec.Struct, frozen=True):
    """The target by the fixed-look bound.

    ``watched_confidence`` is what is left of the confidence for who stops as soon as this bound meets the target, and
    would go on after one failure more than there is.
    """

    met: bool
    hours_to_go: float | None
    hours_to_go_one_more: float | None
    date: str | None
    date_one_more: str | None
    watched_confidence: float


class Target(msgspec.Struct, frozen=True):
    """The target by the anytime bound, for the mechanism that meets it last, at the highest stated confidence."""

    fit: float
    met: bool
    hours_to_go: float | None
    hours_to_go_one_more: float | None
    date: str | None
    confidence: float
    mechanism: str
    fixed: TargetFixed
    date_one_more: str | None
    careful: bool  # the mechanism that limits it is judged by its careful bounds


class Forecast(msgspec.Struct, frozen=True):
    """Chance of meeting the target by the planned end: a forecast (posterior predictive), never the claim."""

    planned_hours: float
    to_go_h: float  # clock hours left of the planned ones
    chance_anytime: float | None  # of meeting it at some time up to the planned end
    chance_fixed: float | None  # of meeting it at one look at the planned end
    mechanism: str
    assumptions: str


class PoolingFigures(msgspec.Struct, frozen=True):
    """Whether the lots may be pooled."""

    p_value: float | None
    verdict: str
    method: str


class Ratios(msgspec.Struct, frozen=True):
    """Reads credited over the reads of one field life, over chips."""

    least: float
    median: float
    most: float
    fleet: float


class LifeRatios(msgspec.Struct, frozen=True):
    """Equivalent hours credited over the hours of one field life, over chips."""

    mechanism: str
    least: float
    median: float
    most: float
    fleet: float


class CoverageFigures(msgspec.Struct, frozen=True):
    """How many times the field life is covered."""

    reads: Ratios
    life: list[LifeRatios]
    reads_on: str  # what the field's reads fall on: "macro" (spread over its words) or "word" (one hot word)
    words: int | None
    reads_word: (
        Ratios | None
    )  # of one word, were all of the field's reads on it; None where words are not stated


class LotMechanism(msgspec.Struct, frozen=True):
    """What one lot alone shows of one mechanism, after disposition."""

    name: str
    equivalent_h: float
    failures: int
    bounds: list[FixedLook]
    anytime: list[Anytime]


class LotFigures(msgspec.Struct, frozen=True):
    """One lot of the campaign."""

    lot: str
    loaded: int
    failed: int  # after disposition
    failed_all: int
    credited_h: float
    reads_credited: int
    mechanisms: list[LotMechanism]


class DispositionLine(msgspec.Struct, frozen=True, rename={"cls": "class"}):
    """A judgement of a failed chip, as it was entered."""

    cls: str
    mechanism: str | None
    who: str
    why: str
    when_ms: int


class ReadPointLine(msgspec.Struct, frozen=True):
    """All chips at one read point. A chip has shifted when its change is further than this from the median change."""

    read_point_h: float
    chips: int
    median: float
    least_margin: float
    worst_serial: str
    median_change: float | None
    shift_beyond: float | None


class ShiftedLine(msgspec.Struct, frozen=True):
    """A chip whose change since 0 h stands out at a read point."""

    serial: str
    read_point_h: float
    change: float


class OutsideLine(msgspec.Struct, frozen=True):
    """A value outside its limits: a parametric failure, not counted among the failures of the reads."""

    serial: str
    read_point_h: float
    value: float


class LateLine(msgspec.Struct, frozen=True):
    """A chip measured later after the end of stress than the usual window allows."""

    serial: str
    read_point_h: float
    off_stress_h: float
    restress_h: float


class ExtrapolationLine(msgspec.Struct, frozen=True):
    """The value of the worst chip at the end of the field life, by one model; or the reason why there is none.

    ``bound`` is on one side, toward the limit; ``low_end`` and ``high_end`` are the two-sided prediction interval.
    """

    model: str
    serial: str
    shown_for: list[str]
    value: float | None
    low_end: float | None
    high_end: float | None
    bound: float | None
    inside: bool | None
    inside_with_confidence: bool | None
    reason: str | None


class ParameterFigures(msgspec.Struct, frozen=True):
    """Drift of one parameter that was measured at read points."""

    parameter: str
    unit: str
    low_limit: float | None
    high_limit: float | None
    mechanism: str
    confidence: float
    life_stress_h: float  # hours of stress that stand for the field life
    read_points: list[ReadPointLine]
    shifted: list[ShiftedLine]
    outside: list[OutsideLine]
    late: list[LateLine]
    extrapolations: list[ExtrapolationLine]


class FailureFigures(msgspec.Struct, frozen=True):
    """One failed chip. ``hours`` and ``reads`` are those credited to it."""

    serial: str
    lot: str
    rack: str
    board: int
    socket: int
    t_ms: int
    up_ms: int
    boot: str
    hours: float
    reads: int
    address: int | None
    expected: str | None
    observed: str | None
    witness: str  # "messages" or "counters"
    disposition: str | None  # "relevant", "not-relevant", or null while it waits for one
    mechanism: str | None
    dispositions: list[DispositionLine]  # all of them, oldest first; the last one stands


class Incident(msgspec.Struct, frozen=True):
    """Several chips of one board that failed together: suspect the equipment first."""

    rack: str
    board: int
    chips: list[str]
    t_ms: int


class SocketFigures(msgspec.Struct, frozen=True):
    """One socket of a board: its chip, and how it stands."""

    socket: int
    serial: str
    state: str


class BoardFigures(msgspec.Struct, frozen=True):
    """One board by its last folded tally.

    ``state`` is the first that holds of: "never seen", "offline", "silent", "starting" (no interval of the present
    boot yet), "no chip at risk", "unwitnessed", "temperature", "supply", "counter", "not reading", "stressing".
    A socket's state is one of "reading", "failed", "not relevant", or one of the words above. ``overdue``: no evidence
    came for longer than it may take, of a board never seen since the first entry of the run.
    """

    rack: str
    board: int
    last_seq: int | None
    last_t_ms: int | None
    temp_c: float | None
    supply_v: float | None
    state: str
    last_recv_ms: int | None
    boots: int
    credited_h: float
    sockets: list[SocketFigures]
    overdue: bool = False


class NotedFigures(msgspec.Struct, frozen=True):
    """One of the latest refused messages, or of the latest faults that the fold came upon.

    A refused message has its ``topic`` and the beginning of its payload as ``excerpt``; a fault has the place, the
    boot and the ``seq`` of the tally (of a disagreement the ``n`` of the error message). Every text is printable
    ASCII: whatever else was sent is escaped.
    """

    kind: str
    t_recv_ms: int
    topic: str | None
    rack: str | None
    board: int | None
    boot: str | None
    seq: int | None
    detail: str
    excerpt: str | None


class RackFigures(msgspec.Struct, frozen=True):
    """How the latest messages of a rack fared: ``refused`` of ``judged``, and what is wrong with most of them.

    Duplicates and messages of places that the campaign does not name are in neither count.
    """

    rack: str
    judged: int
    refused: int
    reason: str | None


class Intake(msgspec.Struct, frozen=True):
    """What came in, message by message; ``noted`` has the latest of each kind, oldest first."""

    accepted: int
    duplicates: int
    conflicts: int
    late: int
    gaps: int
    invalid: int
    strangers: int
    counter_faults: int
    waiting: int
    disagreements: int
    invalid_reasons: dict[str, int]
    stranger_places: list[tuple[str, int | None, int | None]]
    noted: list[NotedFigures] = []


class UseLine(msgspec.Struct, frozen=True):
    """One condition of use and its share of the field life."""

    share: float
    temp_c: float
    supply_v: float
    self_heating_c: float


class Plan(msgspec.Struct, frozen=True):
    """What the campaign file asks for, as far as a face needs it beside the figures."""

    title: str
    planned_hours: float
    temp_c: float
    temp_low_c: float
    temp_high_c: float
    supply_v: float
    supply_tol_v: float
    supply_low_v: float
    supply_high_v: float
    self_heating_c: float
    use: list[UseLine]
    report_interval_s: float
    max_gap_s: float
    life_years: float
    elapsed_h: float  # of stress: the longest-stressed chip's credited hours
    running_h: float  # by receive time, from the first entry of the journal to the last


class Provenance(msgspec.Struct, frozen=True):
    """What the figures were made with.

    Two hashes that differ tell of a what-if, whose plans nobody declared before the start.
    """

    campaign_sha256: str
    recorded_sha256: str | None  # of the campaign the run was recorded under; None where the run does not say
    software: str


class Figures(msgspec.Struct, frozen=True):
    """The figures document (``figures --json``, ``GET /v1/figures``)."""

    campaign: str
    as_of_ms: int | None
    chips: Chips
    exposure: Exposure
    reads: Reads
    mechanisms: list[MechanismFigures]
    read_error: list[ReadErrorBound]
    target: Target
    pooling: PoolingFigures
    coverage: CoverageFigures
    lots: list[LotFigures]
    failures: list[FailureFigures]
    incidents: list[Incident]
    boards: list[BoardFigures]
    intake: Intake
    plan: Plan
    total: list[TotalBounds]
    forecast: Forecast | None
    drift: list[ParameterFigures]
    provenance: Provenance
    cautions: list[str]  # claims that are legal but weak, in plain sentences
    racks: list[RackFigures] = []


def to_json(figures: Figures) -> bytes:
    """The document as JSON; equal figures give equal bytes, with no control character among them."""
    document = msgspec.json.encode(figures)
    return (
        document if document.isascii() and b"\x7f" not in document else plain_json(document.decode()).encode()
    )


def from_json(data: bytes) -> Figures:
    """Read a document back, as the terminal view does. Raises msgspec.MsgspecError."""
    try:
        return msgspec.json.decode(data, type=Figures)
    except (UnicodeDecodeError, RecursionError) as error:
        raise msgspec.DecodeError(str(error)) from None


def finite(value: float | None) -> float | None:
    """The value, or None when it is not a finite number."""
    return value if value is not None and math.isfinite(value) else None
