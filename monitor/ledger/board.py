"""The fold of one board: tallies into intervals, intervals into the accounts of its chips.

Everything that changes an account lives in this file. The order in which a tally is dealt with:

1. *late*: older than one already folded; nothing but a count.
2. It may make a newer boot so long that what still waits in older boots is folded first, gaps accepted.
3. It waits for its turn (``stream``), and whatever has its turn now is folded, in ``seq`` order.
4. Folding pairs it with the tally before it. A step of ``up_ms`` that cannot be is a counter fault and leaves it
   out; three such in a row that agree with each other open the account anew. Otherwise each chip's interval is
   judged, and credited or entered under the first reason that holds.
5. Failures are told from the errors counters (here) and from error messages (:meth:`Board.see_error`).

A boot that ended long ago is closed (:meth:`Board.close`): nothing more comes of it, and nothing of it is kept but
what it left in the accounts. Whatever is counted as a fault is noted as well (``notes``), in words.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from monitor.ledger.accounts import CREDITED, UNKNOWN, Accounts, Longs, Reason
from monitor.ledger.failures import FROM_BOOT, Failure, Sighting, Slice, Witness
from monitor.ledger.limits import MAX_DT_MS, REOPEN_AFTER, Limits
from monitor.ledger.notes import COUNTER_FAULT, DISAGREEMENT, GAP, LATE, Notes
from monitor.ledger.stream import Base, Flags, Stream
from monitor.ledger.weights import Weights
from shared.messages import ReadError, Tally
from shared.quantities import MS_PER_H

NULL = -1
NEVER = -1  # before every up_ms
_WRAP_MS = 2**32


@dataclass(slots=True)
class Counts:
    """Counts of the intake that only the fold can tell."""

    late: int = 0
    gaps: int = 0
    counter_faults: int = 0
    disagreements: int = 0


@dataclass(slots=True)
class Interval:
    """One judged interval of a board; arrays are over the board's chips."""

    a: Base
    b: Base
    dt_ms: int
    reason: NDArray[np.int8]
    advance: Longs  # of the reads counter
    fixed: tuple[int, ...]


