"""From deliveries to a durable account: judge, commit, fold, and only then let the broker forget.

One lock: whoever records has the journal and the account to itself, so that the order of the fold is the order of
the journal.

To judge a message is to remember it. If then its commit were given up, its redelivery would look like a duplicate
and be acknowledged without being on disk. So a batch that was judged is never given up while this process can judge
another: the work is a task of its own, which a cancelled caller leaves going on under the lock; it ends with
the commit, with :meth:`Recorder.close` (after which nothing is judged), or with a fault of our own, after which nothing
is judged either.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from typing import Any, TypeVar

from monitor.intake.link import Delivery
from monitor.intake.session import Verdict
from monitor.journal import Journal, JournalError
from monitor.service.account import Account, snapshot_of
from monitor.service.clock import Ages, steady_ms
from monitor.service.storage import StorageTrouble
from shared.entries import Entry, Received
from shared.messages import ReadError

log = logging.getLogger("lifebound.recorder")
T = TypeVar("T")
_RETRY_S = (0.1, 0.5, 2.0, 5.0)
_ENTER_S = 5.0
_REFUSALS_TOLD = 20  # in the log, within ...
_REFUSALS_EVERY_MS = 60_000


class StoppedError(Exception):
    """The recorder was closed before the work was on disk; it must not be acknowledged."""


class Recorder:
    """Owns the journal and the account of a running service.

    ``trouble`` says what is wrong with the disk while something is, and is None otherwise; ``version`` rises with
    every change of the account; ``waiting`` is the number of messages taken and not yet on disk; ``ages`` knows when
    each board was last heard of.
    """

    def __init__(
        self,
        account: Account,
        journal: Journal,
        clock_ms: Callable[[], int],
        steady: Callable[[], int] = steady_ms,
    ) -> None:
        self.account = account
        self.journal = journal
        self.ages = Ages(account.ledger, clock_ms(), steady())
        self.trouble: StorageTrouble | None = None
        self.version = 0
        self.waiting = 0
        self._clock_ms, self._steady_ms = clock_ms, steady
        self._lock = asyncio.Lock()
        self._closing = asyncio.Event()
        self._tasks: set[asyncio.Task[Any]] = set()
        self._fault: BaseException | None = None
        self._refusals = _Refusals()

    @property
    def storage(self) -> str | None:
        """What is wrong with the disk, in words; None while nothing is."""
        return self.trouble.reason if self.trouble is not None else None

    async def record(self, batch: Sequence[Delivery]) -> None:
        """Make a batch durable and fold it; while the disk is in trouble it waits and tries again.

        Acknowledge the batch only when this has returned. A cancelled caller does not end the work. Raises
        StoppedError when the recorder is closed before the batch is on disk.
        """
        await self._undisturbed(self._record(batch))

    async def enter(self, judge: Callable[[Account], Sequence[Entry]]) -> None:
        """Make durable, and fold, what a person enters; ``judge`` makes it from the account as it stands.

        Tried once, because somebody waits for the answer. Raises JournalError, and what ``judge`` raises.
        """
        try:
            async with asyncio.timeout(_ENTER_S):  # held as long as the disk is in trouble
                await self._lock.acquire()
        except TimeoutError:
            raise JournalError(self.storage or "the journal is busy") from None
        try:
            entries = judge(self.account)
        except BaseException:
            self._lock.release()
            raise
        try:
            await self._undisturbed(self._enter(entries))
        except StoppedError:
            raise JournalError("the service is stopping") from None

    async def look_for_news(self) -> None:
        """Fold what others (a disposition from the command line) have added to the journal."""
        with suppress(StoppedError):
            await self._undisturbed(self._look_for_news())

    async def snapshot(self) -> bytes:
        """The account and the journal's position, at one instant between two commits.

        Raises StoppedError once a batch was judged and given up: its messages would be taken for duplicates.
        """
        async with self._lock:
            if self._fault is not None:
                raise StoppedError from self._fault
            return snapshot_of(self.account, self.journal)

    async def close(self, within_s: float) -> None:
        """Judge nothing more; give up what waits for the disk, and let a commit that is under way end by itself.

        After ``within_s`` it is no longer waited for, but not broken off either.
        """
        self._closing.set()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=within_s)

    # -- work that no cancelled caller breaks off -----------------------------------------------------------------

    async def _undisturbed(self, work: Coroutine[Any, Any, T]) -> T:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return await asyncio.shield(task)

    def _ended(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()  # so that it counts as seen; whoever still waits is told

    async def _take_turn(self) -> None:
        """Wait for the lock. Raises StoppedError, RuntimeError after a fault of our own."""
        await self._lock.acquire()
        try:
            self._refuse_if_ended()
        except BaseException:
            self._lock.release()
            raise

    def _refuse_if_ended(self) -> None:
        if self._closing.is_set():
            raise StoppedError
        if self._fault is not None:
            raise RuntimeError("an earlier batch could not be recorded") from self._fault

    async def _record(self, batch: Sequence[Delivery]) -> None:
        self.waiting += len(batch)
        await self._take_turn()
        try:
            entries, left_out = self._judge(batch)
            await self._commit(entries)
            for entry, error in left_out:  # now that the count of it is on disk too
                self.account.ledger.leave_out(entry.topic.rack, entry.topic.board, error)
        except BaseException as error:  # StoppedError too: what was judged is remembered, and is not on disk
            self._fault = error
            raise
        finally:
            self._lock.release()
        self.waiting -= len(batch)

    async def _enter(self, entries: Sequence[Entry]) -> None:
        """With the lock held already."""
        try:
            self._refuse_if_ended()
            self._apply(await self.journal.append(entries))
        finally:
            self._lock.release()

    async def _look_for_news(self) -> None:
        await self._take_turn()
        try:
            try:
                news = await self.journal.has_news()
            except JournalError as error:  # tried again at the next look
                self._note_trouble(error)
                return
            if news or self.trouble is not None:
                await self._commit([])
        finally:
            self._lock.release()

    # -- judge, commit, fold --------------------------------------------------------------------------------------

    def _judge(self, batch: Sequence[Delivery]) -> tuple[list[Entry], list[tuple[Received, ReadError]]]:
        """What to commit, and the refused error messages that no rack need send again."""
        now_ms = self._clock_ms()
        entries: list[Entry] = []
        left_out: list[tuple[Received, ReadError]] = []
        for delivery in batch:
            judgement = self.account.session.judge(now_ms, delivery.topic, delivery.payload)
            if judgement.entry is not None:
                entries.append(judgement.entry)
            elif (refused := judgement.refused_error) is not None and isinstance(refused.message, ReadError):
                left_out.append((refused, refused.message))
            elif judgement.verdict in {Verdict.INVALID, Verdict.CONFLICT}:
                self._refusals.tell(self._steady_ms(), judgement.verdict, delivery.topic, judgement.detail)
        return entries, left_out

    async def _commit(self, entries: list[Entry]) -> None:
        """Make entries durable and fold them, however often it takes. Raises StoppedError."""
        attempt = 0
        while True:
            try:
                news = await self.journal.append(entries, self.account.session.refused)
                break
            except JournalError as error:
                self._note_trouble(error)
            with suppress(TimeoutError):
                async with asyncio.timeout(_RETRY_S[min(attempt, len(_RETRY_S) - 1)]):
                    await self._closing.wait()
            if self._closing.is_set():
                raise StoppedError
            attempt += 1
        if self.trouble is not None:
            log.warning("journal can be written again")
            self.trouble = None
        self._apply(news)

    def _apply(self, news: Sequence[Entry]) -> None:
        self.account.apply(news)
        self.ages.note(news, self._steady_ms())
        self.version += 1

    def _note_trouble(self, error: JournalError) -> None:
        if self.trouble is None:
            log.error("journal cannot be written; nothing is acknowledged", extra={"detail": str(error)})
        since_ms = self.trouble.since_ms if self.trouble is not None else self._clock_ms()
        self.trouble = StorageTrouble(str(error), since_ms)


class _Refusals:
    """Tells refused messages in the log, but not so many that a broken rack fills the disk: they are counted anyway."""

    def __init__(self) -> None:
        self._since_ms: int | None = None
        self._told = 0
        self._untold = 0

    def tell(self, now_ms: int, verdict: Verdict, topic: str, detail: str) -> None:
        """Tell one, or only count it."""
        if self._since_ms is None or now_ms - self._since_ms >= _REFUSALS_EVERY_MS:
            if self._untold:
                log.warning("more messages refused", extra={"count": self._untold})
            self._since_ms, self._told, self._untold = now_ms, 0, 0
        if self._told >= _REFUSALS_TOLD:
            self._untold += 1
            return
        self._told += 1
        log.warning("message refused", extra={"verdict": verdict, "topic": topic, "detail": detail})
