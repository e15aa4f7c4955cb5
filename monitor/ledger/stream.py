"""One boot of one board as a stream: tallies put back into order, and when a gap is given up.

Rules (figures page, "Reordering" and fine print 1 and 2): a tally ahead of a missing ``seq`` waits until the missing
one arrives, or until 16 others wait behind it, or until the boot's ``up_ms`` has advanced the reorder hold past it;
then the gap is accepted. Only tallies move that clock. A tally more than 744 h past the last folded one is so far
off that it moves neither the clock nor the span of the boot.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.ledger.accounts import Longs
from monitor.ledger.limits import MAX_DT_MS, REORDER_OTHERS
from shared.messages import ReadError, Tally

Flags = NDArray[np.bool_]


@dataclass(slots=True)
class Base:
    """The last folded tally of a stream, as the next interval needs it. Arrays are over the board's chips.

    ``reads`` and ``errors`` are -1 where the socket was null (``nulls``: whether any was); ``fell`` marks the chips
    of which a counter fell in it.
    """

    seq: int
    t_ms: int
    up_ms: int
    temp_c: float | None
    supply_v: float | None
    reads: Longs
    errors: Longs
    nulls: bool
    fell: Flags | None = None


@dataclass(slots=True)
class Stream:
    """State of one boot of one board.

    ``counted_errors`` is the last number seen of each errors counter in the boot (0 before any): the level from
    which its advance is told, null or not in between.
    """

    boot: str
    order: int  # among the boots of the board
    next_seq: int = 0
    waiting: dict[int, Tally] = field(default_factory=dict)
    base: Base | None = None
    counted_errors: Longs | None = None
    clock_ms: int | None = None
    span: tuple[int, int] | None = None
    left_out: list[int] = field(default_factory=list)  # up_ms of the tallies left out in a row
    next_error: int = 0
    waiting_errors: dict[int, int] = field(default_factory=dict)  # n -> up_ms

    def is_late(self, tally: Tally) -> bool:
        """Whether the tally is older than one that was already folded."""
        return tally.seq < self.next_seq

    def moves_clock(self, tally: Tally) -> bool:
        """Whether the tally's ``up_ms`` may be believed for the clock and the span."""
        return self.base is None or tally.up_ms - self.base.up_ms <= MAX_DT_MS

    def widen_span(self, tally: Tally, hold_ms: int) -> bool:
        """Take the tally into the span of this boot; True when the span reaches the hold with it."""
        low, high = self.span or (tally.up_ms, tally.up_ms)
        before = self.span is not None and high - low >= hold_ms
        self.span = (min(low, tally.up_ms), max(high, tally.up_ms))
        return not before and self.span[1] - self.span[0] >= hold_ms

    def move_clock(self, tally: Tally) -> None:
        """Move the reorder clock to the tally's ``up_ms``, if that may be believed; a late tally moves it too."""
        if self.moves_clock(tally):
            self.clock_ms = tally.up_ms if self.clock_ms is None else max(self.clock_ms, tally.up_ms)

    def take(self, hold_ms: int) -> tuple[Tally, int] | None:
        """The next tally whose turn it is, and how many before it are given up; None while all must wait."""
        if self.next_seq in self.waiting or (self.waiting and self._may_give_up(hold_ms)):
            return self.take_any()
        return None

    def take_any(self) -> tuple[Tally, int] | None:
        """The next waiting tally, and how many are missing before it."""
        if not self.waiting:
            return None
        seq = self.next_seq if self.next_seq in self.waiting else min(self.waiting)
        missing = seq - self.next_seq
        self.next_seq = seq + 1
        return self.waiting.pop(seq), missing

    def note_error(self, error: ReadError) -> None:
        """Keep account of which error messages are held, for the receipt."""
        if error.n >= self.next_error:
            self.waiting_errors[error.n] = error.up_ms
            self._advance_errors()
            if len(self.waiting_errors) > REORDER_OTHERS:
                self._give_up_errors()

    def note_refused_error(self, n: int, up_ms: int) -> None:
        """An error message that was refused is held nowhere, and nobody need wait for it or send it again.

        When many wait already it is not noted: a rack that stores sends it again, after those before it.
        """
        if n == self.next_error or (n > self.next_error and len(self.waiting_errors) < REORDER_OTHERS):
            self.waiting_errors[n] = up_ms
            self._advance_errors()

    def give_up_errors(self) -> None:
        """Nothing more is expected of this boot: the receipt covers what there is."""
        while self.waiting_errors:
            self._give_up_errors()

    def settle_errors(self, hold_ms: int) -> None:
        """Give up missing error messages when the clock has moved the hold past one that waits behind them."""
        while self.waiting_errors and self.clock_ms is not None:
            if self.clock_ms - self.waiting_errors[min(self.waiting_errors)] < hold_ms:
                return
            self._give_up_errors()

    def _may_give_up(self, hold_ms: int) -> bool:
        if len(self.waiting) > REORDER_OTHERS:
            return True
        lowest = self.waiting[min(self.waiting)]
        return self.clock_ms is not None and self.clock_ms - lowest.up_ms >= hold_ms

    def _give_up_errors(self) -> None:
        self.next_error = min(self.waiting_errors)
        self._advance_errors()

    def _advance_errors(self) -> None:
        while self.next_error in self.waiting_errors:
            del self.waiting_errors[self.next_error]
            self.next_error += 1
