"""Clocks of the service: the wall's for what is written down, a steady one for how long something has lasted.

The wall clock of a host can be set, by an hour or a year, either way. So how long a board has said nothing is told
by the steady clock, which only goes forward; both are parameters, so that a test can play them.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping

from monitor.figures import Age
from monitor.ledger import Ledger
from shared.entries import Entry, Received
from shared.messages import Tally

STEP_MS = 2000  # the two clocks part by more than this between two looks only when the wall clock is set

Place = tuple[str, int]


def wall_ms() -> int:
    """The host's wall clock, UTC in ms."""
    return time.time_ns() // 1_000_000


def steady_ms() -> int:
    """A clock that only goes forward, in ms from some instant."""
    return time.monotonic_ns() // 1_000_000


class Ages:
    """When, by the steady clock, each board was last heard of.

    Of what a run holds from before the start only receive times are known: they count by the wall clock as it is
    now, and never as being in the future.
    """

    def __init__(self, ledger: Ledger, wall: int, steady: int) -> None:
        self._ledger = ledger
        self._intervals = {place: board.intervals for place, board in ledger.boards.items()}
        self._any: dict[Place, int] = {}
        self._paired: dict[Place, int] = {}
        began_ms = ledger.first_recv_ms
        self._began = None if began_ms is None else steady - max(0, wall - began_ms)
        for place, board in ledger.boards.items():
            if board.last_recv_ms is not None and board.paired_recv_ms is not None:
                self._any[place] = steady - max(0, wall - board.last_recv_ms)
                self._paired[place] = steady - max(0, wall - board.paired_recv_ms)

    def note(self, applied: Iterable[Entry], at_ms: int) -> None:
        """Note what the ledger has just folded; ``at_ms`` is by the steady clock."""
        entries = list(applied)
        if entries and self._began is None:
            self._began = at_ms
        heard = {
            (entry.topic.rack, entry.topic.board)
            for entry in entries
            if isinstance(entry, Received) and isinstance(entry.message, Tally)
        }
        for place in heard:
            intervals = self._ledger.boards[place].intervals
            self._any[place] = at_ms
            if intervals > self._intervals[place] or place not in self._paired:
                self._paired[place] = at_ms
            self._intervals[place] = intervals

    def at(self, at_ms: int) -> Mapping[Place, Age]:
        """The ages of all boards at an instant of the steady clock; none before the run has begun."""
        if self._began is None:
            return {}
        return {
            place: Age(
                at_ms - self._any.get(place, self._began), at_ms - self._paired.get(place, self._began)
            )
            for place in self._intervals
        }


class Steps:
    """Counts how often, and tells by how much, the wall clock was set. A slow correction of its pace is none."""

    def __init__(self) -> None:
        self.count = 0
        self.last_ms: int | None = None
        self._before: tuple[int, int] | None = None

    def look(self, wall: int, steady: int) -> int | None:
        """Compare both clocks with the look before; the step in ms when the wall clock was set since, else None."""
        before, self._before = self._before, (wall, steady)
        if before is None:
            return None
        step_ms = (wall - before[0]) - (steady - before[1])
        if abs(step_ms) <= STEP_MS:
            return None
        self.count, self.last_ms = self.count + 1, step_ms
        return step_ms
