"""The figures document: the one frozen set of figures that every face reads.

Field order is the order in the JSON, so equal figures give equal bytes. Numbers that do not exist (no hours yet)
or are not finite are null. Hours are decimal hours, FIT is failures per 1e9 device-hours, ratios are plain.
"""

from __future__ import annotations

import math

import msgspec


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


class ReadErrorBound(msgspec.Struct, frozen=True):
    """Upper bound on the probability that a read fails."""

    confidence: float
    per_read_upper: float | None


class TargetFixed(msgspec.Struct, frozen=True):
    """The target by the fixed-look bound."""

    met: bool
    hours_to_go: float | None
    hours_to_go_one_more: float | None
    date: str | None


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
    failed: int
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
    A socket's state is one of "reading", "failed", "not relevant", or one of the words above.
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


class Intake(msgspec.Struct, frozen=True):
    """What came in, message by message."""

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
    elapsed_h: float  # of stress: the longest-stressed chip's credited hours
    running_h: float  # by receive time, from the first entry of the journal to the last


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


def to_json(figures: Figures) -> bytes:
    """The document as JSON; equal figures give equal bytes."""
    return msgspec.json.encode(figures)


def from_json(data: bytes) -> Figures:
    """Read a document back, as the terminal view does. Raises msgspec.MsgspecError."""
    return msgspec.json.decode(data, type=Figures)


def finite(value: float | None) -> float | None:
    """The value, or None when it is not a finite number."""
    return value if value is not None and math.isfinite(value) else None
