"""From rates and orders to a timetable: every boot, defect and upset of a simulation, drawn from its seed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from hashlib import blake2s

import numpy as np

from shared.errors import InputError
from shared.quantities import MS_PER_H
from simulator.behaviour import OF_RACK, OF_SOCKET, Cause, Upset, UpsetKind
from simulator.model import instants_h, lifetimes_h
from simulator.setup import Chip, Options, Setup
from simulator.truth import Injected

MIN_DOWN_MS = 1000  # a controller does not start again faster than this
BURST_READS = (8, 200)  # reads in a row that a burst spoils, from and below


@dataclass(frozen=True, slots=True)
class Boot:
    """One life of a rack controller, in milliseconds of the campaign."""

    id: str
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of the campaign, with the size of what happens in it."""

    from_ms: int
    to_ms: int
    amount: float = 0.0


@dataclass(frozen=True, slots=True)
class Defect:
    """A chip goes wrong: ``reads`` in a row fail (soft: 1, burst: more), or a cell for good (0)."""

    at_ms: int
    socket: int
    cause: Cause
    mechanism: str | None
    reads: int


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """What one board goes through. ``upsets`` by kind; of the rack, of the board, and of sockets in ``stops``."""

    rack: str
    board: int
    chips: tuple[Chip, ...]
    boots: tuple[Boot, ...]
    defects: tuple[Defect, ...]
    upsets: dict[UpsetKind, tuple[Window, ...]]
    stops: dict[int, tuple[Window, ...]]
    rng_key: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RackPlan:
    """What one rack goes through; ``cuts`` are the times without network, merged and in order."""

    rack: str
    boots: tuple[Boot, ...]
    boards: tuple[BoardPlan, ...]
    cuts: tuple[Window, ...]
    jumps: tuple[Window, ...]
    rng_key: tuple[int, ...]


@dataclass(slots=True)
class Plan:
    """The timetable of a simulation."""

    racks: list[RackPlan] = field(default_factory=list)
    injected: list[Injected] = field(default_factory=list)


def make_plan(setup: Setup, options: Options, start_ms: int) -> Plan:
    """Draw the timetable. Raises InputError for an order that names a chip or place that is not there."""
    rng = np.random.default_rng([options.seed, 0])
    defects = _defects(setup, options, rng)
    upsets = [*_checked(setup, options), *_random_upsets(setup, options, rng)]
    upsets.sort(key=lambda upset: (upset.at_h, upset.kind, upset.rack, upset.board, upset.socket))
    plan = Plan()
    for number, rack in enumerate(setup.racks):
        own = [upset for upset in upsets if upset.rack == rack and upset.at_h < options.hours]
        boots = _boots(setup, options, rack, start_ms, _windows(own, "reboot"))
        boards = tuple(
            _board(setup.on_board(rack, board), boots, own, defects, (options.seed, 1, number, board))
            for board in setup.boards(rack)
        )
        cuts = tuple(_until_up(window, boots) for window in _merged(_windows(own, "outage")))
        plan.racks.append(
            RackPlan(
                rack=rack,
                boots=boots,
                boards=boards,
                cuts=tuple(_merged(list(cuts))),
                jumps=tuple(_windows(own, "clock-jump")),
                rng_key=(options.seed, 2, number),
            )
        )
        plan.injected += [_of_upset(upset, boots) for upset in own]
        plan.injected += [_of_defect(defect, board, boots) for board in boards for defect in board.defects]
    return plan


def _defects(setup: Setup, options: Options, rng: np.random.Generator) -> dict[str, list[Defect]]:
    """Per serial, every defect of the chip within the campaign, in order of time."""
    by_serial = {chip.serial: chip for chip in setup.chips}
    out: dict[str, list[Defect]] = {serial: [] for serial in by_serial}

    def add(serial: str, at_h: float, cause: Cause, mechanism: str | None) -> None:
        if 0 <= at_h < options.hours:
            reads = {"soft": 1, "burst": int(rng.integers(*BURST_READS))}.get(cause, 0)
            at_ms = round(at_h * MS_PER_H)
            out[serial].append(Defect(at_ms, by_serial[serial].socket, cause, mechanism, reads))

    for order in options.faults.fail:
        if order.serial not in by_serial:
            raise InputError(f"chip {order.serial!r}, which is to fail, is not in the campaign")
        if not 0 <= order.at_h < options.hours:
            raise InputError(f"chip {order.serial!r} is to fail at hour {order.at_h} of {options.hours}")
        if order.cause == "contact":
            raise InputError(
                f"chip {order.serial!r}: contact is lost by a board (upset contact-fail), not a chip"
            )
        add(order.serial, order.at_h, order.cause, order.mechanism)
    for serial, at_h, cause, mechanism in _lives(setup, options, rng):
        add(serial, at_h, cause, mechanism)
    spontaneous: tuple[tuple[Cause, float], ...] = (
        ("soft", options.faults.soft_per_chip_h),
        ("hard", options.faults.hard_per_chip_h),
        ("burst", options.faults.burst_per_chip_h),
    )
    for cause, per_h in spontaneous:
        for serial in by_serial:
            for at_h in instants_h(rng, per_h, options.hours):
                add(serial, float(at_h), cause, None)
    for defects in out.values():
        defects.sort(key=lambda defect: defect.at_ms)
    return out


