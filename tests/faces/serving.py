"""A service over a small run (chip A-1 has failed), served on a free port of 127.0.0.1 for one test.

The journal is in memory and no broker is there; account, recorder, application and connections are the real ones.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import aiohttp
import msgspec

from monitor.faces.doorway import served
from monitor.faces.guard import Access, Limits
from monitor.faces.http import make_app
from monitor.intake.link import Address
from monitor.journal import MemoryJournal, Run
from monitor.service.service import Service, Settings, make_service
from shared.entries import Received
from shared.messages import decode
from shared.topics import parse_topic
from tests.figures.bench import READS_PER_H, START_MS, Bench

TOKEN = "the-token-of-this-run"
SENT = {"serial": "A-1", "class": "relevant", "mechanism": "charge-loss", "who": "R. Tern", "why": "note 12"}
GENEROUS = Limits(requests_per_s=1e9, requests_burst=1e9, failures_per_s=1e9, failures_burst=1e9)


@dataclass
class Clock:
    """Seconds, moved by hand."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Door:
    """Knows a token, until it is taken away."""

    token: str | None = TOKEN

    def admits(self, token: str) -> bool:
        return token == self.token


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return msgspec.json.decode(self.body)

    @property
    def error(self) -> str:
        """The sentence of a refusal, which must be all that it says."""
        assert self.headers["Content-Type"].startswith("application/json"), self
        assert set(self.json) == {"error"}
        sentence: str = self.json["error"]
        assert "Traceback" not in sentence
        return sentence


@dataclass
class Served:
    """What is served, and a client of it."""

    service: Service
    port: int
    door: Door
    clock: Clock
    scheme: str = "http"
    client: aiohttp.ClientSession = field(default_factory=aiohttp.ClientSession)

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}"

    async def ask(self, path: str, method: str = "GET", *, token: str | None = None, **more: Any) -> Answer:
        headers = {**more.pop("headers", {})}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        async with self.client.request(method, self.url + path, headers=headers, **more) as answer:
            return Answer(answer.status, dict(answer.headers), await answer.read())

    async def send(self, what: Any, *, token: str | None = TOKEN) -> Answer:
        """Send dispositions."""
        headers = {"Content-Type": "application/json"}
        body = msgspec.json.encode(what)
        return await self.ask("/v1/dispositions", "POST", token=token, data=body, headers=headers)

    async def raw(self, request: bytes) -> bytes:
        """What a connection answers to these bytes, until it ends it."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(request)
        async with asyncio.timeout(20):
            said = await reader.read()
        writer.close()
        return said


async def small_service() -> Service:
    """The service, not served yet."""
    bench = Bench(failure={"errors": 1})
    bench.hours(0, 2)
    bench.error(0, 2.5, socket=1)
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [1, 0, 0, 0])
    journal = MemoryJournal(Run("run-1", START_MS, bench.account.campaign.source))
    entries = []
    for line in bench.lines:
        topic = parse_topic("lifebound", str(line.topic))
        assert topic is not None
        assert isinstance(line.t_recv_ms, int)
        entries.append(Received(line.t_recv_ms, topic, decode(topic.kind, bytes(line.payload))))  # type: ignore[arg-type]
    await journal.append(entries)
    settings = Settings(Address("127.0.0.1", 1), "test", "127.0.0.1", 0)
    service = await make_service(journal, settings, bench.account.campaign, lambda: START_MS + 4 * 3_600_000)
    await service._look()
    return service


@asynccontextmanager
async def serving(
    *,
    beyond: bool = False,
    limits: Limits = GENEROUS,
    tls: ssl.SSLContext | None = None,
    behind_proxy: bool = False,
) -> AsyncIterator[Served]:
    """Serve it; ``beyond`` as it is beyond loopback, where reads need the token."""
    service, door, clock = await small_service(), Door(), Clock()
    access = Access(door.admits, not beyond, "127.0.0.1", tls is not None)
    app = make_app(service, access, limits, clock)
    async with (
        served(app, "127.0.0.1", 0, limits=limits, tls=tls, behind_proxy=behind_proxy) as port,
        aiohttp.ClientSession() as client,
    ):
        yield Served(service, port, door, clock, "https" if tls else "http", client)
        service.stop.set()
        async with service._changed:
            service._changed.notify_all()
