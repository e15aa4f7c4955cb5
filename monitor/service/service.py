"""The running monitor: who does what, and in which order it starts and stops.

Tasks, all owned by one group::

    intake    connect, take batches, record each, acknowledge it, and tell the racks what is on disk; reconnect
    look      make the figures, tell alerts, pin up the state for the faces
    news      fold what others (a disposition) have added to the journal
    deliver   send alerts to the webhook
    snapshot  keep the account, so that the next start is quick

HTTP is served beside them. Start: journal, account, HTTP, then the broker. Stop (once, by an event that a signal or
a test sets): intake ends after the batch in hand is committed and acknowledged, the last receipts go out with it,
then the recorder is closed, and the others end after what they are at. A task that ends by an exception that nobody
expected ends the service: it must not run on half alive.

All waiting is by the loop's time; both clocks, the randomness of the pauses, and the way out for alerts are
parameters, so that a simulation can play them.
"""

from __future__ import annotations

import asyncio
import inspect
import logging
import random
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from monitor.campaign import Campaign
from monitor.faces.doorway import served
from monitor.faces.guard import Access, Limits
from monitor.faces.http import make_app
from monitor.faces.judging import Judgement
from monitor.faces.state import Health, State
from monitor.intake.link import Address, connect
from monitor.journal import Journal, JournalError
from monitor.service.account import Account, restore
from monitor.service.alerting import Alerting
from monitor.service.clock import Steps, steady_ms, wall_ms
from monitor.service.judgement import entries_of
from monitor.service.outbox import Send
from monitor.service.receiving import Connect, Receiving
from monitor.service.recorder import Recorder, StoppedError
from shared.entries import Disposed, Disposition
from shared.errors import UnavailableError
from shared.quantities import RECEIPT_EVERY_S

log = logging.getLogger("lifebound.service")
LOOK_EVERY_S = 0.25
LOOK_LEAST_OFTEN_S = 1.0  # with nothing new only silence can begin
STREAM_EVERY_S = 0.5
STREAM_LEAST_OFTEN_S = 2.0
NEWS_EVERY_S = 1.0
SNAPSHOT_EVERY_S = 600.0
STOP_INTAKE_S = 10.0
STOP_COMMIT_S = 15.0  # a commit that is under way may wait for another writer, and is not broken off
STOP_REST_S = 10.0


@dataclass(frozen=True, slots=True)
class Settings:
    """How a service is set up. Without ``http_host`` or ``http_port`` no HTTP is served.

    ``http_tls`` serves HTTP by TLS of our own; ``behind_proxy`` says that a TLS proxy stands in front; ``beyond`` that
    it is served beyond loopback, in one of these ways, so that reads need the token too; ``admits`` knows the token.
    """

    address: Address
    client_id: str
    http_host: str | None = None
    http_port: int | None = None
    webhook: str | None = field(default=None, repr=False)  # its URL may hold a secret
    http_tls: ssl.SSLContext | None = None
    behind_proxy: bool = False
    beyond: bool = False
    admits: Callable[[str], bool] = lambda token: False
    receipt_every_s: float = RECEIPT_EVERY_S


