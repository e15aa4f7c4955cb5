"""Alerts on their way out: kept before they are sent, sent until they are taken, and none in the way of another."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from typing import Any

import msgspec
import pytest
from aiohttp import web

from monitor.figures import Figures
from monitor.journal import MemoryJournal, Run
from monitor.rules.alerts import CHIP_FAILED
from monitor.service import alerting
from monitor.service.alerting import Alerting
from tests.figures.bench import READS_PER_H, Bench
from tests.service.running import listening

BOUND_S = 20.0


@dataclass
class Receiver:
    """A webhook that refuses what ``refuses`` says."""

    refuses: Callable[[dict[str, Any]], bool] = lambda alert: False
    taken: list[dict[str, Any]] = field(default_factory=list)
    refused: int = 0
    url: str = ""
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    async def hear(self, request: web.Request) -> web.Response:
        alert = msgspec.json.decode(await request.read())
        self.changed.set()
        if self.refuses(alert):
            self.refused += 1
            return web.Response(status=404)
        self.taken.append(alert)
        return web.Response()

    async def until(self, done: Callable[[], bool]) -> None:
        async with asyncio.timeout(BOUND_S):
            while not done():
                self.changed.clear()
                await self.changed.wait()


@asynccontextmanager
async def served(receiver: Receiver) -> AsyncIterator[None]:
    async with listening("/", receiver.hear) as receiver.url:
        yield


@asynccontextmanager
async def delivering(outgoing: Alerting) -> AsyncIterator[None]:
    task = asyncio.create_task(outgoing.deliver())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@pytest.fixture(autouse=True)
def _no_long_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alerting, "delays_s", lambda **_: iter([0.01] * 10_000))


def figures() -> Figures:
    """Two chips of an invented bench have failed."""
    bench = Bench()
    bench.hours(0, 2)
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [1, 0, 1, 0])
    return bench.figures


def journal() -> MemoryJournal:
    return MemoryJournal(Run("run", 0, Bench().account.campaign.source))


async def test_an_alert_the_receiver_refuses_does_not_block_another() -> None:
    receiver = Receiver()
    async with served(receiver):
        outgoing = Alerting(journal(), "bench", receiver.url)
        first, second = [a for a in await outgoing.look(figures(), 1) if a.kind == CHIP_FAILED]
        receiver.refuses = lambda alert: alert["id"] == first.id
        async with delivering(outgoing):
            await receiver.until(lambda: receiver.refused >= 3 and len(receiver.taken) >= 1)
            assert [a["id"] for a in receiver.taken] == [second.id]
            receiver.refuses = lambda alert: False
            await receiver.until(lambda: len(receiver.taken) >= 2)
    assert [a["id"] for a in receiver.taken] == [second.id, first.id]


async def test_what_was_not_delivered_is_sent_by_the_next_service_and_what_was_is_not() -> None:
    kept = journal()
    before = Alerting(kept, "bench", "http://127.0.0.1:1/")  # nobody listens
    alerts = await before.look(figures(), 1)
    assert len(alerts) == 2
    receiver = Receiver()
    async with served(receiver):
        after = Alerting(kept, "bench", receiver.url)
        await after.restore()
        assert await after.look(figures(), 2) == [], "they are open already"
        async with delivering(after):
            await receiver.until(lambda: len(receiver.taken) == 2)
            async with asyncio.timeout(BOUND_S):
                while not all(stored.delivered for stored in await kept.alerts()):  # noqa: ASYNC110  bounded
                    await asyncio.sleep(0)
        assert [a["id"] for a in receiver.taken] == [alert.id for alert in alerts]
        again = Alerting(kept, "bench", receiver.url)
        await again.restore()
        assert again._outbox.empty()
