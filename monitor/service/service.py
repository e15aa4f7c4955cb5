"""The running monitor: who does what, and in which order it starts and stops.

Tasks, all owned by one group::

    intake    connect, take batches, record each, acknowledge it, and tell the racks what is on disk; reconnect
    look      make the figures, tell alerts, pin up the state for the faces
    news      fold what others (a disposition) have added to the journal
    deliver   send alerts to the webhook
    snapshot  keep the account, so that the next start is quick

HTTP is served beside them. Start: journal, account, HTTP, then the broker. Stop (once, by an event that a signal or
a test sets): intake ends after the batch in hand is committed and acknowledged, the last receipts go out with it,
then the rest is closed.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web

from monitor.campaign import Campaign
from monitor.faces.http import make_app
from monitor.faces.state import Health, State
from monitor.intake.link import Address, Link, LinkLostError, connect
from monitor.journal import Journal, JournalError
from monitor.ledger import same_boots
from monitor.service.account import restore
from monitor.service.alerting import Alerting
from monitor.service.backoff import delays_s
from monitor.service.recorder import Recorder
from shared.errors import UnavailableError
from shared.messages import Receipt, encode
from shared.quantities import RECEIPT_EVERY_S
from shared.topics import Kind, Topic, format_topic, subscriptions

log = logging.getLogger("lifebound.service")
LOOK_EVERY_S = 0.25
LOOK_LEAST_OFTEN_S = 1.0  # with nothing new only silence can begin
STREAM_EVERY_S = 0.5
STREAM_LEAST_OFTEN_S = 2.0
NEWS_EVERY_S = 1.0
SNAPSHOT_EVERY_S = 600.0
STOP_INTAKE_S = 10.0


Connect = Callable[[Address, str, Sequence[str]], AbstractAsyncContextManager[Link]]
"""How a link to a broker is made: (address, client id, topic filters)."""


def wall_ms() -> int:
    """The host's clock, UTC in ms."""
    return time.time_ns() // 1_000_000


@dataclass(frozen=True, slots=True)
class Settings:
    """How a service is set up."""

    address: Address
    client_id: str
    http_host: str
    http_port: int
    webhook: str | None = None
    receipt_every_s: float = RECEIPT_EVERY_S


