"""From deliveries to a durable account: judge, commit, fold, and only then let the broker forget.

One lock: whoever records has the journal and the account to itself, so that the order of the fold is the order of
the journal.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence

from monitor.intake.link import Delivery
from monitor.intake.session import Verdict
from monitor.journal import Journal, JournalError
from monitor.service.account import Account, snapshot_of
from shared.entries import Entry
from shared.messages import ReadError

log = logging.getLogger("lifebound.recorder")
_RETRY_S = (0.1, 0.5, 2.0, 5.0)


class Recorder:
    """Owns the journal and the account of a running service.

    ``storage`` says what is wrong with the disk while something is, and is None otherwise; ``version`` rises with
    every change of the account.
    """

    def __init__(self, account: Account, journal: Journal, clock_ms: Callable[[], int]) -> None:
        self.account = account
        self.journal = journal
        self.storage: str | None = None
        self.version = 0
        self._clock_ms = clock_ms
        self._lock = asyncio.Lock()

    async def record(self, batch: Sequence[Delivery]) -> None:
        """Make a batch durable and fold it; while the disk is in trouble it waits and tries again."""
        async with self._lock:
            entries = self._judge(batch)
            await self._commit(entries)

    async def look_for_news(self) -> None:
        """Fold what others (a disposition from the command line) have added to the journal."""
        async with self._lock:
            if self.storage is not None:
                return
            try:
                news = await self.journal.has_news()
            except JournalError as error:  # it is looked at again; if it is the disk, the next commit says so
                log.warning("journal cannot be looked at", extra={"detail": str(error)})
                return
            if news:
                await self._commit([])

    async def snapshot(self) -> bytes:
        """The account and the journal's position, at one instant between two commits."""
        async with self._lock:
            return snapshot_of(self.account, self.journal)

    def _judge(self, batch: Sequence[Delivery]) -> list[Entry]:
        now_ms = self._clock_ms()
        entries: list[Entry] = []
        for delivery in batch:
            judgement = self.account.session.judge(now_ms, delivery.topic, delivery.payload)
            if judgement.entry is not None:
                entries.append(judgement.entry)
            elif (refused := judgement.refused_error) is not None and isinstance(refused.message, ReadError):
                self.account.ledger.leave_out(refused.topic.rack, refused.topic.board, refused.message)
            elif judgement.verdict in {Verdict.INVALID, Verdict.CONFLICT}:
                log.warning(
                    "message refused",
                    extra={"verdict": judgement.verdict, "topic": delivery.topic, "detail": judgement.detail},
                )
        return entries

    async def _commit(self, entries: list[Entry]) -> None:
        attempt = 0
        while True:
            try:
                news = await self.journal.append(entries, self.account.session.refused)
                break
            except JournalError as error:
                if self.storage is None:
                    log.error(
                        "journal cannot be written; nothing is acknowledged", extra={"detail": str(error)}
                    )
                self.storage = str(error)
                await asyncio.sleep(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
                attempt += 1
        if self.storage is not None:
            log.warning("journal can be written again")
            self.storage = None
        self.account.apply(news)
        self.version += 1
