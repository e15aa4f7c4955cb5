"""The ledger's state as bytes, so that a restart need not fold six weeks again.

It is JSON, because sums of broken counters may go beyond 64 bits. A snapshot is worth nothing but time: it is taken
only for the same campaign texts and the same version of the fold, and whoever cannot use it folds the journal from
the beginning and gets the same state.
"""

from __future__ import annotations

import base64
from collections import deque
from dataclasses import fields
from typing import Any

import msgspec
import numpy as np

from monitor.campaign import Campaign
from monitor.ledger.accounts import Accounts
from monitor.ledger.board import Board, Counts
from monitor.ledger.failures import Witness
from monitor.ledger.ledger import FOLD_VERSION, Ledger, Rack
from monitor.ledger.notes import Event
from monitor.ledger.stream import Stream
from shared.entries import Disposition, ReadPointFile


class _BoardState(msgspec.Struct):
    rack: str
    number: int
    streams: list[Stream]
    boots: int
    newest: str | Stream | None  # by its name while it is live
    stranger_sockets: list[int]
    last_recv_ms: int | None
    last_arrival: int
    paired_recv_ms: int | None
    intervals: int


class _LedgerState(msgspec.Struct):
    fold_version: int
    campaign_sha256: str
    accounts: Accounts
    witnesses: list[Witness]
    counts: Counts
    notes: dict[str, list[Event]]
    accepted: int
    first_recv_ms: int | None
    as_of_ms: int | None
    dispositions: dict[str, list[Disposition]]
    readpoints: list[ReadPointFile]
    racks: dict[str, Rack]
    boards: list[_BoardState]
    pace: list[tuple[int, int]]


def freeze(ledger: Ledger) -> bytes:
    """The state of a ledger."""
    state = _LedgerState(
        fold_version=FOLD_VERSION,
        campaign_sha256=ledger.campaign.source.sha256,
        accounts=ledger.accounts,
        witnesses=ledger.witnesses,
        counts=ledger.counts,
        notes=ledger.notes.kept,
        accepted=ledger.accepted,
        first_recv_ms=ledger.first_recv_ms,
        as_of_ms=ledger.as_of_ms,
        dispositions=ledger.dispositions,
        readpoints=ledger.readpoints,
        racks=ledger.racks,
        boards=[_freeze_board(board) for board in ledger.boards.values()],
        pace=list(ledger.pace),
    )
    return msgspec.json.encode(state, enc_hook=_array_out)


def thaw(campaign: Campaign, data: bytes) -> Ledger | None:
    """The ledger of a snapshot; None when it is of another campaign or another version of the fold, or damaged."""
    try:
        state = msgspec.json.decode(data, type=_LedgerState, dec_hook=_array_in)
    except (msgspec.MsgspecError, ValueError, TypeError, RecursionError):
        return None
    if (state.fold_version, state.campaign_sha256) != (FOLD_VERSION, campaign.source.sha256):
        return None
    try:
        return _take_up(Ledger(campaign), state)
    except (LookupError, ValueError):  # it contradicts the campaign
        return None


def _take_up(ledger: Ledger, state: _LedgerState) -> Ledger:
    if len(state.witnesses) != len(ledger.witnesses) or len(state.boards) != len(ledger.boards):
        raise ValueError("another number of chips or boards")
    _fill(ledger.accounts, state.accounts)
    _fill(ledger.counts, state.counts)
    ledger.notes.kept = state.notes
    ledger.witnesses[:] = state.witnesses
    ledger.accepted, ledger.first_recv_ms, ledger.as_of_ms = (
        state.accepted,
        state.first_recv_ms,
        state.as_of_ms,
    )
    ledger.dispositions, ledger.racks = state.dispositions, state.racks
    ledger.readpoints = state.readpoints
    ledger.pace = deque(state.pace, maxlen=ledger.pace.maxlen)
    for saved in state.boards:
        _thaw_board(ledger, ledger.boards[saved.rack, saved.number], saved)
    return ledger


def _freeze_board(board: Board) -> _BoardState:
    newest = board.newest
    live = newest is not None and board.streams.get(newest.boot) is newest
    return _BoardState(
        rack=board.rack,
        number=board.number,
        streams=list(board.streams.values()),
        boots=board.boots,
        newest=newest.boot if newest is not None and live else newest,
        stranger_sockets=sorted(board.stranger_sockets),
        last_recv_ms=board.last_recv_ms,
        last_arrival=board.last_arrival,
        paired_recv_ms=board.paired_recv_ms,
        intervals=board.intervals,
    )


def _thaw_board(ledger: Ledger, board: Board, saved: _BoardState) -> None:
    board.streams = {stream.boot: stream for stream in saved.streams}
    board.boots = saved.boots
    board.newest = board.streams[saved.newest] if isinstance(saved.newest, str) else saved.newest
    board.stranger_sockets = set(saved.stranger_sockets)
    board.last_recv_ms, board.paired_recv_ms = saved.last_recv_ms, saved.paired_recv_ms
    board.last_arrival = saved.last_arrival
    board.intervals = saved.intervals
    board.witnesses = [ledger.witnesses[index] for index in board.chips.tolist()]


def _fill(target: Any, source: Any) -> None:
    """Copy the fields of a dataclass into another that others hold references to."""
    for each in fields(target):
        old, new = getattr(target, each.name), getattr(source, each.name)
        if isinstance(old, np.ndarray) and (old.shape, old.dtype) != (new.shape, new.dtype):
            raise ValueError(f"{each.name} has another shape")
        setattr(target, each.name, new)


def _array_out(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, base64.b64encode(value.tobytes()).decode()
    raise NotImplementedError(type(value).__name__)


def _array_in(kind: Any, value: Any) -> Any:
    dtype, shape, data = value
    return np.frombuffer(base64.b64decode(data), dtype=np.dtype(dtype)).reshape(shape).copy()
