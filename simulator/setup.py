"""What is simulated: the campaign's chips and conditions, and the options of one simulation. Plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass, field

from shared.errors import InputError
from shared.quantities import MAX_BOARD, MAX_SOCKETS, MS_PER_H, MS_PER_S
from shared.topics import is_prefix, is_rack_name
from simulator.behaviour import Faults


@dataclass(frozen=True, slots=True)
class Chip:
    """One chip and where it sits."""

    serial: str
    lot: str
    rack: str
    board: int
    socket: int


@dataclass(frozen=True, slots=True)
class Mechanism:
    """A failure mechanism; ``acceleration`` is the factor of the stress condition against use."""

    name: str
    acceleration: float


@dataclass(frozen=True, slots=True)
class Setup:
    """A campaign as the racks know it. Raises InputError for what no rack could be."""

    campaign_id: str
    prefix: str
    chips: tuple[Chip, ...]
    mechanisms: tuple[Mechanism, ...]
    temp_c: float
    temp_tol_minus_c: float
    temp_tol_plus_c: float
    supply_v: float
    supply_tol_v: float
    read_rate_hz: float
    report_interval_s: float
    sockets_per_board: int

    def __post_init__(self) -> None:
        if not self.chips:
            raise InputError("nothing to simulate: the campaign has no chips")
        if not is_prefix(self.prefix):
            raise InputError(f"prefix {self.prefix!r} is no topic prefix")
        if not 1 <= self.sockets_per_board <= MAX_SOCKETS:
            raise InputError(f"sockets_per_board must be 1 to {MAX_SOCKETS}")
        if self.report_interval_ms < 1 or not self.read_rate_hz > 0:
            raise InputError("report_interval_s must be at least 0.001 and read_rate_hz above 0")
        for chip in self.chips:
            if not is_rack_name(chip.rack) or not 1 <= chip.board <= MAX_BOARD:
                raise InputError(f"chip {chip.serial}: rack {chip.rack!r} board {chip.board} is no place")
            if not 1 <= chip.socket <= self.sockets_per_board:
                raise InputError(f"chip {chip.serial}: socket {chip.socket} of {self.sockets_per_board}")
        places = {(chip.rack, chip.board, chip.socket) for chip in self.chips}
        if len(places) < len(self.chips) or len({chip.serial for chip in self.chips}) < len(self.chips):
            raise InputError("two chips share a serial or a socket")

    @property
    def report_interval_ms(self) -> int:
        """The report interval in whole milliseconds."""
        return round(self.report_interval_s * MS_PER_S)

    @property
    def racks(self) -> tuple[str, ...]:
        """The racks that hold chips, sorted."""
        return tuple(sorted({chip.rack for chip in self.chips}))

    def boards(self, rack: str) -> tuple[int, ...]:
        """The loaded boards of a rack, sorted."""
        return tuple(sorted({chip.board for chip in self.chips if chip.rack == rack}))

    def on_board(self, rack: str, board: int) -> tuple[Chip, ...]:
        """The chips of a board in the order of their sockets."""
        chips = (chip for chip in self.chips if (chip.rack, chip.board) == (rack, board))
        return tuple(sorted(chips, key=lambda chip: chip.socket))


@dataclass(frozen=True, slots=True)
class Options:
    """One simulation: its seed, its length, what goes wrong, and ``words``, the size of a chip's array."""

    seed: int
    hours: float
    faults: Faults = field(default_factory=Faults)
    words: int = 65536

    def __post_init__(self) -> None:
        if self.seed < 0 or not 0 < self.hours <= 1e6 or self.words < 1:
            raise InputError("seed must be >= 0, hours above 0 and at most 1e6, words >= 1")

    @property
    def length_ms(self) -> int:
        """The simulated time in milliseconds."""
        return round(self.hours * MS_PER_H)