@dataclass
class Service:
    """One running monitor.

    ``on_started`` is called with the port of HTTP once it is served (0: none is). ``keep_snapshot`` is called in a
    thread, or awaited where it is a coroutine function.
    """

    journal: Journal
    settings: Settings
    recorder: Recorder
    alerting: Alerting
    clock_ms: Callable[[], int] = wall_ms
    steady_ms: Callable[[], int] = steady_ms
    rng: random.Random = field(default_factory=random.Random)
    on_started: Callable[[int], None] = lambda port: None
    keep_snapshot: Callable[[bytes], None] | Callable[[bytes], Awaitable[None]] | None = None
    connect: Connect = connect
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    _receiving: Receiving = field(init=False)
    _state: State | None = None
    _kept: int = 0
    _looked_s: float = 0.0
    _seen: tuple[object, ...] | None = None
    _steps: Steps = field(default_factory=Steps)
    _ending: asyncio.Event = field(default_factory=asyncio.Event)
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    def __post_init__(self) -> None:
        self._receiving = Receiving(
            self.recorder,
            self.settings.address,
            self.settings.client_id,
            lambda *how: self.connect(*how),  # noqa: PLW0108  it may be set after this
            self.stop,
            receipt_every_s=self.settings.receipt_every_s,
            clock_ms=self.clock_ms,
            rng=self.rng,
        )

    async def run(self) -> None:
        """Serve until ``stop`` is set.

        Raises UnavailableError when the HTTP address cannot be bound, and when the journal could not be written at
        the end; an exception of a task comes out as it is, in a group.
        """
        await self.alerting.restore()
        await self._look()
        async with self._bound() as port:
            self.on_started(port)
            try:
                await self._run_tasks()
            except ExceptionGroup as fault:
                log.critical("the service ends by a fault of its own", exc_info=fault)
                raise
            finally:  # whoever closes the journal next must find nobody at it
                await self.recorder.close(STOP_COMMIT_S)
                await self.alerting.settle(STOP_REST_S)
        await self._look()
        await self.alerting.settle(STOP_REST_S)
        trouble = self._storage()
        if trouble is None:
            await self._snapshot()
        log.info("stopped", extra={"accepted": self.recorder.account.ledger.accepted})
        if trouble is not None:
            raise UnavailableError(
                f"stopped while {trouble[0]}; what was not recorded stays with the broker and the racks"
            )

    async def _run_tasks(self) -> None:
        async with asyncio.TaskGroup() as group:
            background = [
                group.create_task(self._every(LOOK_EVERY_S, self._look)),
                group.create_task(self._every(NEWS_EVERY_S, self.recorder.look_for_news)),
                group.create_task(self._every(SNAPSHOT_EVERY_S, self._snapshot)),
            ]
            delivering = group.create_task(self.alerting.deliver())
            intake = group.create_task(self._receiving.run())
            await self.stop.wait()
            await self._until_idle(intake)
            await self.recorder.close(STOP_COMMIT_S)
            self._ending.set()
            delivering.cancel()
            await asyncio.wait(background, timeout=STOP_REST_S)
            for task in background:
                task.cancel()
            async with self._changed:
                self._changed.notify_all()

    async def _until_idle(self, intake: asyncio.Task[None]) -> None:
        """Let the intake end by itself; while the disk is in trouble it cannot, and is ended."""
        done, _ = await asyncio.wait([intake], timeout=STOP_INTAKE_S)
        if not done:
            intake.cancel()
            await asyncio.wait([intake], timeout=STOP_INTAKE_S)

    async def _snapshot(self) -> None:
        """Keep the account, so that the next start is quick; without it a start only takes longer."""
        if self.keep_snapshot is None or self._kept == self.recorder.version:
            return
        version = self.recorder.version
        try:
            data = await self.recorder.snapshot()
            if inspect.iscoroutinefunction(self.keep_snapshot):
                await self.keep_snapshot(data)
            else:
                await asyncio.to_thread(self.keep_snapshot, data)
            self._kept = version
        except StoppedError:  # the one before stays
            log.warning("no snapshot is kept: a batch was given up")
        except (OSError, OverflowError) as error:  # tried again
            log.warning("snapshot cannot be kept", extra={"detail": str(error)})

    async def _every(self, seconds: float, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        while not self._ending.is_set():
            await work()
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._ending.wait()

    # -- faces --------------------------------------------------------------------------------------------------

    async def _look(self) -> None:
        """Make the figures and tell alerts; the faces see the result at once."""
        now_ms, steady = self.clock_ms(), self.steady_ms()
        self._notice_step(now_ms, steady)
        seen = (self.recorder.version, self._receiving.trouble, self.recorder.storage, self._steps.count)
        at_s = asyncio.get_running_loop().time()
        if seen == self._seen and at_s - self._looked_s < LOOK_LEAST_OFTEN_S:
            return
        self._looked_s = at_s
        figures = self.recorder.account.figures(now_ms, self.recorder.ages.at(steady))
        trouble = self.recorder.trouble
        await self.alerting.look(figures, now_ms, trouble.reason if trouble is not None else None)
        self._seen = seen
        self._state = State(health=self._health(now_ms), alerts=self.alerting.alerts, figures=figures)
        async with self._changed:
            self._changed.notify_all()

    def _notice_step(self, now_ms: int, steady: int) -> None:
        step_ms = self._steps.look(now_ms, steady)
        if step_ms is not None:
            log.warning(
                f"the clock of this machine was set by {step_ms / 1000:+.0f} s; hours are not affected",
                extra={"step_ms": step_ms},
            )

    def _health(self, now_ms: int) -> Health:
        storage = self._storage()
        return Health(
            run=self.journal.run.id,
            now_ms=now_ms,
            ready=self._receiving.trouble is None and storage is None,
            broker=self._receiving.trouble,
            storage=storage[0] if storage is not None else None,
            storage_since_ms=storage[1] if storage is not None else None,
            unacknowledged=self.recorder.waiting,
            clock_steps=self._steps.count,
            clock_step_ms=self._steps.last_ms,
        )

    def _storage(self) -> tuple[str, int] | None:
        """What is wrong with the journal, in one sentence, and since when; None while nothing is."""
        trouble = self.recorder.trouble or self.alerting.trouble
        if trouble is None:
            return None
        since = datetime.fromtimestamp(trouble.since_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S")
        number = self.recorder.waiting
        waiting = "1 message waits" if number == 1 else f"{number} messages wait"
        told = f"cannot be written since {since} UTC ({trouble.reason}); {waiting} unacknowledged"
        return f"the journal {told}", trouble.since_ms

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
                async with asyncio.timeout(STREAM_EVERY_S):
                    await self.stop.wait()
        yield self.state()

    async def _next_state(self, shown: State | None) -> State:
        """A state that says something else than ``shown``; the latest one after some seconds, or at the stop."""

        def due() -> bool:
            return self.stop.is_set() or shown is None or _differs(shown, self.state())

        async with self._changed:
            with suppress(TimeoutError):
                async with asyncio.timeout(STREAM_LEAST_OFTEN_S):
                    await self._changed.wait_for(due)
        return self.state()

    async def judge(self, judgements: Sequence[Judgement]) -> list[Disposition]:
        """Enter judgements of failed chips, all or none. Raises InputError, UnavailableError."""
        made: list[Disposed] = []

        def judged(account: Account) -> list[Disposed]:
            made.extend(entries_of(judgements, account, self.clock_ms()))
            return made

        try:
            await self.recorder.enter(judged)
        except JournalError as error:
            log.warning("a disposition cannot be entered", extra={"detail": str(error)})
            raise UnavailableError(
                "the journal cannot be written at this moment; look at the dispositions before this is sent again"
            ) from error
        return [entry.disposition for entry in made]

    @asynccontextmanager
    async def _bound(self) -> AsyncIterator[int]:
        """HTTP, served; gives its port. Raises UnavailableError."""
        settings, limits = self.settings, Limits()
        host, number, tls = settings.http_host, settings.http_port, settings.http_tls
        if host is None or number is None:
            yield 0
            return
        access = Access(settings.admits, not settings.beyond, host, tls is not None)
        async with AsyncExitStack() as stack:
            try:
                port = await stack.enter_async_context(
                    served(
                        make_app(self, access, limits),
                        host,
                        number,
                        limits=limits,
                        tls=tls,
                        behind_proxy=settings.behind_proxy,
                    )
                )
            except OSError as error:
                raise UnavailableError(
                    f"--http {host}:{number}: cannot be bound ({error.strerror or error}); "
                    "choose another port"
                ) from error
            yield port


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
    *,
    steady: Callable[[], int] = steady_ms,
    send: Send | None = None,
    rng: random.Random | None = None,
) -> Service:
    """A service over what the journal holds already; a usable snapshot spares folding it from the beginning.

    ``steady`` is the clock that cannot be set; ``send`` takes the place of the webhook; ``rng`` draws the pauses.
    """
    await journal.secure()  # receipts will speak of what is restored
    account = await restore(campaign, journal, snapshot)
    return Service(
        journal=journal,
        settings=settings,
        recorder=Recorder(account, journal, clock_ms, steady),
        alerting=Alerting(journal, campaign.id, settings.webhook, send=send, rng=rng),
        clock_ms=clock_ms,
        steady_ms=steady,
        rng=rng or random.Random(),
    )
