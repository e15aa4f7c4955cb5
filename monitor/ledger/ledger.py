"""The ledger: the pure fold of a run's journal into the account.

``apply`` takes the entries of the journal in the order in which they were journalled; the same entries always give
the same state. No clock, no I/O: the receive times are data.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import msgspec
import numpy as np

from monitor.campaign import Campaign
from monitor.ledger.accounts import Accounts
from monitor.ledger.board import Board, Counts
from monitor.ledger.failures import Witness
from monitor.ledger.limits import LIVE_BOOTS, Limits
from monitor.ledger.notes import Notes
from monitor.ledger.stream import Stream
from monitor.ledger.weights import Weights
from shared.entries import Disposed, Disposition, Entry, Measured, ReadPointFile, Received
from shared.messages import Presence, ReadError, Receipt, ReceiptBoot, Tally
from shared.quantities import MS_PER_H, RECEIPT_BOOTS

FOLD_VERSION = 3  # raised with every change that makes the same journal give other figures
_PACE_STEP_MS = MS_PER_H
_PACE_STEPS = 24


@dataclass(slots=True)
class Rack:
    """What is known of a rack: its live boots in the order in which they were first heard of, and its presence."""

    boots: list[str] = field(default_factory=list)
    online: bool | None = None
    presence_recv_ms: int | None = None
    presence_arrival: int = 0  # number of that message among the accepted ones; 0: none

    def hear_of(self, boot: str) -> str | None:
        """Note a boot; the latest ones are those the receipts speak of. Returns the one that ended long ago now."""
        if boot in self.boots[-RECEIPT_BOOTS:] or boot in self.boots:
            return None
        self.boots.append(boot)
        return self.boots.pop(0) if len(self.boots) > LIVE_BOOTS else None


class Ledger:
    """State of a run. Read it through the figures; only :meth:`apply` changes it."""

    def __init__(self, campaign: Campaign) -> None:
        self.campaign = campaign
        self.limits = Limits.of(campaign)
        self.weights = Weights(campaign)
        self.accounts = Accounts.empty(len(campaign.chips), self.weights.rows)
        self.witnesses = [Witness() for _ in campaign.chips]
        self.counts = Counts()
        self.notes = Notes()
        self.accepted = 0
        self.first_recv_ms: int | None = None
        self.as_of_ms: int | None = None
        self.dispositions: dict[str, list[Disposition]] = {}
        self.readpoints: list[ReadPointFile] = []
        self.racks: dict[str, Rack] = {}
        self.boards: dict[tuple[str, int], Board] = {}
        self._chip_at: dict[tuple[str, int, int], int] = {}
        self.pace: deque[tuple[int, int]] = deque(maxlen=_PACE_STEPS + 1)
        self._build()

    def _build(self) -> None:
        places: dict[tuple[str, int], list[tuple[int, int]]] = {}
        for index, chip in enumerate(self.campaign.chips):
            places.setdefault((chip.rack, chip.board), []).append((chip.socket, index))
            self.racks.setdefault(chip.rack, Rack())
        for (rack, number), sockets in sorted(places.items()):
            sockets.sort()
            for position, (socket, _) in enumerate(sockets):
                self._chip_at[rack, number, socket] = position
            self.boards[rack, number] = Board(
                rack=rack,
                number=number,
                chips=np.array([index for _, index in sockets], dtype=np.int64),
                sockets=[socket for socket, _ in sockets],
                limits=self.limits,
                weights=self.weights,
                accounts=self.accounts,
                counts=self.counts,
                notes=self.notes,
                witnesses=[self.witnesses[index] for _, index in sockets],
            )

    def apply(self, entry: Entry) -> None:
        """Fold one journal entry. What it says is never an error: contradictions are counted."""
        if self.first_recv_ms is None:
            self.first_recv_ms = entry.t_recv_ms
        self.as_of_ms = entry.t_recv_ms
        if isinstance(entry, Disposed):
            self.dispositions.setdefault(entry.disposition.serial, []).append(entry.disposition)
            return
        if isinstance(entry, Measured):
            self.readpoints.append(entry.readpoint)
            return
        self.accepted += 1
        self.notes.now_ms = entry.t_recv_ms
        self._take(entry)
        self._note_pace(entry.t_recv_ms)

    def _take(self, entry: Received) -> None:
        topic, message = entry.topic, entry.message
        match message:
            case Presence():
                rack = self.racks[topic.rack]
                rack.online, rack.presence_recv_ms = message.online, entry.t_recv_ms
                rack.presence_arrival = self.accepted
            case Tally():
                board = self.boards[topic.rack, topic.board]
                self._hear_of(topic.rack, message.boot)
                before = board.intervals
                board.take_tally(message)
                board.last_recv_ms, board.last_arrival = entry.t_recv_ms, self.accepted
                if board.intervals > before or board.paired_recv_ms is None:
                    board.paired_recv_ms = entry.t_recv_ms
            case ReadError():
                board = self.boards[topic.rack, topic.board]
                self._hear_of(topic.rack, message.boot)
                board.see_error(self._chip_at[topic.rack, topic.board, message.socket], message)

    def _hear_of(self, rack: str, boot: str) -> None:
        """Only the latest boots of a rack are live; the session refuses what still comes of an older one."""
        ended = self.racks[rack].hear_of(boot)
        if ended is not None:
            for (name, _), board in self.boards.items():
                if name == rack:
                    board.close(ended)

    # -- the present pace of credit, for dates ------------------------------------------------------------------

    def _note_pace(self, t_recv_ms: int) -> None:
        if not self.pace or abs(t_recv_ms - self.pace[-1][0]) >= _PACE_STEP_MS:
            self.pace.append((t_recv_ms, self.credited_ms()))

    def credited_ms(self) -> int:
        """Chip-milliseconds credited so far."""
        return int(self.accounts.credited_ms.sum())

    def credit_pace(self) -> float | None:
        """Chip-hours credited per hour of receive time over about the last day; None where nothing tells it."""
        if not self.pace or self.as_of_ms is None:
            return None
        since_ms, credited_ms = self.pace[0]
        elapsed_ms = self.as_of_ms - since_ms
        return (self.credited_ms() - credited_ms) / elapsed_ms if elapsed_ms > 0 else None

    # -- what the racks may forget ------------------------------------------------------------------------------

    def receipt(self, rack: str, run: str, t_ms: int) -> Receipt:
        """What is held durably of a rack: valid only when every applied entry is on disk."""
        boards = [board for (name, _), board in self.boards.items() if name == rack]
        return Receipt(
            v=1,
            run=run,
            t_ms=t_ms,
            boots={boot: _held(boot, boards) for boot in self.racks[rack].boots[-RECEIPT_BOOTS:]},
        )

    def leave_out(self, rack: str, board: int, error: ReadError) -> None:
        """Count a refused error message as dealt with in the receipt of its boot; no figure changes."""
        stream = self.boards[rack, board].streams.get(error.boot)
        if stream is not None:
            stream.note_refused_error(error.n, error.up_ms)

    @property
    def waiting(self) -> int:
        """Tallies that wait for an earlier one; they are in no figure yet."""
        return sum(board.waiting for board in self.boards.values())


def _held(boot: str, boards: list[Board]) -> ReceiptBoot:
    streams: list[tuple[str, Stream]] = [
        (str(board.number), board.streams[boot]) for board in boards if boot in board.streams
    ]
    return ReceiptBoot(
        tally={number: stream.next_seq - 1 for number, stream in streams if stream.next_seq},
        error={number: stream.next_error - 1 for number, stream in streams if stream.next_error},
    )


def same_boots(a: Receipt | None, b: Receipt) -> bool:
    """Whether two receipts say the same, whatever their time."""
    return a is not None and msgspec.structs.replace(a, t_ms=b.t_ms) == b