@dataclass(slots=True)
class Board:
    """State of one board: its streams in the order of its boots, and the accounts of its chips."""

    rack: str
    number: int
    chips: Longs  # indices into the accounts
    sockets: list[int]
    limits: Limits
    weights: Weights
    accounts: Accounts
    counts: Counts
    notes: Notes
    witnesses: list[Witness]
    streams: dict[str, Stream] = field(default_factory=dict)  # of the boots that are live
    boots: int = 0  # of which a message was accepted, closed ones included
    stranger_sockets: set[int] = field(default_factory=set)
    newest: Stream | None = None  # the latest boot of which a tally was folded
    last_recv_ms: int | None = None  # of any tally
    last_arrival: int = 0  # number of that tally among the accepted messages; 0: none
    paired_recv_ms: int | None = (
        None  # of the last tally that closed an interval (before any: of the first tally)
    )
    intervals: int = 0
    everyone: slice | Longs = field(init=False)  # the same as ``chips``, as a slice where they stand in a row

    def __post_init__(self) -> None:
        first, last = int(self.chips[0]), int(self.chips[-1])
        in_a_row = bool((np.diff(self.chips) == 1).all())
        self.everyone = slice(first, last + 1) if in_a_row else self.chips

    def stream(self, boot: str) -> Stream:
        """The stream of a boot; boots are ordered by their first accepted tally or error message."""
        found = self.streams.get(boot)
        if found is None:
            found = self.streams[boot] = Stream(boot, self.boots)
            self.boots += 1
        return found

    def close(self, boot: str) -> None:
        """A boot ended long ago: what waits in it is folded, gaps accepted, and then it is forgotten.

        A failure whose interval would have been in it is closed at the last folded tally.
        """
        stream = self.streams.get(boot)
        if stream is None:
            return
        self._finish(stream)
        for i, witness in enumerate(self.witnesses):
            witness.clean_until_ms.pop(boot, None)
            if self._is_pending_here(witness.failure, stream):
                self._close(i)
        del self.streams[boot]

    @property
    def waiting(self) -> int:
        """Tallies that still wait for their turn."""
        return sum(len(stream.waiting) for stream in self.streams.values())

    # -- tallies ------------------------------------------------------------------------------------------------

    def take_tally(self, tally: Tally) -> None:
        """Deal with an accepted tally."""
        stream = self.stream(tally.boot)
        if stream.is_late(tally):
            self.counts.late += 1
            told = f"seq {tally.seq} came when seq {stream.next_seq - 1} was folded already"
            self._note(LATE, stream, tally.seq, f"{told}; it is not credited")
        else:
            if stream.moves_clock(tally) and stream.widen_span(tally, self.limits.hold_ms):
                self._finish_older_than(stream)
            stream.waiting[tally.seq] = tally
        stream.move_clock(tally)
        while (taken := stream.take(self.limits.hold_ms)) is not None:
            self._fold(stream, *taken)
        stream.settle_errors(self.limits.hold_ms)

    def _finish_older_than(self, newer: Stream) -> None:
        for stream in self.streams.values():
            if stream.order < newer.order:
                self._finish(stream)

    def _finish(self, stream: Stream) -> None:
        """Nothing more is expected of this boot: fold what waits, gaps accepted."""
        while (taken := stream.take_any()) is not None:
            self._fold(stream, *taken)
        stream.give_up_errors()

    def _fold(self, stream: Stream, tally: Tally, missing: int) -> None:
        if missing:
            self.counts.gaps += 1
            self._note(GAP, stream, tally.seq, f"{_missing(tally.seq, missing)} before it never came")
        if self.newest is None or stream.order > self.newest.order:
            self.newest = stream
        self._note_strangers(tally)
        before = stream.base
        if before is None:
            self._open(stream, tally, self._base_of(tally))
            return
        dt_ms = tally.up_ms - before.up_ms
        if not 0 < dt_ms <= MAX_DT_MS:
            self.counts.counter_faults += 1
            self._note(COUNTER_FAULT, stream, tally.seq, _impossible_step(before.up_ms, tally.up_ms))
            if _agrees(stream.left_out, tally.up_ms):
                self._open(stream, tally, self._base_of(tally))
            return
        stream.left_out.clear()
        after = self._base_of(tally)
        self.intervals += 1
        if not self._enter_at_once(stream, before, after, dt_ms):
            self._enter(stream, self._judge(stream, before, after, dt_ms))
        stream.base = after

    def _open(self, stream: Stream, tally: Tally, base: Base) -> None:
        """Open the account of a boot, or open it anew: credits nothing, errors count."""
        before = stream.base
        stream.left_out.clear()
        if before is not None:
            stream.clock_ms, stream.span = tally.up_ms, (tally.up_ms, tally.up_ms)
        if stream is self.newest:
            self.accounts.last[self.chips] = UNKNOWN
        advance = self._errors_advance(stream, base)
        for i in self._need_care(advance):
            failure = self.witnesses[i].failure
            crossed = self._count_errors(i, int(advance[i]), stream)
            if self._is_pending_here(failure, stream) and failure.up_ms <= base.up_ms:
                failure.slice = _uncredited_slice(before, base)
                self._close(i)
            elif crossed and self._counters_stand(i, stream):
                self._fail_by_counters(i, stream, before, base, None)
        if before is not None and base.up_ms <= before.up_ms:
            self._forget_old_time(stream)
        stream.base = base

    def _forget_old_time(self, stream: Stream) -> None:
        """The clock of a boot fell: what was folded by its old time says nothing of the new."""
        for witness in self.witnesses:
            witness.clean_until_ms.pop(stream.boot, None)

    def _enter_at_once(self, stream: Stream, a: Base, b: Base, dt_ms: int) -> bool:
        """Enter the usual interval, in which every chip fares alike; False when one of them needs a closer look.

        It spares most of the work of :meth:`_judge` and gives the same account: nothing here may be told apart.
        """
        accounts, chips = self.accounts, self.everyone
        if a.nulls or b.nulls or a.fell is not None or accounts.failed[chips].any():
            return False
        advance = b.reads - a.reads
        whole = self._reason_of_board(a, b, dt_ms)
        least = self.limits.min_reads(dt_ms) if whole is None else 0
        if (
            advance.min() < least
            or advance.max() > self.limits.max_reads(dt_ms)
            or (a.errors != b.errors).any()
        ):
            return False
        reason = CREDITED if whole is None else whole
        if stream is self.newest:
            accounts.last[chips] = reason
        accounts.enter(chips, reason, dt_ms, self._factor(a, b) if whole is None else ())
        accounts.reads_total[chips] += advance
        if whole is None:
            accounts.reads_credited[chips] += advance
        return True

    def _judge(self, stream: Stream, a: Base, b: Base, dt_ms: int) -> Interval:
        limits = self.limits
        null_a, null_b = a.reads < 0, b.reads < 0
        numbers = ~(null_a | null_b)
        advance = np.where(numbers, b.reads - a.reads, 0)
        fell = numbers & ((advance < 0) | (b.errors < a.errors))
        beyond = advance > limits.max_reads(dt_ms)
        b.fell = fell if fell.any() else None
        if b.fell is not None or beyond.any():
            self.counts.counter_faults += 1
            self._note(COUNTER_FAULT, stream, b.seq, self._faulty_counters(a, b, dt_ms, fell, beyond))
        whole = self._reason_of_board(a, b, dt_ms)
        if whole is None:
            reason = np.where((advance < limits.min_reads(dt_ms)) | ~numbers, Reason.NOT_READING, CREDITED)
        else:
            reason = np.full(len(advance), whole)
        reason[fell | beyond | (null_a != null_b)] = Reason.COUNTER
        if a.fell is not None:
            reason[a.fell] = Reason.COUNTER
        fixed = self._factor(a, b) if whole is None else ()
        return Interval(a, b, dt_ms, reason.astype(np.int8), advance, fixed)

    def _factor(self, a: Base, b: Base) -> tuple[int, ...]:
        if a.temp_c is None or b.temp_c is None or a.supply_v is None or b.supply_v is None:
            return ()
        return self.weights.of_interval((a.temp_c + b.temp_c) / 2, (a.supply_v + b.supply_v) / 2)

    def _reason_of_board(self, a: Base, b: Base, dt_ms: int) -> Reason | None:
        limits = self.limits
        if not limits.witnessed(dt_ms):
            return Reason.UNWITNESSED
        if not (limits.temperature_ok(a.temp_c) and limits.temperature_ok(b.temp_c)):
            return Reason.TEMPERATURE
        if not (limits.supply_ok(a.supply_v) and limits.supply_ok(b.supply_v)):
            return Reason.SUPPLY
        return None

    def _enter(self, stream: Stream, interval: Interval) -> None:
        """Enter an interval into the accounts: in bulk for healthy chips, one by one where a failure is near."""
        accounts, chips = self.accounts, self.chips
        if stream is self.newest:
            accounts.last[chips] = interval.reason
        advance = self._errors_advance(stream, interval.b)
        care = self._need_care(advance)
        plain = ~accounts.failed[chips]
        plain[care] = False
        self._enter_whole(interval, plain)
        for i in care:
            self._enter_with_care(stream, interval, i, int(advance[i]))

    def _enter_whole(self, interval: Interval, which: Flags) -> None:
        accounts = self.accounts
        for reason in set(interval.reason[which].tolist()):
            mine = which & (interval.reason == reason)
            chips = self.chips[mine]
            accounts.enter(chips, reason, interval.dt_ms, interval.fixed)
            if reason != Reason.COUNTER:
                accounts.reads_total[chips] += interval.advance[mine]
            if reason == CREDITED:
                accounts.reads_credited[chips] += interval.advance[mine]

    def _enter_with_care(self, stream: Stream, interval: Interval, i: int, errors: int) -> None:
        """One chip whose errors advance in this interval, or which failed by a message already."""
        failure = self.witnesses[i].failure
        at_risk = failure is None or self._is_pending_here(failure, stream)
        crossed = self._count_errors(i, errors, stream)
        if self._is_pending_here(failure, stream) and failure.up_ms <= interval.b.up_ms:
            self._settle(i, interval)
        elif crossed and self._counters_stand(i, stream):
            self._fail_by_counters(i, stream, interval.a, interval.b, interval if at_risk else None)
        elif at_risk:
            which = np.zeros(len(self.chips), dtype=np.bool_)
            which[i] = True
            self._enter_whole(interval, which)

    # -- failures -----------------------------------------------------------------------------------------------

    def see_error(self, i: int, error: ReadError) -> None:
        """Take an accepted error message of the board's chip ``i`` into account."""
        stream = self.stream(error.boot)
        stream.note_error(error)
        wrong_bits = (int(error.expected, 16) ^ int(error.observed, 16)).bit_count()
        self.accounts.tell(int(self.chips[i]), error.count, wrong_bits)
        witness = self.witnesses[i]
        witness.add(Sighting(stream.order, error.n, error.boot, error))
        reached = witness.reached(self.limits.failed_reads)
        if reached is None or reached == witness.told:
            return
        witness.told = reached
        failure = witness.failure
        if failure is None:
            witness.failure = failure = Failure(
                reached.boot, reached.boot_order, 0, 0, by_message=True, pending=True
            )
            self.accounts.fail(int(self.chips[i]))
            self._await(i, failure, reached)
        elif failure.pending:
            self._await(i, failure, reached)
        else:
            self._reconsider(i, failure, reached)

    def _await(self, i: int, failure: Failure, reached: Sighting) -> None:
        """The instant is told by a message: its interval is still to come, or was folded without a sign."""
        failure.move_to(reached)
        stream = self.streams.get(reached.boot)
        if stream is None:  # the boot was closed: no interval of it comes any more
            self._close(i)
        elif stream.base is not None and failure.up_ms <= stream.base.up_ms:
            self._close(i)
            self._disagree(i, reached.message, "lies in time that was folded without a sign of it")

    def _reconsider(self, i: int, failure: Failure, reached: Sighting) -> None:
        """A failed chip's instant becomes known better, or a message contradicts what was folded first."""
        piece = failure.slice
        up_ms = reached.message.up_ms
        if piece is not None and reached.boot == failure.boot and piece.start_ms < up_ms <= piece.end_ms:
            failure.move_to(reached)
            self._credit_up_to(i, piece, reached.message)
        elif failure.counters_agree:
            failure.seen = failure.seen or reached.message
            if up_ms <= self.witnesses[i].clean_until_ms.get(reached.boot, NEVER):
                self._disagree(i, reached.message, "lies before the tally by which the counters show it")
        else:
            failure.move_to(reached)  # only the instant as told: nothing credited is taken back or added

    def _settle(self, i: int, interval: Interval) -> None:
        """The interval that contains the instant told by a message has come."""
        failure = self._failure(i)
        assert failure.seen is not None
        failure.pending = False
        failure.slice = self._slice(i, interval)
        self._credit_up_to(i, failure.slice, failure.seen)
        self._compare(i, failure)

    def _close(self, i: int) -> None:
        """Close the account at the last folded tally: no interval of it is credited any more."""
        failure = self._failure(i)
        failure.pending = False
        self._compare(i, failure)

    def _compare(self, i: int, failure: Failure) -> None:
        """Whether the counters, too, have reached the criterion now that the message's interval is folded."""
        failure.counters_agree = self.witnesses[i].counted >= self.limits.failed_reads
        if not failure.counters_agree and failure.seen is not None:
            counted = self.witnesses[i].counted
            self._disagree(i, failure.seen, f"is not in the counters, which tell of {counted} failed reads")

    def _counters_stand(self, i: int, stream: Stream) -> bool:
        """Whether an interval that the counters name, now that they reach the criterion, makes the instant.

        It does for a healthy chip, and against a message whose interval is still to come when it is the earlier one.
        """
        failure = self.witnesses[i].failure
        if failure is None:
            return True
        return failure.pending and stream.order <= failure.boot_order

    def _fail_by_counters(
        self, i: int, stream: Stream, before: Base | None, after: Base, interval: Interval | None
    ) -> None:
        """The counters show the failure: the instant is the tally before, until a message tells it better."""
        start_ms = before.up_ms if before is not None else FROM_BOOT
        t_ms = before.t_ms if before is not None else after.t_ms - after.up_ms
        old = self.witnesses[i].failure
        failure = Failure(stream.boot, stream.order, start_ms, t_ms, by_message=False, pending=False)
        failure.seen = old.seen if old is not None else None
        failure.counters_agree = True
        failure.slice = self._slice(i, interval) if interval is not None else _uncredited_slice(before, after)
        self.witnesses[i].failure = failure
        self.accounts.fail(int(self.chips[i]))

    def _slice(self, i: int, interval: Interval) -> Slice:
        reason = int(interval.reason[i])
        return Slice(
            start_ms=interval.a.up_ms,
            end_ms=interval.b.up_ms,
            reason=reason,
            fixed=interval.fixed,
            reads=int(interval.a.reads[i]),
            advance=None if reason == Reason.COUNTER else int(interval.advance[i]),
            creditable=True,
        )

    def _credit_up_to(self, i: int, piece: Slice, error: ReadError) -> None:
        """Enter the failing interval up to the instant; what was entered for an earlier guess is corrected."""
        if not piece.creditable:
            return
        chip, accounts = int(self.chips[i]), self.accounts
        ms = error.up_ms - piece.start_ms
        accounts.enter(chip, piece.reason, ms - piece.entered_ms, piece.fixed)
        piece.entered_ms = ms
        if piece.advance is None:
            return
        reads = min(max(error.read_index - piece.reads, 0), max(piece.advance, 0))
        accounts.reads_total[chip] += reads - piece.entered_reads
        if piece.reason == CREDITED:
            accounts.reads_credited[chip] += reads - piece.entered_reads
        piece.entered_reads = reads

    def _disagree(self, i: int, error: ReadError, how: str) -> None:
        """Count a chip of which its messages and its counters tell different stories; once."""
        witness = self.witnesses[i]
        if not witness.disagrees:
            witness.disagrees = True
            self.counts.disagreements += 1
            told = (
                f"the failure of socket {self.sockets[i]} by error message {error.n} at up_ms {error.up_ms}"
            )
            self.notes.add(DISAGREEMENT, (self.rack, self.number), error.boot, error.n, f"{told} {how}")

    def _failure(self, i: int) -> Failure:
        failure = self.witnesses[i].failure
        assert failure is not None
        return failure

    @staticmethod
    def _is_pending_here(failure: Failure | None, stream: Stream) -> TypeGuard[Failure]:
        return failure is not None and failure.pending and failure.boot == stream.boot

    # -- counters -----------------------------------------------------------------------------------------------

    def _base_of(self, tally: Tally) -> Base:
        reads = self._at_sockets(tally.reads)
        return Base(
            seq=tally.seq,
            t_ms=tally.t_ms,
            up_ms=tally.up_ms,
            temp_c=tally.temp_c,
            supply_v=tally.supply_v,
            reads=reads,
            errors=self._at_sockets(tally.errors),
            nulls=bool((reads < 0).any()),
        )

    def _at_sockets(self, values: list[int | None]) -> Longs:
        """The counters of the board's chips; -1 where the socket is null or the list has no such socket."""
        size = len(values)
        found = [values[s - 1] if s <= size else None for s in self.sockets]
        return np.array([NULL if value is None else value for value in found], dtype=np.int64)

    def _errors_advance(self, stream: Stream, base: Base) -> Longs:
        """Advance of each errors counter since its last number in this boot (from zero before any)."""
        level = stream.counted_errors
        if level is None:
            level = np.zeros(len(self.sockets), dtype=np.int64)
        known = base.errors >= 0
        stream.counted_errors = np.where(known, base.errors, level)
        return np.where(known, np.maximum(base.errors - level, 0), 0)

    def _need_care(self, errors_advance: Longs) -> list[int]:
        """Chips that cannot be entered in bulk: errors advance, or a failure awaits its interval."""
        care = set(np.flatnonzero(errors_advance).tolist())
        for i in np.flatnonzero(self.accounts.failed[self.chips]).tolist():
            if self._failure(i).pending:
                care.add(i)
        return sorted(care)

    def _count_errors(self, i: int, advance: int, stream: Stream) -> bool:
        """Count failed reads; True when the counters reach the criterion with them."""
        witness, chip = self.witnesses[i], int(self.chips[i])
        before = witness.counted
        witness.counted += advance
        self.accounts.errors[chip] += advance
        if witness.failure is None or self._is_pending_here(witness.failure, stream):
            self.accounts.errors_at_risk[chip] += advance
        crossed = before < self.limits.failed_reads <= witness.counted
        if crossed:
            witness.clean_until_ms = {
                s.boot: s.base.up_ms for s in self.streams.values() if s.base is not None
            }
        return crossed

    def _note(self, kind: str, stream: Stream, seq: int, detail: str) -> None:
        self.notes.add(kind, (self.rack, self.number), stream.boot, seq, detail)

    def _faulty_counters(self, a: Base, b: Base, dt_ms: int, fell: Flags, beyond: Flags) -> str:
        """The first socket whose counters cannot be, and how many others there are."""
        faulty = np.flatnonzero(fell | beyond).tolist()
        i = faulty[0]
        if not fell[i]:
            most = self.limits.max_reads(dt_ms)
            what = f"reads rose by {b.reads[i] - a.reads[i]} in {dt_ms} ms, at most {most} are possible"
        elif b.reads[i] < a.reads[i]:
            what = f"reads fell from {a.reads[i]} to {b.reads[i]}"
        else:
            what = f"errors fell from {a.errors[i]} to {b.errors[i]}"
        others = f" (and {len(faulty) - 1} more sockets)" if len(faulty) > 1 else ""
        return f"socket {self.sockets[i]}: {what}{others}"

    def _note_strangers(self, tally: Tally) -> None:
        numbers = {socket for socket, reads in enumerate(tally.reads, start=1) if reads is not None}
        self.stranger_sockets |= numbers.difference(self.sockets)