def _lives(
    setup: Setup, options: Options, rng: np.random.Generator
) -> Iterator[tuple[str, float, Cause, str | None]]:
    """The end of every life of every chip, whether within the campaign or not."""
    for life in options.faults.lives:
        for mechanism in setup.mechanisms:
            if life.mechanism not in (None, mechanism.name):
                continue
            ends = lifetimes_h(
                rng,
                len(setup.chips),
                shape=life.shape,
                scale_use_h=life.scale_use_h,
                acceleration=mechanism.acceleration,
            )
            has_it = rng.random(len(setup.chips)) < life.share
            for chip, end_h, has in zip(setup.chips, ends.tolist(), has_it.tolist(), strict=True):
                if has:
                    yield chip.serial, end_h, life.cause, mechanism.name


def _checked(setup: Setup, options: Options) -> tuple[Upset, ...]:
    for upset in options.faults.upsets:
        if not (upset.at_h >= 0 and upset.hours >= 0):
            raise InputError(f"{upset.kind}: at_h and hours must be at least 0")
        if upset.rack not in setup.racks:
            raise InputError(f"{upset.kind}: rack {upset.rack!r} is not in the campaign")
        if upset.kind not in OF_RACK and upset.board not in setup.boards(upset.rack):
            raise InputError(f"{upset.kind}: board {upset.board} of {upset.rack} is not in the campaign")
        if upset.kind in OF_SOCKET and upset.socket not in {
            chip.socket for chip in setup.on_board(upset.rack, upset.board)
        }:
            raise InputError(f"{upset.kind}: no chip in socket {upset.socket} of {upset.rack}/{upset.board}")
    return options.faults.upsets


def _random_upsets(setup: Setup, options: Options, rng: np.random.Generator) -> Iterator[Upset]:
    for rate in options.faults.rates:
        for rack, board, socket in _places(setup, rate.kind):
            for at_h in instants_h(rng, rate.per_h, options.hours):
                hours = rate.hours * rng.uniform(0.5, 1.5)
                amount = rate.amount * rng.uniform(0.8, 1.2)
                if rate.kind == "clock-jump":
                    amount *= rng.choice((-1, 1))
                yield Upset(rate.kind, rack, float(at_h), float(hours), board, socket, float(amount))


def _places(setup: Setup, kind: UpsetKind) -> list[tuple[str, int, int]]:
    if kind in OF_RACK:
        return [(rack, 0, 0) for rack in setup.racks]
    if kind in OF_SOCKET:
        return sorted((chip.rack, chip.board, chip.socket) for chip in setup.chips)
    return [(rack, board, 0) for rack in setup.racks for board in setup.boards(rack)]


def _windows(upsets: list[Upset], kind: UpsetKind) -> list[Window]:
    return [_window(upset) for upset in upsets if upset.kind == kind]


def _window(upset: Upset) -> Window:
    return Window(
        round(upset.at_h * MS_PER_H), round((upset.at_h + upset.hours) * MS_PER_H), round(upset.amount, 6)
    )


def _merged(windows: list[Window]) -> list[Window]:
    out: list[Window] = []
    for window in sorted(windows, key=lambda window: window.from_ms):
        if out and window.from_ms <= out[-1].to_ms:
            out[-1] = Window(out[-1].from_ms, max(out[-1].to_ms, window.to_ms))
        elif window.from_ms < window.to_ms:
            out.append(window)
    return out


def _until_up(window: Window, boots: tuple[Boot, ...]) -> Window:
    """The outage as the broker sees it: while the rack is down, it stays away."""
    ends = [boot.start_ms for boot in boots if boot.start_ms >= window.to_ms]
    if any(boot.start_ms <= window.to_ms < boot.end_ms for boot in boots) or not ends:
        return window
    return Window(window.from_ms, ends[0])


