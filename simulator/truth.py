"""What really happened: the truth of a simulation, kept by the side that made it happen.

``Book`` looks at every message as it leaves and notes how far the counters were shown; ``First`` is noted by the
board when the read fails. Neither knows anything of how a monitor would fold the messages.
"""

from __future__ import annotations

from typing import Any

import msgspec

from shared.messages import ReadError, Tally
from simulator.behaviour import Cause
from simulator.faults import Event
from simulator.setup import Chip


class First(msgspec.Struct, frozen=True):
    """The first failed read of a chip."""

    cause: Cause
    mechanism: str | None
    boot: str
    up_ms: int
    t_ms: int
    read_index: int


class ChipTruth(msgspec.Struct, frozen=True, kw_only=True):
    """What the messages given out tell of one chip.

    ``reads``: advance of the counter between consecutive tallies of each boot, up to and including the first
    failed read; ``reads_all``: the same without that end; ``errors``: failed reads counted in the tallies.
    """

    serial: str
    lot: str
    rack: str
    board: int
    socket: int
    failed: bool
    cause: Cause | None
    mechanism: str | None
    boot: str | None
    up_ms: int | None
    read_index: int | None
    t_ms: int | None
    reads: int
    reads_all: int
    errors: int


class Totals(msgspec.Struct, frozen=True):
    """Sums over the chips."""

    reads: int
    errors: int
    failed: int


class Injected(msgspec.Struct, frozen=True, kw_only=True):
    """Something that was made to happen; ``from_ms`` and ``to_ms`` are ``up_ms`` of ``boot`` (board, socket 0: all)."""

    kind: str
    rack: str
    board: int
    socket: int
    boot: str
    from_ms: int
    to_ms: int
    words: str


class Transport(msgspec.Struct, frozen=True, kw_only=True):
    """Messages given out, and how many of them were repeated or moved on the way; ``lost`` never came out."""

    tallies: int
    errors: int
    duplicates: int
    moved: int
    lost: int


class Delivery(msgspec.Struct, frozen=True, kw_only=True):
    """What became of the messages of a published simulation; ``covered``: receipts confirmed every one."""

    sent: int
    resent: int
    uncovered: int
    covered: bool


class Truth(msgspec.Struct, frozen=True, kw_only=True):
    """The whole truth of one simulation."""

    campaign_id: str
    seed: int
    start_ms: int
    chips: list[ChipTruth]
    totals: Totals
    injected: list[Injected]
    transport: Transport
    delivery: Delivery | None = None


class Book:
    """How far the counters of one rack were shown: per board and boot, the first and the last tally by ``seq``."""

    def __init__(self) -> None:
        self.tallies = self.errors = self.duplicates = self.moved = self.lost = 0
        self._shown: dict[tuple[int, str], tuple[Tally, Tally]] = {}
        self._told: set[tuple[int, int]] = set()

    def note(self, event: Event) -> None:
        """Note one message that is given out."""
        if event.fate == "copy":
            self.duplicates += 1
            return
        self.moved += event.fate == "moved"
        message = event.message
        if isinstance(message, Tally):
            self.tallies += 1
            first, last = self._shown.get((event.board, message.boot), (message, message))
            if message.seq < first.seq:
                first = message
            elif message.seq > last.seq:
                last = message
            self._shown[event.board, message.boot] = first, last
        elif isinstance(message, ReadError):
            self.errors += 1
            self._told.add((event.board, message.socket))

    def chip(self, chip: Chip, boots: tuple[str, ...], first: First | None) -> ChipTruth:
        """The truth of one chip; ``boots`` are those of its rack in order, ``first`` is its first failed read."""
        counters = {boot: shown for boot in boots if (shown := self._counters(chip, boot)) is not None}
        errors = sum(failed for _, _, failed in counters.values())
        seen = first if errors or (chip.board, chip.socket) in self._told else None
        last = boots.index(seen.boot) if seen is not None else len(boots)
        reads = reads_all = 0
        for number, boot in enumerate(boots):
            start, end, _ = counters.get(boot, (0, 0, 0))
            reads_all += end - start
            if number < last:
                reads += end - start
            elif number == last and seen is not None:
                reads += max(min(end, seen.read_index) - start, 0)
        return ChipTruth(
            serial=chip.serial,
            lot=chip.lot,
            rack=chip.rack,
            board=chip.board,
            socket=chip.socket,
            failed=seen is not None,
            reads=reads,
            reads_all=reads_all,
            errors=errors,
            **_facts(seen),
        )

    def _counters(self, chip: Chip, boot: str) -> tuple[int, int, int] | None:
        """Reads of the first and the last tally shown of a boot, and errors of the last."""
        pair = self._shown.get((chip.board, boot))
        if pair is None:
            return None
        place = chip.socket - 1
        start, end, errors = pair[0].reads[place], pair[1].reads[place], pair[1].errors[place]
        assert start is not None
        assert end is not None
        assert errors is not None
        return start, end, errors


def _facts(first: First | None) -> dict[str, Any]:
    if first is None:
        return dict.fromkeys(("cause", "mechanism", "boot", "up_ms", "read_index", "t_ms"))
    return msgspec.structs.asdict(first)
