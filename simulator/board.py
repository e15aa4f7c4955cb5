"""One stress board: its counters, its sensors and its failing chips, as the messages that it sends.

Tallies are drawn in chunks with numpy; only an interval in which something fails is looked at read by read. Failed
reads are told by the messages of the interval they fall in, so that over an interval the ``count`` of the messages
and the advance of the ``errors`` counters agree.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from shared.messages import ReadError, Tally
from shared.quantities import MS_PER_H
from shared.topics import Kind
from simulator.behaviour import Cause
from simulator.faults import Event
from simulator.model import (
    Failing,
    Floats,
    Integers,
    Pace,
    excursion_c,
    merged,
    overlap_ms,
    ramp_c,
    reads_done,
    wrong_data,
)
from simulator.plan import BoardPlan, Boot, Defect, Window
from simulator.setup import Options, Setup
from simulator.truth import First

CHUNK = 512
SLOT_MS = 100  # at most ten error messages a second
MAX_WAITING = 100  # error messages of a board that wait for their slot before intervals are summed
BURST_MS = 100  # how long a first failed read waits for company before it is told


class Clock:
    """The wall clock of a rack: UTC milliseconds at an instant of the campaign, jumps included."""

    def __init__(self, start_ms: int, jumps: tuple[Window, ...]) -> None:
        self._start_ms = start_ms
        self._at = [jump.from_ms for jump in jumps]
        self._by = [0]
        for jump in jumps:
            self._by.append(self._by[-1] + round(jump.amount * 1000))

    def utc_ms(self, at_ms: int) -> int:
        """What the clock shows at ``at_ms``."""
        return self._start_ms + at_ms + self._by[bisect_right(self._at, at_ms)]


@dataclass(slots=True)
class _Pending:
    """An error message that waits for its slot; ``count`` may still grow."""

    up_ms: int
    socket: int
    read_index: int
    no_contact: bool
    count: int
    interval: int
    send_ms: int = 0


class Outbox:
    """Error messages of one board: at most one every SLOT_MS, in the order of their first failed reads."""

    def __init__(self, last_ms: int = -SLOT_MS) -> None:
        self.last_ms = last_ms
        self._queue: deque[_Pending] = deque()

    def __bool__(self) -> bool:
        return bool(self._queue)

    def put(self, ready_ms: int, told: _Pending) -> None:
        """Queue a message that is ready at ``ready_ms``, or add it to one of its socket that still waits.

        One of another interval takes it in only under pressure, when more than MAX_WAITING wait.
        """
        for waiting in self._queue:
            if waiting.socket != told.socket or waiting.send_ms <= ready_ms:
                continue
            if waiting.interval == told.interval or len(self._queue) > MAX_WAITING:
                waiting.count += told.count
                return
        told.send_ms = self.last_ms = max(ready_ms, self.last_ms + SLOT_MS)
        self._queue.append(told)

    def due(self, until_ms: int | None) -> Iterator[_Pending]:
        """Take out what is sent up to ``until_ms`` (all, if None)."""
        while self._queue and (until_ms is None or self._queue[0].send_ms <= until_ms):
            yield self._queue.popleft()


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The interval ``(a, b]`` of ``up_ms`` with the counters of the occupied sockets at its ends."""

    a_ms: int
    b_ms: int
    before: list[int]
    after: list[int]

    def pace(self, place: int) -> Pace:
        """How the counter of one socket runs through it."""
        return Pace(self.a_ms, self.b_ms, self.before[place], self.after[place])


@dataclass(slots=True)
class _Bout:
    """The failed reads of one socket in one interval; ``contact`` are the reads done without contact."""

    place: int
    pace: Pace
    reads: Failing
    contact: list[tuple[int, int]]
    first: int
    count: int

    def between(self, start_ms: int, end_ms: int) -> tuple[int | None, int]:
        """The first failed read between two instants of the interval, and how many there are."""
        if (start_ms, end_ms) == (self.pace.a_ms, self.pace.b_ms):
            return self.first, self.count
        lo, hi = self.pace.index(start_ms), self.pace.index(end_ms)
        return self.reads.first(lo, hi), self.reads.count(lo, hi)


@dataclass(slots=True)
class _Bad:
    """What is wrong with one socket in the present boot."""

    cells: dict[int, tuple[int, Defect]] = field(default_factory=dict)  # address -> (since read, defect)
    spoilt: list[tuple[int, int, Defect]] = field(default_factory=list)  # reads (lo, hi]