def _boots(
    setup: Setup, options: Options, rack: str, start_ms: int, reboots: list[Window]
) -> tuple[Boot, ...]:
    """The boots of a rack; their ids are new in every simulation that starts at another time."""
    down = _merged([Window(w.from_ms, max(w.to_ms, w.from_ms + MIN_DOWN_MS)) for w in reboots])
    starts = [0, *(window.to_ms for window in down)]
    ends = [*(window.from_ms for window in down), options.length_ms]
    lives = [life for life in zip(starts, ends, strict=True) if life[0] < life[1]]

    def name(number: int) -> str:
        key = f"{options.seed}/{setup.campaign_id}/{rack}/{number}/{start_ms}"
        return blake2s(key.encode(), digest_size=8).hexdigest()

    return tuple(Boot(name(number), start, end) for number, (start, end) in enumerate(lives))


def _board(
    chips: tuple[Chip, ...],
    boots: tuple[Boot, ...],
    upsets: list[Upset],
    defects: dict[str, list[Defect]],
    rng_key: tuple[int, ...],
) -> BoardPlan:
    rack, board = chips[0].rack, chips[0].board
    here = [upset for upset in upsets if upset.board in (0, board) or upset.kind in OF_RACK]
    kinds = {upset.kind for upset in here if upset.kind not in OF_SOCKET}
    stops: dict[int, tuple[Window, ...]] = {}
    for chip in chips:
        own = [
            u for u in here if u.kind == "contact-stop" or (u.kind, u.socket) == ("socket-stop", chip.socket)
        ]
        if own:
            stops[chip.socket] = tuple(_merged([_window(upset) for upset in own]))
    return BoardPlan(
        rack=rack,
        board=board,
        chips=chips,
        boots=boots,
        defects=tuple(sorted((d for chip in chips for d in defects[chip.serial]), key=lambda d: d.at_ms)),
        upsets={kind: tuple(_windows(here, kind)) for kind in sorted(kinds)},
        stops=stops,
        rng_key=rng_key,
    )


def boot_at(boots: tuple[Boot, ...], at_ms: int) -> Boot:
    """The boot at an instant; while the rack is down, the next one (the last, if there is none)."""
    return next((boot for boot in boots if at_ms < boot.end_ms), boots[-1])


_WORDS: dict[str, Callable[[Upset], str]] = {
    "contact-fail": lambda u: "the board lost contact: every read of it failed",
    "contact-stop": lambda u: "the board lost contact: no read was done",
    "droop": lambda u: f"supply lower by {u.amount:.3f} V",
    "temp-lost": lambda u: "no temperature reading",
    "supply-lost": lambda u: "no supply reading",
    "socket-stop": lambda u: "the socket was silently not read",
    "excursion": lambda u: f"oven {u.amount:+.1f} °C off",
    "reboot": lambda u: "the controller was down, then started a new boot",
    "outage": lambda u: "no network; the backlog followed",
    "clock-jump": lambda u: f"wall clock set by {u.amount:+.0f} s",
}


def _of_upset(upset: Upset, boots: tuple[Boot, ...]) -> Injected:
    window = _window(upset)
    boot = boot_at(boots, window.from_ms)
    if upset.kind == "reboot":  # told in the boot that it ended
        boot = next((b for b in reversed(boots) if b.end_ms <= window.from_ms), boot)
    return Injected(
        kind=upset.kind,
        rack=upset.rack,
        board=upset.board,
        socket=upset.socket,
        boot=boot.id,
        from_ms=max(window.from_ms - boot.start_ms, 0),
        to_ms=max(window.to_ms - boot.start_ms, 0),
        words=_WORDS[upset.kind](upset),
    )


def _of_defect(defect: Defect, board: BoardPlan, boots: tuple[Boot, ...]) -> Injected:
    boot = boot_at(boots, defect.at_ms)
    up_ms = max(defect.at_ms - boot.start_ms, 0)
    what = {0: "a cell failed for good", 1: "one read failed"}.get(
        defect.reads, f"{defect.reads} reads failed"
    )
    return Injected(
        kind=defect.cause,
        rack=board.rack,
        board=board.board,
        socket=defect.socket,
        boot=boot.id,
        from_ms=up_ms,
        to_ms=up_ms,
        words=f"{what} ({defect.mechanism})" if defect.mechanism else what,
    )
