"""What goes wrong in a simulation: rates, and explicit events that a test or a user orders. Plain frozen data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from shared.errors import InputError

Cause = Literal["infant", "random", "wear-out", "soft", "hard", "burst", "contact"]
UpsetKind = Literal[
    "contact-fail",  # board: every read fails
    "contact-stop",  # board: no read is done
    "droop",  # board: supply lower by amount (V)
    "temp-lost",  # board: temp_c is null
    "supply-lost",  # board: supply_v is null
    "socket-stop",  # socket: silently not read any more
    "excursion",  # rack: temperature higher by amount (°C)
    "reboot",  # rack: down for so long, then a new boot
    "outage",  # rack: no network, later backfill
    "clock-jump",  # rack: wall clock set forward by amount (s), back if negative
]
OF_RACK: frozenset[UpsetKind] = frozenset({"excursion", "reboot", "outage", "clock-jump"})
OF_SOCKET: frozenset[UpsetKind] = frozenset({"socket-stop"})


@dataclass(frozen=True, slots=True)
class FailAt:
    """Chip ``serial`` fails ``at_h`` hours into the campaign.

    ``soft`` is one failed read, ``burst`` some reads in a row, every other cause a cell that fails from then on.
    """

    serial: str
    at_h: float
    cause: Cause = "hard"
    mechanism: str | None = None


@dataclass(frozen=True, slots=True)
class Upset:
    """Something happens to a rack, board or socket from ``at_h`` on for ``hours``."""

    kind: UpsetKind
    rack: str
    at_h: float
    hours: float = 0.0
    board: int = 0
    socket: int = 0
    amount: float = 0.0


@dataclass(frozen=True, slots=True)
class Rate:
    """Upsets of a kind at random: ``per_h`` for each rack, board or socket (whichever the kind is of)."""

    kind: UpsetKind
    per_h: float
    hours: float
    amount: float = 0.0


@dataclass(frozen=True, slots=True)
class Life:
    """A Weibull population of lives: ``share`` of the chips have it, per mechanism (all if None)."""

    cause: Literal["infant", "random", "wear-out"]
    shape: float
    scale_use_h: float
    share: float = 1.0
    mechanism: str | None = None


@dataclass(frozen=True, slots=True)
class Faults:
    """All that goes wrong. The default is nothing: a ramp to temperature, then a quiet soak.

    ``duplicates``, ``reorders`` and ``losses`` are shares of messages; a duplicate or a moved message comes up to
    ``delay_s`` later. ``soft_per_chip_h`` and the like are rates per chip and hour at stress.
    """

    fail: tuple[FailAt, ...] = ()
    upsets: tuple[Upset, ...] = ()
    lives: tuple[Life, ...] = ()
    rates: tuple[Rate, ...] = ()
    soft_per_chip_h: float = 0.0
    hard_per_chip_h: float = 0.0
    burst_per_chip_h: float = 0.0
    duplicates: float = 0.0
    reorders: float = 0.0
    losses: float = 0.0
    delay_s: float = 25.0
    ramp_h: float = 0.25

    def __post_init__(self) -> None:
        if not all(0 <= share < 1 for share in (self.duplicates, self.reorders, self.losses)):
            raise InputError("duplicates, reorders and losses are shares: at least 0 and below 1")


class _Place(Protocol):
    @property
    def serial(self) -> str: ...
    @property
    def rack(self) -> str: ...
    @property
    def board(self) -> int: ...
    @property
    def socket(self) -> int: ...


class _Mechanism(Protocol):
    @property
    def name(self) -> str: ...
    @property
    def acceleration(self) -> float: ...


class _Setup(Protocol):
    @property
    def chips(self) -> Sequence[_Place]: ...
    @property
    def mechanisms(self) -> Sequence[_Mechanism]: ...
    @property
    def temp_tol_plus_c(self) -> float: ...
    @property
    def supply_tol_v(self) -> float: ...


PRESETS = ("quiet", "demo", "harsh")


def preset(name: str, setup: _Setup, hours: float) -> Faults:
    """The faults that ``name`` (one of PRESETS) stands for in a campaign of ``hours``. Raises InputError."""
    match name:
        case "quiet":
            return Faults()
        case "demo":
            return _demo(setup, hours)
        case "harsh":
            return _harsh(setup, hours)
    raise InputError(f"no preset {name!r}; there are {', '.join(PRESETS)}")


def _demo(setup: _Setup, hours: float) -> Faults:
    """Invented, one of each at fixed parts of the time, spread over racks and boards as far as there are any."""
    places = sorted({(chip.rack, chip.board) for chip in setup.chips})
    racks = sorted({rack for rack, _ in places})
    broken = places[-1]
    sound = [chip for chip in setup.chips if (chip.rack, chip.board) != broken] or list(setup.chips)
    early, upset, worn, unread = (sound[len(sound) * part // 8] for part in (1, 3, 5, 7))
    names: list[str | None] = [mechanism.name for mechanism in setup.mechanisms]
    names = names or [None]
    return Faults(
        fail=(
            FailAt(early.serial, 0.08 * hours, "infant", names[0]),
            FailAt(upset.serial, 0.35 * hours, "soft"),
            FailAt(worn.serial, 0.85 * hours, "wear-out", names[-1]),
        ),
        upsets=(
            Upset("socket-stop", unread.rack, 0.25 * hours, hours, unread.board, unread.socket),
            Upset("contact-fail", broken[0], 0.45 * hours, min(3.0, 0.06 * hours), broken[1]),
            Upset("reboot", racks[0], 0.55 * hours, min(0.05, 0.01 * hours)),
            Upset("excursion", racks[0], 0.62 * hours, 0.04 * hours, amount=setup.temp_tol_plus_c + 6.0),
            Upset("outage", racks[-1], 0.72 * hours, 0.05 * hours),
        ),
        duplicates=0.002,
        reorders=0.002,
        ramp_h=min(0.25, 0.02 * hours),
    )


def _harsh(setup: _Setup, hours: float) -> Faults:
    """Everything, several times in a campaign of whatever length. Invented."""
    boards = len({(chip.rack, chip.board) for chip in setup.chips})
    often, short = 2.0 / hours, 0.02 * hours
    lives = []
    for mechanism in setup.mechanisms:
        stressed_h = hours * mechanism.acceleration
        lives += [
            Life("infant", 0.4, 0.05 * stressed_h, share=0.02, mechanism=mechanism.name),
            Life("random", 1.0, 50 * stressed_h, mechanism=mechanism.name),
            Life("wear-out", 4.0, 2.2 * stressed_h, mechanism=mechanism.name),
        ]
    return Faults(
        lives=tuple(lives),
        rates=(
            Rate("contact-fail", 0.2 * often / boards, 0.25 * short),
            Rate("contact-stop", 0.3 * often, short),
            Rate("droop", 0.5 * often, short, 3 * setup.supply_tol_v),
            Rate("temp-lost", 0.5 * often, short),
            Rate("supply-lost", 0.5 * often, short),
            Rate("socket-stop", 0.02 * often, 5 * short),
            Rate("excursion", often, short, setup.temp_tol_plus_c + 6.0),
            Rate("reboot", 0.7 * often, 0.05 * short),
            Rate("outage", often, short),
            Rate("clock-jump", often, 0.0, 3600.0),
        ),
        soft_per_chip_h=0.05 / hours,
        hard_per_chip_h=0.02 / hours,
        burst_per_chip_h=0.03 / hours,
        duplicates=0.05,
        reorders=0.05,
        ramp_h=min(0.25, 0.02 * hours),
    )
