"""A service in the test's own process: no sockets, an invented broker, and a journal in memory."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from monitor.intake.link import BATCH_MAX, Address, Delivery, LinkLostError
from monitor.service.service import Service

BOUND_S = 30.0
Until = Callable[[Callable[[], bool]], Awaitable[None]]


@dataclass
class Broker:
    """Keeps what was published until it is acknowledged, and hands it out again on the next connection.

    ``most`` is how many messages it has in flight on one connection, as a broker's limit and our inbox make it.
    """

    most: int = 4 * BATCH_MAX
    kept: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    acknowledged: list[int] = field(default_factory=list)
    receipts: list[tuple[str, bytes]] = field(default_factory=list)
    most_in_flight: int = 0
    links: list[Link] = field(default_factory=list)
    _number: int = 0

    def publish(self, topic: str, payload: bytes) -> None:
        """Take a message for the service."""
        self._number += 1
        self.kept[self._number] = (topic, payload)
        for link in self.links:
            link.news.set()

    def lose_the_link(self) -> None:
        """Cut the present connection."""
        self.links[-1].lost = True
        self.links[-1].news.set()

    @asynccontextmanager
    async def connect(self, address: Address, client_id: str, filters: Sequence[str]) -> AsyncIterator[Link]:
        """As ``monitor.intake.link.connect``."""
        link = Link(self)
        self.links.append(link)
        yield link


@dataclass
class Link:
    """One connection."""

    broker: Broker
    session_present: bool = True
    lost: bool = False
    news: asyncio.Event = field(default_factory=asyncio.Event)
    in_flight: dict[int, None] = field(default_factory=dict)

    async def batch(self) -> list[Delivery]:
        """What waits, as much as may be in flight."""
        while True:
            if self.lost:
                raise LinkLostError("cut")
            room = min(self.broker.most - len(self.in_flight), BATCH_MAX)
            waiting = [(n, m) for n, m in self.broker.kept.items() if n not in self.in_flight][:room]
            if waiting:
                break
            self.news.clear()
            await self.news.wait()
        self.in_flight.update((number, None) for number, _ in waiting)
        self.broker.most_in_flight = max(self.broker.most_in_flight, len(self.in_flight))
        return [Delivery(topic, payload, number, 1) for number, (topic, payload) in waiting]

    def acknowledge(self, batch: Sequence[Delivery]) -> None:
        """On a dead connection it does nothing."""
        if self.lost:
            return
        for delivery in batch:
            del self.broker.kept[delivery.mid], self.in_flight[delivery.mid]
            self.broker.acknowledged.append(delivery.mid)
        self.news.set()

    async def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """A receipt."""
        if self.lost:
            raise LinkLostError("cut")
        self.broker.receipts.append((topic, payload))


@asynccontextmanager
async def running(service: Service) -> AsyncIterator[Until]:
    """Run a service for the time of a block and stop it; gives a bounded wait that also sees it end too early."""
    task = asyncio.create_task(service.run())

    async def until(holds: Callable[[], bool]) -> None:
        async with asyncio.timeout(BOUND_S):
            while not holds():
                if task.done():
                    await task
                    raise AssertionError("the service has ended")
                await asyncio.sleep(0.001)

    started = asyncio.Event()
    service.on_started = lambda port: started.set()
    try:
        await until(started.is_set)
        yield until
    except BaseException:
        task.cancel()
        with suppress(BaseException):
            await task
        raise
    service.stop.set()
    async with asyncio.timeout(BOUND_S):
        await task
