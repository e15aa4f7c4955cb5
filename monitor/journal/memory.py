"""A journal in memory: for tests, and for a replay that need not last."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence

import msgspec

from monitor.journal.protocol import Run, StoredAlert
from shared.entries import Entry, Refused


class MemoryJournal:
    """Keeps everything the protocol asks for, as long as the process lives."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._batches: list[list[Entry]] = []
        self._looked = 0
        self._refused = Refused()
        self._alerts: dict[str, StoredAlert] = {}

    @property
    def run(self) -> Run:
        """The run that is recorded."""
        return self._run

    @property
    def position(self) -> int:
        """Number of the last batch that was looked at."""
        return self._looked

    async def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time."""
        self._looked = after
        while self._looked < len(self._batches):
            self._looked += 1
            yield list(self._batches[self._looked - 1])

    def add_from_outside(self, entries: Sequence[Entry]) -> None:
        """What another process would add to the same run."""
        self._batches.append(list(entries))

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Keep entries; returns what is new since the last look."""
        if entries:
            self._batches.append(list(entries))
        if refused is not None:
            self._refused = _copy(refused)
        new = [entry for batch in self._batches[self._looked :] for entry in batch]
        self._looked = len(self._batches)
        return new

    async def last(self) -> int:
        """Number of the last batch there is."""
        return len(self._batches)

    async def has_news(self) -> bool:
        """Whether entries were added from outside since the last look."""
        return self._looked < await self.last()

    async def refused(self) -> Refused:
        """The counts of refused messages, as last kept."""
        return _copy(self._refused)

    async def save_alerts(self, alerts: Sequence[StoredAlert]) -> None:
        """Add or replace alerts."""
        self._alerts.update({alert.id: alert for alert in alerts})

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept."""
        return list(self._alerts.values())


def _copy(refused: Refused) -> Refused:
    return msgspec.json.decode(msgspec.json.encode(refused), type=Refused)
