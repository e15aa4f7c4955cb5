"""What a rack keeps until the monitor has it: the contract's receipts, as a pure structure. Time is given as data.

A message is known by its stream (boot, kind, board) and its number in it (``seq`` or ``n``). Seconds are those of
any monotonic clock.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from shared.messages import Receipt
from shared.topics import Kind


class StreamId(NamedTuple):
    """Whose numbers a number is of."""

    boot: str
    kind: Kind
    board: int


@dataclass(slots=True, eq=False)
class Entry:
    """One kept message; ``order`` is its place among all of the rack, ``sent_s`` when it was last sent."""

    order: int
    stream: StreamId
    number: int
    topic: str
    payload: bytes
    sent_s: float | None = None


@dataclass(slots=True)
class _Stream:
    entries: dict[int, Entry] = field(default_factory=dict)
    mark: int = -1  # highest number that a receipt of the present run covers
    moved_s: float = float("-inf")  # when a receipt last covered something more


class Spool:
    """Sent messages that no receipt covers yet."""

    def __init__(self) -> None:
        self.covered = 0  # how many entries were dropped as covered, ever
        self._run: str | None = None
        self._order = 0
        self._streams: dict[StreamId, _Stream] = {}

    def __len__(self) -> int:
        return sum(len(stream.entries) for stream in self._streams.values())

    def add(self, stream_id: StreamId, number: int, topic: str, payload: bytes) -> Entry:
        """Keep a message that is about to be sent; one that is kept already is returned as it is."""
        stream = self._streams.setdefault(stream_id, _Stream())
        entry = stream.entries.get(number)
        if entry is None:
            entry = Entry(self._order, stream_id, number, topic, payload)
            self._order += 1
            if number > stream.mark:
                stream.entries[number] = entry
        return entry

    def drop(self, entry: Entry) -> None:
        """Forget one entry."""
        stream = self._streams.get(entry.stream)
        if stream is not None and stream.entries.pop(entry.number, None) is not None:
            self.covered += 1

    def take(self, receipt: Receipt, now_s: float) -> None:
        """Drop what a receipt covers; a new run of the monitor makes earlier receipts void."""
        if receipt.run != self._run:
            self._run = receipt.run
            for stream in self._streams.values():
                stream.mark = -1
        for boot, boards in receipt.boots.items():
            for kind, marks in ((Kind.TALLY, boards.tally), (Kind.ERROR, boards.error)):
                for board, mark in marks.items():
                    if board.isascii() and board.isdecimal():
                        self._cover(StreamId(boot, kind, int(board)), mark, now_s)

    @property
    def moved_s(self) -> float:
        """When a receipt last covered something more."""
        return max((stream.moved_s for stream in self._streams.values()), default=float("-inf"))

    def boots(self) -> set[str]:
        """The boots of which something is kept."""
        return {stream_id.boot for stream_id, stream in self._streams.items() if stream.entries}

    def all(self) -> list[Entry]:
        """Everything kept, oldest first."""
        return _oldest_first(entry for stream in self._streams.values() for entry in stream.entries.values())

    def oldest(self, most: int = 1) -> list[Entry]:
        """The oldest ``most`` of each stream of the oldest boot of which something is kept, oldest first.

        No error message before the tallies that came before it: a failure is told at the hours that these tell.
        """
        firsts = [
            min(stream.entries.values(), key=_order) for stream in self._streams.values() if stream.entries
        ]
        if not firsts:
            return []
        boot = min(firsts, key=_order).stream.boot
        found: list[Entry] = []
        for key, stream in self._streams.items():
            if key.boot == boot:
                numbers = heapq.nsmallest(most, stream.entries)
                before = self._first_tally_left_out(key, most) if key.kind is Kind.ERROR else math.inf
                found += [e for number in numbers if (e := stream.entries[number]).order < before]
        return _oldest_first(found)

    def _first_tally_left_out(self, errors: StreamId, most: int) -> float:
        """The order of the first tally of the same board that is not among its oldest ``most``."""
        tallies = self._streams.get(errors._replace(kind=Kind.TALLY))
        numbers = heapq.nsmallest(most + 1, tallies.entries) if tallies is not None else []
        return (
            tallies.entries[numbers[most]].order if tallies is not None and len(numbers) > most else math.inf
        )

    def overdue(self, now_s: float, after_s: float) -> list[Entry]:
        """What was sent ``after_s`` ago or earlier and is still not covered, oldest first.

        A stream whose receipts moved within ``after_s`` is only slow, and sending it again would make it slower.
        """
        return _oldest_first(
            entry
            for stream in self._streams.values()
            if now_s - stream.moved_s >= after_s
            for entry in stream.entries.values()
            if entry.sent_s is not None and now_s - entry.sent_s >= after_s
        )

    def _cover(self, stream_id: StreamId, mark: int, now_s: float) -> None:
        stream = self._streams.setdefault(stream_id, _Stream())
        if mark <= stream.mark:
            return
        stream.mark = mark
        for number in [number for number in stream.entries if number <= mark]:
            del stream.entries[number]
            self.covered += 1
            stream.moved_s = now_s


def _order(entry: Entry) -> int:
    return entry.order


def _oldest_first(entries: Iterable[Entry]) -> list[Entry]:
    """In the order in which they came, but each stream by its numbers, in whatever order these came."""
    streams: dict[StreamId, list[Entry]] = {}
    for entry in entries:
        streams.setdefault(entry.stream, []).append(entry)
    placed: list[tuple[int, Entry]] = []
    for own in streams.values():
        orders = sorted(entry.order for entry in own)
        placed += zip(orders, sorted(own, key=lambda entry: entry.number), strict=True)
    return [entry for _, entry in sorted(placed, key=lambda place: place[0])]
