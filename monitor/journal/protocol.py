"""What a journal is: the durable record of a run, whatever keeps it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.campaign import Source
from shared.entries import Entry, Refused
from shared.errors import LifeboundError


class JournalError(LifeboundError):
    """The journal cannot be read or written: the message says which file and what to do."""


@dataclass(frozen=True, slots=True)
class Run:
    """What a run is: its id (part of every receipt), when it began, and the campaign it was begun with."""

    id: str
    began_ms: int
    source: Source


@dataclass(frozen=True, slots=True)
class StoredAlert:
    """An alert as the journal keeps it: ``body`` is the alert as JSON; undelivered ones are still to be sent."""

    id: str
    body: str
    cleared: bool
    delivered: bool


class Journal(Protocol):
    """An append-only record. One writer appends; whoever else adds entries is seen at the next append or poll."""

    @property
    def run(self) -> Run:
        """The run that is recorded."""
        ...

    @property
    def position(self) -> int:
        """Number of the last batch that was looked at (0: none)."""
        ...

    def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time, in order; appends go on from there."""
        ...

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Make ``entries`` durable, and the refused counts with them, in one commit.

        Returns what is new in the journal since this journal last looked, in journal order: what others added in
        between, then ``entries``. When it returns everything is on disk; when it raises nothing is.
        """
        ...

    async def last(self) -> int:
        """Number of the last batch there is, looked at or not (0: none)."""
        ...

    async def has_news(self) -> bool:
        """Whether somebody else has added entries since this journal last looked."""
        ...

    async def refused(self) -> Refused:
        """The counts of refused messages, as last committed."""
        ...

    async def save_alerts(self, alerts: Sequence[StoredAlert]) -> None:
        """Add alerts, or replace those with the same id."""
        ...

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept, in the order in which they were first saved."""
        ...
