"""What a journal is: the durable record of a run, whatever keeps it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.campaign import Source
from shared.entries import Entry, Refused
from shared.errors import LifeboundError

CLEARED_KEPT = 1000  # alerts that have cleared; those that are open are all kept


class JournalError(LifeboundError):
    """The journal cannot be read or written: the message says which file and what to do."""


@dataclass(frozen=True, slots=True)
class Run:
    """What a run is: its id (part of every receipt), when it began, and the campaign it was begun with."""

    id: str
    began_ms: int
    source: Source


@dataclass(frozen=True, slots=True)
class Head:
    """A batch and its hash, by which the whole journal up to it can be told from any other (see ``chain``).

    Number 0 is the run itself, before its first batch. As text ``NUMBER:DIGEST``, the digest in hex.
    """

    number: int
    digest: str

    def __str__(self) -> str:
        return f"{self.number}:{self.digest}"

    @classmethod
    def parse(cls, text: str) -> Head:
        """The head that a text gives. Raises ValueError."""
        found = re.fullmatch(r"([0-9]{1,18}):([0-9a-fA-F]{64})", text.strip(), re.ASCII)
        if found is None:
            raise ValueError("a head is NUMBER:DIGEST, the digest of 64 hex digits")
        return cls(int(found[1]), found[2].lower())


@dataclass(frozen=True, slots=True)
class StoredAlert:
    """An alert as it stands now: ``body`` is the alert as JSON."""

    id: str
    body: str
    cleared: bool


@dataclass(frozen=True, slots=True)
class Outgoing:
    """An alert as it is to be sent: what begins and what clears are two of them, with the same ``alert_id``."""

    number: int
    alert_id: str
    body: str


def facts_of(run: Run) -> dict[str, str]:
    """What is kept of a run, by name; the chain begins with it."""
    facts = {
        "id": run.id,
        "began_ms": str(run.began_ms),
        "campaign_name": run.source.name,
        "campaign_toml": run.source.toml,
        "campaign_sha256": run.source.sha256,
    }
    if run.source.chips_csv is not None:
        facts["chips_csv"] = run.source.chips_csv
    return facts


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

    @property
    def head(self) -> Head:
        """The last batch that was looked at, with its hash."""
        ...

    async def secure(self) -> None:
        """Make sure that everything which can be read is on the disk: call it before others are told what there is.

        A process that was killed may have left a commit that was written and not synced. Raises JournalError.
        """
        ...

    def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time, in order; appends go on from there.

        A batch of refused counts alone is passed over. Raises JournalError that names the batch which is missing or
        does not follow the one before it.
        """
        ...

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Make ``entries`` durable, and the refused counts with them, in one commit.

        Returns what is new in the journal since this journal last looked, in journal order: what others added in
        between, then ``entries``. When it returns everything is on disk. When it raises JournalError nothing is, or
        (the disk failed after the commit) all of it is and an append of the same entries adds nothing. If neither
        entries nor counts are new nothing is added. Raises JournalError, also where what others added does not
        follow what was there.
        """
        ...

    async def last(self) -> int:
        """Number of the last batch there is, looked at or not (0: none)."""
        ...

    async def holds(self, head: Head) -> bool:
        """Whether the batch that ``head`` names is there, with the hash it names."""
        ...

    async def has_news(self) -> bool:
        """Whether somebody else has added entries since this journal last looked."""
        ...

    async def refused(self) -> Refused:
        """The counts of refused messages, as last committed."""
        ...

    async def save_alerts(self, alerts: Sequence[StoredAlert], *, send: bool) -> None:
        """Add alerts, or replace those with the same id; with ``send`` each goes to the outbox in the same commit.

        Of the alerts that have cleared, the latest ``CLEARED_KEPT`` stay.
        """
        ...

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept, in the order in which they were first saved."""
        ...

    async def outgoing(self, after: int = 0, limit: int = 100) -> list[Outgoing]:
        """What is still to be sent, oldest first: at most ``limit`` with a number above ``after``."""
        ...

    async def sent(self, numbers: Sequence[int]) -> None:
        """Take what was delivered out of the outbox; a number that is not there changes nothing."""
        ...
