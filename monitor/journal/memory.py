"""A journal in memory: for tests, and for a replay that need not last."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence

import msgspec

from monitor.journal import chain
from monitor.journal.codec import pack
from monitor.journal.protocol import CLEARED_KEPT, Head, Outgoing, Run, StoredAlert, facts_of
from shared.entries import Entry, Refused


class MemoryJournal:
    """Keeps everything the protocol asks for, as long as the process lives."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._batches: list[list[Entry]] = []
        self._hashes = [chain.genesis(facts_of(run))]  # by number; the first is the run's own
        self._looked = 0
        self._refused = ""
        self._alerts: dict[str, StoredAlert] = {}
        self._cleared: dict[str, None] = {}  # in the order in which they cleared
        self._outbox: dict[int, Outgoing] = {}
        self._put_out = 0

    @property
    def run(self) -> Run:
        """The run that is recorded."""
        return self._run

    @property
    def position(self) -> int:
        """Number of the last batch that was looked at."""
        return self._looked

    @property
    def head(self) -> Head:
        """The last batch that was looked at, with its hash."""
        return Head(self._looked, self._hashes[self._looked].hex())

    async def secure(self) -> None:
        """Nothing is on any disk."""

    async def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time."""
        self._looked = after
        while self._looked < len(self._batches):
            self._looked += 1
            if batch := self._batches[self._looked - 1]:
                yield list(batch)

    def add_from_outside(self, entries: Sequence[Entry]) -> None:
        """What another process would add to the same run."""
        self._add(entries)

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Keep entries; returns what is new since the last look."""
        changed = refused is not None and refused != _counts(self._refused)
        if entries or changed:
            if refused is not None:
                self._refused = msgspec.json.encode(refused).decode()
            self._add(entries)
        new = [entry for batch in self._batches[self._looked :] for entry in batch]
        self._looked = len(self._batches)
        return new

    async def last(self) -> int:
        """Number of the last batch there is."""
        return len(self._batches)

    async def holds(self, head: Head) -> bool:
        """Whether the batch that ``head`` names is there, with the hash it names."""
        return head.number < len(self._hashes) and self._hashes[head.number].hex() == head.digest

    async def has_news(self) -> bool:
        """Whether entries were added from outside since the last look."""
        return self._looked < await self.last()

    async def refused(self) -> Refused:
        """The counts of refused messages, as last kept."""
        return _counts(self._refused)

    async def save_alerts(self, alerts: Sequence[StoredAlert], *, send: bool) -> None:
        """Add or replace alerts."""
        for alert in alerts:
            self._alerts[alert.id] = alert
            if not alert.cleared:
                self._cleared.pop(alert.id, None)
            else:
                self._cleared.setdefault(alert.id)
            if send and not any(
                (o.alert_id, o.body) == (alert.id, alert.body) for o in self._outbox.values()
            ):
                self._put_out += 1
                self._outbox[self._put_out] = Outgoing(self._put_out, alert.id, alert.body)
        for old in list(self._cleared)[:-CLEARED_KEPT]:
            del self._cleared[old], self._alerts[old]

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept."""
        return list(self._alerts.values())

    async def outgoing(self, after: int = 0, limit: int = 100) -> list[Outgoing]:
        """What is still to be sent, oldest first."""
        return [each for number, each in self._outbox.items() if number > after][:limit]

    async def sent(self, numbers: Sequence[int]) -> None:
        """Take what was delivered out of the outbox."""
        for number in numbers:
            self._outbox.pop(number, None)

    def _add(self, entries: Sequence[Entry]) -> None:
        number, counts = len(self._hashes), chain.counts_digest(self._refused)
        self._hashes.append(chain.link(self._hashes[-1], number, len(entries), counts, pack(entries)))
        self._batches.append(list(entries))


def _counts(text: str) -> Refused:
    return msgspec.json.decode(text, type=Refused) if text else Refused()
