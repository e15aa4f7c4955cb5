"""The recorder over a disk in trouble: it waits, says so, acknowledges nothing, and goes on by itself."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import msgspec
import pytest

from monitor.intake.link import Delivery
from monitor.journal import JournalError, MemoryJournal, Run
from monitor.service import recorder as module
from monitor.service.account import Account
from monitor.service.recorder import Recorder
from shared.entries import Entry, Refused
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_snapshot import SMALL, tallies


class Troubled(MemoryJournal):
    """Fails as often as told, then works."""

    append_fails = 0
    look_fails = 0

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        if self.append_fails:
            self.append_fails -= 1
            raise JournalError("no space left on device")
        return await super().append(entries, refused)

    async def last(self) -> int:
        if self.look_fails:
            self.look_fails -= 1
            raise JournalError("disk I/O error")
        return await super().last()


def setup() -> tuple[Recorder, Troubled]:
    campaign = campaign_of(SMALL)
    journal = Troubled(Run("run", 0, campaign.source))
    return Recorder(Account(campaign), journal, lambda: 5), journal


def deliveries(count: int) -> list[Delivery]:
    return [Delivery(topic, msgspec.json.encode(payload), 1, 1) for _, topic, payload in tallies(count)]


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
            await asyncio.sleep(0)

    await asyncio.gather(recorder.record(deliveries(3)), watch())
    assert any(text and "no space" in text for text in seen)
    assert recorder.storage is None
    assert recorder.account.ledger.accepted == 3
    assert [len(batch) async for batch in journal.batches()] == [3], "written once"


async def test_trouble_at_a_look_for_news_is_no_end() -> None:
    recorder, journal = setup()
    journal.look_fails = 1
    journal.add_from_outside([])
    await recorder.look_for_news()
    assert recorder.version == 0
    await recorder.look_for_news()
    assert recorder.version == 1
