"""The recorder over a disk in trouble: it waits, says so, acknowledges nothing, and goes on by itself.

And the classic loss: a message that was judged, whose commit was broken off, and whose redelivery then looks like a
duplicate. Whenever ``record`` returns, the messages are on disk, whatever was cancelled, failed or closed before.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

import msgspec
import pytest

from monitor.intake.link import Delivery
from monitor.journal import JournalError, MemoryJournal, Run
from monitor.service import recorder as module
from monitor.service.account import Account
from monitor.service.recorder import Recorder, StoppedError
from shared.entries import Disposed, Disposition, Entry, Received, Refused
from shared.messages import Tally
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_snapshot import SMALL, tallies

BOUND_S = 20.0


class Troubled(MemoryJournal):
    """Fails as often as told, then works; stops before or after a commit as long as it is told."""

    append_fails = 0
    look_fails = 0
    fault: Exception | None = None

    def __init__(self, run: Run) -> None:
        super().__init__(run)
        self.before, self.after = asyncio.Event(), asyncio.Event()
        self.before.set()
        self.after.set()
        self.attempts = 0

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        self.attempts += 1
        if self.fault is not None:
            raise self.fault
        if self.append_fails:
            self.append_fails -= 1
            raise JournalError("no space left on device")
        await self.before.wait()
        news = await super().append(entries, refused)
        await self.after.wait()
        return news

    async def last(self) -> int:
        if self.look_fails:
            self.look_fails -= 1
            raise JournalError("input/output error")
        return await super().last()

    def numbers(self) -> list[int]:
        """The numbers of the tallies on disk, in order."""
        return [
            entry.message.seq
            for batch in self._batches
            for entry in batch
            if isinstance(entry, Received) and isinstance(entry.message, Tally)
        ]


def setup() -> tuple[Recorder, Troubled]:
    campaign = campaign_of(SMALL)
    journal = Troubled(Run("run", 0, campaign.source))
    return Recorder(Account(campaign), journal, lambda: 5), journal


def deliveries(count: int, first: int = 0) -> list[Delivery]:
    return [Delivery(topic, msgspec.json.encode(payload), 1, 1) for _, topic, payload in tallies(count)][
        first:
    ]


async def until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(BOUND_S):
        while not holds():  # noqa: ASYNC110  bounded
            await asyncio.sleep(0)


async def cancelled(work: Awaitable[Any], when: Callable[[], bool]) -> None:
    """Start some work and cancel it as soon as ``when`` holds."""
    task = asyncio.ensure_future(work)
    await until(when)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_RETRY_S", (0.0,))


async def test_nothing_is_folded_or_returned_before_it_is_on_disk() -> None:
    recorder, journal = setup()
    journal.append_fails = 3
    seen: list[str | None] = []

    async def watch() -> None:
        while journal.append_fails:
            seen.append(recorder.storage)
            assert recorder.account.ledger.accepted == 0
            assert recorder.waiting == 3 or not journal.attempts
            await asyncio.sleep(0)

    await asyncio.gather(recorder.record(deliveries(3)), watch())
    assert any(text and "no space" in text for text in seen)
    assert recorder.trouble is None
    assert recorder.waiting == 0
    assert recorder.account.ledger.accepted == 3
    assert [len(batch) async for batch in journal.batches()] == [3], "written once"


async def test_the_trouble_knows_when_it_began() -> None:
    recorder, journal = setup()
    now = iter(range(100, 200))
    recorder._clock_ms = lambda: next(now)
    journal.append_fails = 10**9
    task = asyncio.ensure_future(recorder.record(deliveries(1)))
    await until(lambda: journal.attempts >= 5)
    assert recorder.trouble is not None
    assert recorder.trouble.since_ms == 101, "the first failure, after the time of receipt"
    journal.append_fails = 0
    await task


async def test_trouble_at_a_look_for_news_is_no_end() -> None:
    recorder, journal = setup()
    journal.look_fails = 1
    journal.add_from_outside([])
    await recorder.look_for_news()
    assert recorder.version == 0
    assert recorder.storage == "input/output error", "and it is told"
    await recorder.look_for_news()
    assert recorder.version == 1
    assert recorder.trouble is None


async def test_no_snapshot_remembers_what_was_judged_and_given_up() -> None:
    """After the restart its redelivery would be taken for a duplicate, and acknowledged without being on disk."""
    recorder, journal = setup()
    journal.append_fails = 10**9
    recording = asyncio.ensure_future(recorder.record(deliveries(3)))
    await until(lambda: journal.attempts >= 2)
    keeping = asyncio.ensure_future(recorder.snapshot())
    await recorder.close(BOUND_S)
    for task in (recording, keeping):
        with pytest.raises(StoppedError):
            await task


# ---------------------------------------------------------------- broken off


@pytest.mark.parametrize("instant", ["while the disk is in trouble", "before the commit", "after the commit"])
async def test_a_redelivery_is_not_called_on_disk_before_it_is(instant: str) -> None:
    """The link is lost, the waiting intake cancelled, and the broker sends the same again."""
    recorder, journal = setup()
    if instant == "while the disk is in trouble":
        journal.append_fails = 10**9
    (journal.after if instant == "after the commit" else journal.before).clear()
    attempts = 2 if journal.append_fails else 1
    await cancelled(recorder.record(deliveries(3)), lambda: journal.attempts >= attempts)
    again = asyncio.ensure_future(recorder.record(deliveries(5)))
    for _ in range(50):
        await asyncio.sleep(0)
    assert not again.done(), "it would be acknowledged, and is not on disk"
    journal.append_fails = 0
    journal.before.set()
    journal.after.set()
    async with asyncio.timeout(BOUND_S):
        await again
    assert journal.numbers() == [0, 1, 2, 3, 4], "each once, none lost"
    assert recorder.account.ledger.accepted == 5
    assert recorder.account.session.refused.duplicates == 3
    assert recorder.waiting == 0


async def test_a_look_for_news_that_is_cancelled_loses_no_news() -> None:
    recorder, journal = setup()
    journal.add_from_outside(
        [Disposed(1, Disposition(serial="S1", cls="relevant", who="w", why="y", when_ms=1))]
    )
    journal.after.clear()
    await cancelled(recorder.look_for_news(), lambda: journal.attempts == 1)
    journal.after.set()
    await recorder.record(deliveries(1))
    assert list(recorder.account.ledger.dispositions) == ["S1"]


async def test_after_a_fault_of_our_own_nothing_is_called_on_disk() -> None:
    recorder, journal = setup()
    journal.fault = MemoryError()
    with pytest.raises(MemoryError):
        await recorder.record(deliveries(2))
    journal.fault = None
    with pytest.raises(RuntimeError, match="earlier batch"):
        await recorder.record(deliveries(2))
    with pytest.raises(RuntimeError, match="earlier batch"):
        await recorder.look_for_news()
    assert journal.numbers() == []


# ---------------------------------------------------------------- closed


async def test_closed_in_trouble_it_says_that_nothing_was_recorded() -> None:
    recorder, journal = setup()
    journal.append_fails = 10**9
    first = asyncio.ensure_future(recorder.record(deliveries(3)))
    second = asyncio.ensure_future(recorder.record(deliveries(5, first=3)))
    await until(lambda: journal.attempts >= 2)
    await recorder.close(BOUND_S)
    for task in (first, second):
        with pytest.raises(StoppedError):
            await task
    attempts = journal.attempts
    journal.append_fails = 0
    with pytest.raises(StoppedError):
        await recorder.record(deliveries(3))
    await recorder.look_for_news()
    assert journal.attempts == attempts
    assert journal.numbers() == []
    assert recorder.waiting == 8, "this many stay with the broker"


async def test_a_commit_under_way_is_not_broken_off_by_closing() -> None:
    recorder, journal = setup()
    journal.before.clear()
    recording = asyncio.ensure_future(recorder.record(deliveries(3)))
    await until(lambda: journal.attempts == 1)
    closing = asyncio.ensure_future(recorder.close(BOUND_S))
    for _ in range(20):
        await asyncio.sleep(0)
    assert not closing.done()
    journal.before.set()
    await asyncio.gather(closing, recording)
    assert journal.numbers() == [0, 1, 2]
    assert recorder.account.ledger.accepted == 3


async def test_a_commit_that_never_ends_does_not_hold_up_the_stop() -> None:
    recorder, journal = setup()
    journal.before.clear()
    recording = asyncio.ensure_future(recorder.record(deliveries(3)))
    await until(lambda: journal.attempts == 1)
    await recorder.close(0.0)
    assert not recording.done()
    journal.before.set()
    await recording


# ---------------------------------------------------------------- what a receipt may say


async def test_no_receipt_covers_what_is_not_on_disk() -> None:
    """Not even a refused error message, whose count is to be kept."""
    recorder, journal = setup()
    await recorder.record(deliveries(1))
    error = {
        "v": 1,
        "boot": "b",
        "n": 0,
        "t_ms": 0,
        "up_ms": 1,
        "socket": 2,  # without a chip
        "address": 1,
        "expected": "ff",
        "observed": "fe",
        "read_index": 1,
        "count": 1,
    }

    def covered() -> tuple[dict[str, int], dict[str, int]]:
        boot = recorder.account.ledger.receipt("oven-1", "run", 0).boots["b"]
        return boot.tally, boot.error

    journal.append_fails = 10**9
    batch = [*deliveries(2, first=1), Delivery("lifebound/oven-1/1/error", msgspec.json.encode(error), 1, 1)]
    task = asyncio.ensure_future(recorder.record(batch))
    await until(lambda: journal.attempts >= 3)
    assert covered() == ({"1": 0}, {})
    journal.append_fails = 0
    await task
    assert covered() == ({"1": 1}, {"1": 0})
    assert (await journal.refused()).strangers == 1


# ---------------------------------------------------------------- the log


async def test_a_flood_of_refused_messages_is_counted_and_does_not_fill_the_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    recorder, _ = setup()
    now_ms = 0
    recorder._steady_ms = lambda: now_ms
    bad = [Delivery("lifebound/oven-1/1/tally", b"{", 1, 1)] * 500
    with caplog.at_level(logging.WARNING):
        await recorder.record(bad)
        told = len(caplog.records)
        assert 0 < told < 50
        now_ms = 10 * 60_000
        await recorder.record(bad[:1])
    counts = [record.__dict__["count"] for record in caplog.records if "count" in record.__dict__]
    assert counts == [500 - told]
    assert recorder.account.session.refused.invalid == 501


async def test_what_a_person_enters_is_entered_even_if_the_asker_goes_away() -> None:
    recorder, journal = setup()
    entry = Disposed(1, Disposition(serial="S1", cls="relevant", who="w", why="y", when_ms=1))
    journal.after.clear()
    await cancelled(recorder.enter(lambda account: [entry]), lambda: journal.attempts == 1)
    journal.after.set()
    await recorder.record(deliveries(1))
    assert recorder.account.ledger.dispositions["S1"] == [entry.disposition], "once"
    await recorder.close(BOUND_S)
    with pytest.raises(JournalError, match="stopping"):
        await recorder.enter(lambda account: [entry])
