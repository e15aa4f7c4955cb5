"""Entries of a journal for the tests: invented ones by number, and any that the contract allows by hypothesis."""

from __future__ import annotations

from typing import Any

import msgspec
from hypothesis import strategies as st

from monitor.campaign import Source
from monitor.journal import Run
from shared.entries import Disposed, Disposition, Entry, Measured, Readout, ReadPointFile, Received, Refused
from shared.messages import Presence, ReadError, Tally
from shared.quantities import INT_MAX, MAX_BOARD, MAX_SOCKETS
from shared.topics import Kind, Topic

RUN = Run("run-1", 1_790_000_000_000, Source("tern.toml", "# not parsed by a journal\n", "rack,board\n"))

counters = st.integers(0, INT_MAX)
positives = st.integers(1, INT_MAX)
instants = st.integers(-INT_MAX, INT_MAX)
boots = st.text(min_size=1, max_size=64)
measured = st.none() | st.floats(allow_nan=False, allow_infinity=False)
racks = st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)
boards = st.integers(1, MAX_BOARD)


@st.composite
def tallies(draw: st.DrawFn) -> Tally:
    sockets = draw(st.lists(st.none() | st.tuples(counters, counters), max_size=6))
    return Tally(
        v=1,
        boot=draw(boots),
        seq=draw(counters),
        t_ms=draw(instants),
        up_ms=draw(counters),
        temp_c=draw(measured),
        supply_v=draw(measured),
        reads=[pair and pair[0] for pair in sockets],
        errors=[pair and pair[1] for pair in sockets],
    )


@st.composite
def read_errors(draw: st.DrawFn) -> ReadError:
    digits = draw(st.integers(1, 64))
    words = st.text("0123456789abcdefABCDEF", min_size=digits, max_size=digits)
    return ReadError(
        v=1,
        boot=draw(boots),
        n=draw(counters),
        t_ms=draw(instants),
        up_ms=draw(counters),
        socket=draw(st.integers(1, MAX_SOCKETS)),
        address=draw(counters),
        expected=draw(words),
        observed=draw(words),
        read_index=draw(positives),
        count=draw(positives),
    )


presences = st.builds(
    Presence,
    v=st.just(1),
    online=st.booleans(),
    boot=boots,
    t_ms=instants,
    boards=st.lists(counters, max_size=4),
    software=st.just(msgspec.UNSET) | st.text(max_size=40),
) | st.builds(Presence, v=st.just(1), online=st.just(False), boot=boots, t_ms=instants)

dispositions = st.builds(
    Disposition,
    serial=st.text(min_size=1, max_size=64),
    cls=st.sampled_from(["relevant", "not-relevant"]),
    mechanism=st.none() | st.text(max_size=64),
    who=st.text(min_size=1, max_size=200),
    why=st.text(min_size=1, max_size=300),
    when_ms=instants,
)


finite = st.floats(allow_nan=False, allow_infinity=False)
readouts = st.builds(
    Readout,
    serial=st.text(min_size=1, max_size=64),
    read_point_h=st.floats(min_value=0, allow_infinity=False),
    parameter=st.text(min_size=1, max_size=64),
    unit=st.text(min_size=1, max_size=16),
    value=finite,
    low_limit=st.none() | finite,
    high_limit=st.none() | finite,
    removed_ms=st.none() | instants,
    measured_ms=st.none() | instants,
)
readpoints = st.builds(
    ReadPointFile,
    file=st.text(min_size=1, max_size=255),
    sha256=st.text("0123456789abcdef", min_size=64, max_size=64),
    mechanism=st.text(max_size=64),
    who=st.text(min_size=1, max_size=200),
    when_ms=instants,
    readouts=st.lists(readouts, max_size=4).map(tuple),
)


@st.composite
def received(draw: st.DrawFn) -> Received:
    kind = draw(st.sampled_from([Kind.TALLY, Kind.ERROR, Kind.PRESENCE]))
    message: Any = draw({Kind.TALLY: tallies(), Kind.ERROR: read_errors(), Kind.PRESENCE: presences}[kind])
    board = 0 if kind is Kind.PRESENCE else draw(boards)
    return Received(draw(instants), Topic(draw(racks), board, kind), message)


entries = received() | st.builds(Disposed, instants, dispositions) | st.builds(Measured, instants, readpoints)
some_refused = st.builds(
    Refused,
    duplicates=counters,
    conflicts=counters,
    invalid=counters,
    strangers=counters,
    stranger_places=st.lists(st.tuples(racks, st.none() | boards, st.none() | boards), max_size=3),
    invalid_reasons=st.dictionaries(st.text(max_size=8), counters, max_size=3),
)


def entry(number: int) -> Entry:
    """One tally, known by its number."""
    return Received(
        number,
        Topic("oven-1", 1, Kind.TALLY),
        Tally(
            v=1,
            boot="b",
            seq=number,
            t_ms=number,
            up_ms=number,
            temp_c=125.0,
            supply_v=1.98,
            reads=[number],
            errors=[0],
        ),
    )


def numbers(entries: list[Entry]) -> list[int]:
    """The numbers of entries made by :func:`entry`."""
    return [e.t_recv_ms for e in entries]


def exactly(entries: list[Entry]) -> list[str]:
    """Entries to the last digit: ``repr`` tells 0.0 from -0.0 and an int from a float, which ``==`` does not."""
    return [repr(e) for e in entries]