def _uncredited_slice(before: Base | None, after: Base) -> Slice:
    """The stretch up to a tally that opens an account: an instant may lie in it, but nothing of it is credited.

    It reaches back to the start of the boot (a message at its very start included) for the first tally, and for one
    that opens the account anew with a clock that fell: then only the new time counts.
    """
    rises = before is not None and before.up_ms < after.up_ms
    start_ms = before.up_ms if before is not None and rises else FROM_BOOT - 1
    return Slice(start_ms, after.up_ms, Reason.COUNTER, (), 0, None, creditable=False)


def _agrees(left_out: list[int], up_ms: int) -> bool:
    """Note a tally left out; True when it is the third in a row whose up_ms rise plausibly."""
    if left_out and not 0 < up_ms - left_out[-1] <= MAX_DT_MS:
        left_out.clear()
    left_out.append(up_ms)
    return len(left_out) >= REOPEN_AFTER


def _missing(seq: int, missing: int) -> str:
    return f"seq {seq - 1}" if missing == 1 else f"seq {seq - missing} to {seq - 1} ({missing} tallies)"


def _impossible_step(before_ms: int, after_ms: int) -> str:
    """Why a step of ``up_ms`` cannot be; a controller that keeps it in 32 bits is told by its number."""
    if after_ms == before_ms:
        return f"up_ms stood still at {after_ms}"
    if after_ms > before_ms:
        return f"up_ms rose from {before_ms} to {after_ms}, more than {MAX_DT_MS // MS_PER_H} h in one step"
    fell = f"up_ms fell from {before_ms} to {after_ms}"
    if before_ms < _WRAP_MS and after_ms + _WRAP_MS - before_ms <= MAX_DT_MS:
        return f"{fell}; a 32-bit millisecond counter wraps after 49.7 days, this one must not"
    return fell