@dataclass
class Service:
    """One running monitor. ``on_started`` is called with the port of HTTP once it is served."""

    journal: Journal
    settings: Settings
    recorder: Recorder
    alerting: Alerting
    clock_ms: Callable[[], int] = wall_ms
    on_started: Callable[[int], None] = lambda port: None
    keep_snapshot: Callable[[bytes], None] | None = None
    connect: Connect = connect
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    _link: Link | None = None
    _broker: str | None = "not connected yet"
    _state: State | None = None
    _kept: int = 0
    _looked_s: float = 0.0
    _seen: tuple[int, str | None, str | None] | None = None
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def run(self) -> None:
        """Serve until ``stop`` is set. Raises UnavailableError when the HTTP address cannot be bound."""
        await self.alerting.restore()
        await self._look()
        runner = web.AppRunner(make_app(self), access_log=None, shutdown_timeout=1.0)
        await runner.setup()
        try:
            self.on_started(await self._bind(runner))
            await self._run_tasks()
        finally:
            await runner.cleanup()
        await self._look()
        await self._snapshot()
        log.info("stopped", extra={"accepted": self.recorder.account.ledger.accepted})

    async def _run_tasks(self) -> None:
        async with asyncio.TaskGroup() as group:
            background = [
                group.create_task(self._every(LOOK_EVERY_S, self._look)),
                group.create_task(self._every(NEWS_EVERY_S, self.recorder.look_for_news)),
                group.create_task(self.alerting.deliver()),
                group.create_task(self._every(SNAPSHOT_EVERY_S, self._snapshot)),
            ]
            intake = group.create_task(self._intake())
            await self.stop.wait()
            await self._until_idle(intake)
            for task in background:
                task.cancel()
            async with self._changed:
                self._changed.notify_all()

    async def _until_idle(self, intake: asyncio.Task[None]) -> None:
        """Let the intake end by itself; while the disk is in trouble it cannot, and is ended."""
        done, _ = await asyncio.wait([intake], timeout=STOP_INTAKE_S)
        if not done:
            intake.cancel()

    async def _snapshot(self) -> None:
        """Keep the account, so that the next start is quick; without it a start only takes longer."""
        if self.keep_snapshot is None or self._kept == self.recorder.version:
            return
        version = self.recorder.version
        try:
            data = await self.recorder.snapshot()
            await asyncio.to_thread(self.keep_snapshot, data)
            self._kept = version
        except (OSError, OverflowError) as error:
            log.warning("snapshot cannot be kept", extra={"detail": str(error)})

    async def _every(self, seconds: float, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        while True:
            await work()
            await asyncio.sleep(seconds)

    # -- intake -------------------------------------------------------------------------------------------------

    async def _intake(self) -> None:
        prefix = self.recorder.account.campaign.prefix
        delays = delays_s()
        while not self.stop.is_set():
            try:
                async with self.connect(
                    self.settings.address, self.settings.client_id, subscriptions(prefix)
                ) as link:
                    log.info("broker connected", extra={"broker": self.settings.address})
                    delays = delays_s()
                    self._link, self._broker = link, None
                    await self._serve_link(link)
            except LinkLostError as error:
                self._link, self._broker = None, f"broker {self.settings.address} is not connected: {error}"
                log.warning("broker lost", extra={"broker": self.settings.address, "detail": str(error)})
                with suppress(TimeoutError):
                    await asyncio.wait_for(self.stop.wait(), next(delays))
        self._link = None

    async def _serve_link(self, link: Link) -> None:
        """Take batches until the link is lost or the service stops; receipts go out beside it."""
        sent: dict[str, Receipt] = {}
        receipts = asyncio.create_task(self._receipts(link, sent))
        stopping = asyncio.create_task(self.stop.wait())
        try:
            while not self.stop.is_set():
                batch = asyncio.create_task(link.batch())
                await asyncio.wait((batch, stopping), return_when=asyncio.FIRST_COMPLETED)
                if not batch.done():
                    batch.cancel()
                    break
                deliveries = batch.result()
                await self.recorder.record(deliveries)
                link.acknowledge(deliveries)
        finally:
            for task in (receipts, stopping):
                task.cancel()
            ended = await asyncio.gather(receipts, stopping, return_exceptions=True)
            for error in ended:
                if isinstance(error, Exception):
                    raise error
        await self._send_receipts(link, sent)

    async def _receipts(self, link: Link, sent: dict[str, Receipt]) -> None:
        while True:
            try:
                await self._send_receipts(link, sent)
            except LinkLostError as error:  # if the link is gone the intake sees it too, and ends this
                log.warning("receipts cannot be published; tried again", extra={"detail": str(error)})
            await asyncio.sleep(self.settings.receipt_every_s)

    async def _send_receipts(self, link: Link, sent: dict[str, Receipt]) -> None:
        """Send each rack its receipt where it says anything that ``sent`` does not."""
        account = self.recorder.account
        for rack, known in account.ledger.racks.items():
            receipt = account.ledger.receipt(rack, self.journal.run.id, self.clock_ms())
            if known.boots and not same_boots(sent.get(rack), receipt):
                topic = format_topic(account.campaign.prefix, Topic(rack, 0, Kind.RECEIPT))
                await link.publish(topic, encode(receipt), retain=True)
                sent[rack] = receipt

    # -- faces --------------------------------------------------------------------------------------------------

    async def _look(self) -> None:
        """Make the figures and tell alerts; the faces see the result at once."""
        now_ms, seen = self.clock_ms(), (self.recorder.version, self._broker, self.recorder.storage)
        at_s = asyncio.get_running_loop().time()
        if seen == self._seen and at_s - self._looked_s < LOOK_LEAST_OFTEN_S:
            return
        self._looked_s = at_s
        figures = self.recorder.account.figures(now_ms)
        with suppress(
            JournalError
        ):  # told again at the next look; the intake says that the disk is in trouble
            await self.alerting.look(figures, now_ms)
        self._seen = seen
        health = Health(
            run=self.journal.run.id,
            now_ms=now_ms,
            ready=self._broker is None and self.recorder.storage is None,
            broker=self._broker,
            storage=self.recorder.storage,
        )
        self._state = State(health=health, alerts=self.alerting.alerts, figures=figures)
        async with self._changed:
            self._changed.notify_all()

    def state(self) -> State:
        """The latest state."""
        assert self._state is not None
        return self._state

    async def states(self) -> AsyncIterator[State]:
        """The latest state now, and again as it changes; ends when the service stops."""
        shown: State | None = None
        while not self.stop.is_set():
            shown = await self._next_state(shown)
            yield shown
            with suppress(TimeoutError):
                await asyncio.wait_for(self.stop.wait(), STREAM_EVERY_S)
        yield self.state()

    async def _next_state(self, shown: State | None) -> State:
        """A state that says something else than ``shown``; the latest one after some seconds, or at the stop."""

        def due() -> bool:
            return self.stop.is_set() or shown is None or _differs(shown, self.state())

        async with self._changed:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait_for(due), STREAM_LEAST_OFTEN_S)
        return self.state()

    async def _bind(self, runner: web.AppRunner) -> int:
        host, port = self.settings.http_host, self.settings.http_port
        site = web.TCPSite(runner, host, port)
        try:
            await site.start()
        except OSError as error:
            raise UnavailableError(
                f"--http {host}:{port}: cannot be bound ({error.strerror or error}); choose another port"
            ) from error
        return int(runner.addresses[0][1])


def _differs(a: State, b: State) -> bool:
    return (a.figures, a.alerts, a.health.broker, a.health.storage) != (
        b.figures,
        b.alerts,
        b.health.broker,
        b.health.storage,
    )


async def make_service(
    journal: Journal,
    settings: Settings,
    campaign: Campaign,
    clock_ms: Callable[[], int] = wall_ms,
    snapshot: bytes | None = None,
) -> Service:
    """A service over what the journal holds already; a usable snapshot spares folding it from the beginning."""
    account = await restore(campaign, journal, snapshot)
    return Service(
        journal=journal,
        settings=settings,
        recorder=Recorder(account, journal, clock_ms),
        alerting=Alerting(journal, campaign.id, settings.webhook),
        clock_ms=clock_ms,
    )