class Board:
    """The messages of one board; ``firsts`` tells the first failed read of each socket that had one."""

    def __init__(self, setup: Setup, options: Options, plan: BoardPlan, clock: Clock) -> None:
        self.plan = plan
        self.firsts: dict[int, First] = {}
        self._setup = setup
        self._options = options
        self._clock = clock
        self._rng = np.random.default_rng(plan.rng_key)
        self._sockets = [chip.socket for chip in plan.chips]
        self._no_contact = plan.upsets.get("contact-fail", ())
        self._ahead = deque(plan.defects)
        self._bad: dict[int, _Bad] = {}
        self._failing: set[int] = set()  # sockets with a failed read in the interval before
        tol_c = min(setup.temp_tol_minus_c, setup.temp_tol_plus_c)
        self._spread_c, self._spread_v = 0.1 * tol_c, 0.1 * setup.supply_tol_v
        self._offset_c = float(self._rng.uniform(-1, 1)) * self._spread_c
        self._offset_v = float(self._rng.uniform(-1, 1)) * self._spread_v
        self._phase_ms = 1 + int(self._rng.integers(setup.report_interval_ms))

    def events(self) -> Iterator[Event]:
        """Every message of the board in the order of sending."""
        outbox = Outbox()
        for boot in self.plan.boots:
            outbox = Outbox(outbox.last_ms)
            yield from self._boot(boot, outbox, last=boot is self.plan.boots[-1])

    def _boot(self, boot: Boot, outbox: Outbox, *, last: bool) -> Iterator[Event]:
        for bad in self._bad.values():  # a bad cell stays bad, a burst does not survive a restart
            bad.cells = {address: (0, defect) for address, (_, defect) in bad.cells.items()}
            bad.spoilt.clear()
        self._failing.clear()
        before_ms, n, seq = 0, 0, 0
        reads, errors = [0] * len(self._sockets), [0] * len(self._sockets)
        shown_errors = self._row(errors)
        for ups in self._report_times(boot):
            temps, supplies = self._sensors(boot, ups)
            counters = self._advance(boot, before_ms, ups, reads).tolist()
            for up_ms, temp_c, supply_v, now in zip(ups.tolist(), temps, supplies, counters, strict=True):
                if self._suspect(boot, before_ms, up_ms):
                    failed = self._interval(boot, outbox, _Stretch(before_ms, up_ms, reads, now), errors)
                    shown_errors = self._row(errors) if failed else shown_errors
                at_ms = boot.start_ms + up_ms
                if outbox:
                    for told in outbox.due(at_ms):
                        yield self._error(boot, n, told)
                        n += 1
                tally = Tally(
                    v=1,
                    boot=boot.id,
                    seq=seq,
                    t_ms=self._clock.utc_ms(at_ms),
                    up_ms=up_ms,
                    temp_c=temp_c,
                    supply_v=supply_v,
                    reads=self._row(now),
                    errors=shown_errors,
                )
                yield Event(at_ms, at_ms, self.plan.rack, self.plan.board, Kind.TALLY, tally)
                seq, before_ms, reads = seq + 1, up_ms, now
        end_ms = boot.end_ms - boot.start_ms
        if not last and before_ms < end_ms and self._suspect(boot, before_ms, end_ms):
            now = self._advance(boot, before_ms, np.array([end_ms]), reads)[0].tolist()
            self._interval(boot, outbox, _Stretch(before_ms, end_ms, reads, now), errors)
        for told in outbox.due(None):
            yield self._error(boot, n, told)
            n += 1

    def _row(self, values: list[int]) -> list[int | None]:
        """Values of the occupied sockets as the list of the contract, null where a socket is empty."""
        if len(values) == self._setup.sockets_per_board:
            return list(values)
        row: list[int | None] = [None] * self._setup.sockets_per_board
        for socket, value in zip(self._sockets, values, strict=True):
            row[socket - 1] = value
        return row

    def _report_times(self, boot: Boot) -> Iterator[Integers]:
        """The ``up_ms`` of the tallies of a boot, by chunks: evenly spaced, a few milliseconds off."""
        interval_ms = self._setup.report_interval_ms
        off_ms = min(20, interval_ms // 500)
        total = 1 + (boot.end_ms - boot.start_ms - self._phase_ms) // interval_ms
        for start in range(0, max(total, 0), CHUNK):
            numbers = np.arange(start, min(start + CHUNK, total), dtype=np.int64)
            ups = self._phase_ms + numbers * interval_ms
            ups += self._rng.integers(-off_ms, off_ms + 1, ups.shape)
            yield np.clip(ups, 1, boot.end_ms - boot.start_ms)

    def _sensors(self, boot: Boot, ups: Integers) -> tuple[list[float | None], list[float | None]]:
        """Temperatures (to 0.01 °C) and supplies (to 1 mV) at the tallies; None where a sensor is lost."""
        at_h = (boot.start_ms + ups) / MS_PER_H
        temps = ramp_c(at_h, self._setup.temp_c, self._options.faults.ramp_h) + self._offset_c
        temps += self._spread_c * np.sin(2 * np.pi * at_h / 7.0)  # the oven's control loop, slowly
        temps += self._noise(at_h) * self._spread_c / 4
        for window in self.plan.upsets.get("excursion", ()):
            temps += excursion_c(at_h, window.from_ms / MS_PER_H, window.to_ms / MS_PER_H, window.amount)
        supplies = self._setup.supply_v + self._offset_v + self._noise(at_h) * self._spread_v / 4
        for window in self.plan.upsets.get("droop", ()):
            supplies -= window.amount * _within(boot.start_ms + ups, window)
        return (
            _measured(temps, 2, boot.start_ms + ups, self.plan.upsets.get("temp-lost", ())),
            _measured(supplies, 3, boot.start_ms + ups, self.plan.upsets.get("supply-lost", ())),
        )

    def _noise(self, like: Floats) -> Floats:
        return np.clip(self._rng.standard_normal(like.shape), -4, 4)

    def _advance(self, boot: Boot, before_ms: int, ups: Integers, reads: list[int]) -> Integers:
        """The counters of the occupied sockets at ``ups``, from ``reads`` at ``before_ms`` on."""
        starts = np.concatenate((np.array([before_ms]), ups[:-1]))
        active = np.repeat((ups - starts).astype(np.float64)[:, None], len(self._sockets), axis=1)
        for socket, windows in self.plan.stops.items():
            for window in windows:
                away = overlap_ms(starts + boot.start_ms, ups + boot.start_ms, window.from_ms, window.to_ms)
                active[:, self._sockets.index(socket)] -= away
        done = reads_done(self._rng, self._setup.read_rate_hz, active)
        counters: Integers = np.cumsum(done, axis=0) + np.array(reads)
        return counters

    def _suspect(self, boot: Boot, a_ms: int, b_ms: int) -> bool:
        """Whether a read may fail in the interval ``(a, b]`` of ``up_ms``."""
        if self._bad or (self._ahead and self._ahead[0].at_ms <= boot.start_ms + b_ms):
            return True
        return self._loses_contact(boot, a_ms, b_ms)

    def _loses_contact(self, boot: Boot, a_ms: int, b_ms: int) -> bool:
        return any(
            w.from_ms < boot.start_ms + b_ms and boot.start_ms + a_ms < w.to_ms for w in self._no_contact
        )

    def _interval(self, boot: Boot, outbox: Outbox, stretch: _Stretch, errors: list[int]) -> bool:
        """Let the reads of one interval fail that fail: raise ``errors``, fill ``outbox``. Whether any did."""
        self._strike(boot, stretch)
        everywhere = self._loses_contact(boot, stretch.a_ms, stretch.b_ms)
        bouts = []
        for place in range(len(self._sockets)) if everywhere else sorted(self._bad):
            pace = stretch.pace(place)
            contact = self._contact_spans(boot, pace) if everywhere else []
            reads = self._failing_reads(place, contact)
            first = reads.first(pace.ra, pace.rb)
            if first is not None:
                bout = _Bout(place, pace, reads, contact, first, reads.count(pace.ra, pace.rb))
                errors[place] += bout.count
                self._note_first(boot, bout)
                bouts.append(bout)
        fresh = sorted(bout.pace.instant(bout.first) for bout in bouts if bout.place not in self._failing)
        for start, end in _slices(stretch.a_ms, stretch.b_ms, fresh):
            self._tell(boot, outbox, start, end, bouts)
        self._failing = {bout.place for bout in bouts}
        self._heal(stretch.after)
        return bool(bouts)

    def _strike(self, boot: Boot, stretch: _Stretch) -> None:
        """Bring in the defects whose time has come; on a socket that is not reading they wait."""
        waiting = []
        while self._ahead and self._ahead[0].at_ms <= boot.start_ms + stretch.b_ms:
            defect = self._ahead.popleft()
            place = self._sockets.index(defect.socket)
            pace = stretch.pace(place)
            done = pace.index(max(defect.at_ms - boot.start_ms, pace.a_ms))
            if done >= pace.rb:
                waiting.append(defect)
                continue
            bad = self._bad.setdefault(place, _Bad())
            if defect.reads:
                bad.spoilt.append((done, done + defect.reads, defect))
            else:
                bad.cells.setdefault(done % self._options.words, (done, defect))
        self._ahead.extendleft(reversed(waiting))

    def _failing_reads(self, place: int, contact: list[tuple[int, int]]) -> Failing:
        bad = self._bad.get(place) or _Bad()
        spans = contact + [(lo, hi) for lo, hi, _ in bad.spoilt]
        cells = tuple((address, since) for address, (since, _) in bad.cells.items())
        return Failing(self._options.words, merged(spans), cells)

    def _contact_spans(self, boot: Boot, pace: Pace) -> list[tuple[int, int]]:
        """The reads of the interval that were done without contact."""
        spans = []
        for window in self._no_contact:
            lo = max(window.from_ms - boot.start_ms, pace.a_ms)
            hi = min(window.to_ms - boot.start_ms, pace.b_ms)
            if lo < hi:
                spans.append((pace.index(lo), pace.index(hi)))
        return spans

    def _note_first(self, boot: Boot, bout: _Bout) -> None:
        socket = self._sockets[bout.place]
        if socket not in self.firsts:
            cause, mechanism = self._cause(bout)
            up_ms = bout.pace.instant(bout.first)
            t_ms = self._clock.utc_ms(boot.start_ms + up_ms)
            self.firsts[socket] = First(cause, mechanism, boot.id, up_ms, t_ms, bout.first)

    def _cause(self, bout: _Bout) -> tuple[Cause, str | None]:
        """Why the first failed read of a bout failed."""
        if _holds(bout.contact, bout.first):
            return "contact", None
        bad = self._bad[bout.place]
        for lo, hi, defect in bad.spoilt:
            if lo < bout.first <= hi:
                return defect.cause, defect.mechanism
        _, defect = bad.cells[(bout.first - 1) % self._options.words]
        return defect.cause, defect.mechanism

    def _tell(self, boot: Boot, outbox: Outbox, start_ms: int, end_ms: int, bouts: list[_Bout]) -> None:
        """One message for each socket with failed reads between the two instants."""
        told = []
        for bout in bouts:
            first, count = bout.between(start_ms, end_ms)
            if first is not None:
                told.append(
                    _Pending(
                        up_ms=bout.pace.instant(first),
                        socket=self._sockets[bout.place],
                        read_index=first,
                        no_contact=_holds(bout.contact, first),
                        count=count,
                        interval=bout.pace.b_ms,
                    )
                )
        for message in sorted(told, key=lambda message: (message.up_ms, message.socket)):
            outbox.put(boot.start_ms + end_ms, message)

    def _heal(self, now: list[int]) -> None:
        """Forget bursts that are over, and sockets with nothing wrong."""
        for place, bad in list(self._bad.items()):
            bad.spoilt = [spoilt for spoilt in bad.spoilt if spoilt[1] > now[place]]
            if not bad.spoilt and not bad.cells:
                del self._bad[place]

    def _error(self, boot: Boot, n: int, told: _Pending) -> Event:
        address = (told.read_index - 1) % self._options.words
        expected, observed = wrong_data(address, no_contact=told.no_contact)
        message = ReadError(
            v=1,
            boot=boot.id,
            n=n,
            t_ms=self._clock.utc_ms(boot.start_ms + told.up_ms),
            up_ms=told.up_ms,
            socket=told.socket,
            address=address,
            expected=expected,
            observed=observed,
            read_index=told.read_index,
            count=told.count,
        )
        return Event(told.send_ms, told.send_ms, self.plan.rack, self.plan.board, Kind.ERROR, message)


def _within(at_ms: Integers, window: Window) -> Integers:
    return ((at_ms > window.from_ms) & (at_ms <= window.to_ms)).astype(np.int64)


def _holds(spans: list[tuple[int, int]], read_index: int) -> bool:
    return any(lo < read_index <= hi for lo, hi in spans)


def _measured(values: Floats, decimals: int, at_ms: Integers, lost: tuple[Window, ...]) -> list[float | None]:
    out: list[float | None] = [round(value, decimals) for value in values.tolist()]
    for window in lost:
        for index in np.flatnonzero(_within(at_ms, window)).tolist():
            out[index] = None
    return out


def _slices(start: int, end: int, fresh_ms: list[int]) -> Iterator[tuple[int, int]]:
    """Cut an interval after each fresh failure (BURST_MS later, so that a burst is one message)."""
    for first_ms in fresh_ms:
        if start < first_ms and first_ms + BURST_MS < end:
            yield start, first_ms + BURST_MS
            start = first_ms + BURST_MS
    yield start, end
