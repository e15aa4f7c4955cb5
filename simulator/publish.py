"""Play a simulation to a broker: one MQTT connection for each rack, which keeps what it sent until receipts cover it.

The rack's stream of events drives its connection: an offline presence in it breaks the connection without a
goodbye (reboot, network outage), an online one makes it again. What falls into an outage stands behind it in the
stream, so the backlog follows by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, Literal

import aiomqtt
from msgspec import structs

from shared.errors import ContractError, InputError, UnavailableError
from shared.messages import Presence, ReadError, Tally, decode_receipt, encode
from shared.quantities import RECEIPT_BOOTS, RESEND_AFTER_S
from shared.topics import Kind, Topic, format_topic
from simulator.faults import Event
from simulator.scenario import Options, Rack, Scenario, Setup, payload
from simulator.spool import Entry, Spool, StreamId
from simulator.truth import Delivery, Truth

log = logging.getLogger(__name__)

GOODBYE_S = 0.25  # for each step of a clean stop, which is to be done within a second
BACKOFF_S = (0.1, 10.0)  # first and longest wait before another attempt to connect
_PROTOCOLS = {"3.1.1": aiomqtt.ProtocolVersion.V311, "5": aiomqtt.ProtocolVersion.V5}


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the racks publish to."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None
    version: Literal["3.1.1", "5"] = "5"


@dataclass(frozen=True, slots=True)
class Delivering:
    """How racks send. Real seconds; ``window`` is the number of messages in flight.

    ``give_up_s``: a rack that cannot connect at all for so long raises UnavailableError (None: tries for ever).
    """

    speed: float | None
    await_receipts: bool = True
    resend_after_s: float = RESEND_AFTER_S
    settle_s: float = 30.0
    window: int = 20
    give_up_s: float | None = None


async def publish(
    setup: Setup,
    options: Options,
    broker: Broker,
    speed: float | None,
    stop: asyncio.Event,
    *,
    start_ms: int | None = None,
    await_receipts: bool = True,
    resend_after_s: float = RESEND_AFTER_S,
    settle_s: float = 30.0,
    window: int = 20,
    give_up_s: float | None = None,
) -> Truth:
    """Play the simulation until its end or ``stop``.

    ``speed`` is in simulated seconds a second (None: as fast as it goes); ``start_ms`` is its UTC start, now if None.
    Returns the truth of what was sent; ``truth.delivery`` tells whether receipts covered all of it. Raises
    InputError for a speed that is none, UnavailableError if ``give_up_s`` is given and no broker was found.
    """
    if speed is not None and not speed > 0:
        raise InputError("speed must be above 0")
    scenario = Scenario(setup, options, int(time.time() * 1000) if start_ms is None else start_ms)
    how = Delivering(speed, await_receipts, resend_after_s, settle_s, window, give_up_s)
    start_s = asyncio.get_running_loop().time()
    racks = [_Player(scenario, rack, broker, how, start_s) for rack in scenario.racks]
    tasks = [asyncio.create_task(rack.play(stop), name=f"rack {rack.name}") for rack in racks]
    try:
        await asyncio.gather(*tasks)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    uncovered = sum(len(rack.spool) for rack in racks)
    return scenario.truth(
        Delivery(
            sent=sum(rack.sent for rack in racks),
            resent=sum(rack.resent for rack in racks),
            uncovered=uncovered,
            covered=await_receipts and uncovered == 0,
        )
    )


class _Link:
    """One connection of one rack; a new one needs a new aiomqtt client."""

    def __init__(self, client: aiomqtt.Client, window: int, news: asyncio.Event) -> None:
        self.client = client
        self.lost = False
        self._news = news
        self._window = asyncio.Semaphore(window)
        self._tasks: set[asyncio.Task[Any]] = set()
        client.pending_calls_threshold = window + 2  # no warning for what is meant

    async def send(self, entry: Entry, acknowledged: Callable[[Entry], None]) -> bool:
        """Send once there is room in flight, in the order of the calls; False if the connection is lost."""
        await self._window.acquire()
        if self.lost:
            self._window.release()
            return False
        self._start(self._publish(entry, acknowledged))
        return True

    def listen(self, heard: Callable[[bytes], None]) -> None:
        """Pass what arrives to ``heard`` until the connection ends."""
        self._start(self._listen(heard))

    def broken(self) -> None:
        """Note that the connection is of no use any more; aiomqtt leaves what is in flight waiting, so end it."""
        self.lost = True
        self._news.set()
        for task in self._tasks - {asyncio.current_task()}:
            task.cancel()

    async def cut(self) -> None:
        """End the connection as a lost network does: the broker hears no goodbye and publishes the will.

        aiomqtt has no call for that, so this reaches for the socket below it.
        """
        self.broken()
        plug = self.client._client.socket()
        if isinstance(plug, socket.socket):
            with contextlib.suppress(OSError):
                plug.shutdown(socket.SHUT_RDWR)
            await asyncio.wait({self.client._disconnected}, timeout=GOODBYE_S)
        await self.close()

    async def close(self) -> None:
        """End the connection with a goodbye if it still stands; never raises for a broken one."""
        self.broken()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            await asyncio.wait_for(self.client.__aexit__(None, None, None), GOODBYE_S)
        if self.client._disconnected.done() and not self.client._disconnected.cancelled():
            self.client._disconnected.exception()  # seen; asyncio would complain of it otherwise

    def _start(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _publish(self, entry: Entry, acknowledged: Callable[[Entry], None]) -> None:
        try:
            await self.client.publish(entry.topic, entry.payload, qos=1)
            acknowledged(entry)
        except aiomqtt.MqttError:
            self.broken()
        finally:
            self._window.release()

    async def _listen(self, heard: Callable[[bytes], None]) -> None:
        try:
            async for message in self.client.messages:
                if isinstance(message.payload, bytes):
                    heard(message.payload)
        except aiomqtt.MqttError:
            self.broken()


class _Player:
    """One rack on its way through its events."""

    def __init__(
        self, scenario: Scenario, rack: Rack, broker: Broker, how: Delivering, start_s: float
    ) -> None:
        self.name = rack.name
        self.spool = Spool()
        self.sent = self.resent = 0
        self._scenario = scenario
        self._rack = rack
        self._broker = broker
        self._how = how
        self._start_s = start_s
        self._now = asyncio.get_running_loop().time
        self._news = asyncio.Event()  # a receipt came, or the connection went
        self._link: _Link | None = None
        self._presence: Presence | None = None  # None: the rack is meant to be offline
        self._at_ms = 0
        self._boots: list[str] = []
        self._look_s = 0.0  # when to look for overdue entries again
        self._ever_connected = False

    async def play(self, stop: asyncio.Event) -> None:
        """All events, then the wait for receipts, then a clean stop; ``stop`` cuts the first two short."""
        work = asyncio.create_task(self._work())
        halt = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait({work, halt}, return_when=asyncio.FIRST_COMPLETED)
            if work.done():
                work.result()
        finally:
            for task in (work, halt):
                task.cancel()
            await asyncio.gather(work, halt, return_exceptions=True)
            await self._goodbye()

    async def _work(self) -> None:
        for event in self._rack.events():
            await self._wait_for(event.arrive_ms)
            self._at_ms = event.arrive_ms
            message = event.message
            if not isinstance(message, Presence):
                await self._transmit(event, message)
            elif message.online:
                await self._go_online(message)
            else:
                await self._go_offline()
        await self._settle(lambda: not len(self.spool))

    async def _go_online(self, presence: Presence) -> None:
        self._presence = presence
        if presence.boot not in self._boots:
            self._boots.append(presence.boot)
        await self._look_after()
        # A receipt speaks of the latest boots only: what is older must be covered before the next one is heard of.
        older = set(self._boots[:-RECEIPT_BOOTS])
        if self._how.await_receipts and older & self.spool.boots():
            await self._settle(lambda: not older & self.spool.boots())

    async def _go_offline(self) -> None:
        self._presence = None
        link, self._link = self._link, None
        if link is not None:
            await link.cut()

    async def _transmit(self, event: Event, message: Tally | ReadError) -> None:
        number = message.seq if isinstance(message, Tally) else message.n
        stream = StreamId(message.boot, event.kind, event.board)
        topic, body = self._scenario.topic(event), payload(event)
        if event.fate == "copy":
            await self._look_after()
            await self._send(Entry(-1, stream, number, topic, body, self._now()))
            return
        entry = self.spool.add(stream, number, topic, body)
        await self._look_after()
        if entry.sent_s is None:  # a new connection has sent it with the rest of the spool
            await self._send(entry)

    async def _send(self, entry: Entry) -> None:
        """Send if there is a connection; if not, the entry stays in the spool for the next one."""
        if self._link is None or not await self._link.send(entry, self._acknowledged):
            return
        if entry.sent_s is None:
            self.sent += 1
        else:
            self.resent += 1
        entry.sent_s = self._now()

    def _acknowledged(self, entry: Entry) -> None:
        if not self._how.await_receipts:
            self.spool.drop(entry)
            self._news.set()

    def _heard(self, receipt: bytes) -> None:
        try:
            self.spool.take(decode_receipt(receipt), self._now())
        except ContractError as error:
            log.warning("%s: not a receipt: %s", self.name, error)
        self._news.set()

    async def _wait_for(self, at_ms: int) -> None:
        """Wait until an instant of the simulation is due; if it is past already, go on at once."""
        if self._how.speed is None:
            return
        due_s = self._start_s + at_ms / 1000 / self._how.speed
        while (left_s := due_s - self._now()) > 0:
            await self._look_after()
            await self._any_news(min(left_s, self._patience_s()))

    async def _settle(self, done: Callable[[], bool]) -> None:
        """Wait until ``done``, resending what is overdue; give up after ``settle_s`` without progress."""
        covered, deadline_s = self.spool.covered, self._now() + self._how.settle_s
        while not done():
            if self.spool.covered > covered:
                covered, deadline_s = self.spool.covered, self._now() + self._how.settle_s
            left_s = deadline_s - self._now()
            if left_s <= 0:
                return
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left_s):
                    await self._look_after()
                    await self._any_news(self._patience_s())

    async def _any_news(self, timeout_s: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await self._news.wait()
        self._news.clear()

    def _patience_s(self) -> float:
        """Look for overdue entries often enough to be about punctual."""
        return min(self._how.resend_after_s / 4, 1.0)

    async def _look_after(self) -> None:
        """Make the connection again if it went, and send again what has been waiting too long for a receipt."""
        while self._presence is not None and (self._link is None or self._link.lost):
            await self._connect()
            for entry in self.spool.all():
                await self._send(entry)
        if self._how.await_receipts and self._now() >= self._look_s:
            self._look_s = self._now() + self._patience_s()
            for entry in self.spool.overdue(self._now(), self._how.resend_after_s):
                entry.repeats += 1
                await self._send(entry)

    async def _connect(self) -> None:
        """Connect, with growing pauses between attempts."""
        link, self._link = self._link, None
        if link is not None:
            await link.close()
        pause_s, most_s = BACKOFF_S
        deadline_s = None if self._how.give_up_s is None else self._now() + self._how.give_up_s
        while True:
            try:
                self._link = await self._dial()
                self._ever_connected = True
                return
            except aiomqtt.MqttError as error:
                where = f"{self._broker.host}:{self._broker.port}"
                if not self._ever_connected and deadline_s is not None and self._now() >= deadline_s:
                    raise UnavailableError(
                        f"no broker at {where}: {error}; start one or name another"
                    ) from None
                log.warning("%s: no connection to %s: %s", self.name, where, error)
            await asyncio.sleep(pause_s)
            pause_s = min(2 * pause_s, most_s)

    async def _dial(self) -> _Link:
        assert self._presence is not None
        presence = structs.replace(self._presence, t_ms=self._rack.clock.utc_ms(self._at_ms))
        will = Presence(v=1, online=False, boot=presence.boot, t_ms=presence.t_ms)
        client = aiomqtt.Client(
            self._broker.host,
            self._broker.port,
            username=self._broker.username,
            password=self._broker.password,
            tls_context=self._broker.tls,
            identifier=f"{self._scenario.setup.campaign_id}-{self.name}",
            protocol=_PROTOCOLS[self._broker.version],
            will=aiomqtt.Will(self._topic(Kind.PRESENCE), encode(will), qos=1, retain=True),
            max_inflight_messages=self._how.window,
        )
        await _entered(client)
        link = _Link(client, self._how.window, self._news)
        link.listen(self._heard)
        try:
            if self._how.await_receipts:
                await client.subscribe(self._topic(Kind.RECEIPT), qos=1)
            await self._say(client, presence)
        except BaseException:
            await link.cut()
            raise
        return link

    async def _say(self, client: aiomqtt.Client, presence: Presence) -> None:
        await client.publish(self._topic(Kind.PRESENCE), encode(presence), qos=1, retain=True)

    async def _goodbye(self) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        farewell = self._rack.farewell(self._at_ms).message
        if not link.lost and isinstance(farewell, Presence):
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                await asyncio.wait_for(self._say(link.client, farewell), GOODBYE_S)
        await link.close()

    def _topic(self, kind: Kind) -> str:
        return format_topic(self._scenario.setup.prefix, Topic(self.name, 0, kind))


async def _entered(client: aiomqtt.Client) -> None:
    """Connect. It runs in a thread that no cancellation reaches, so what still comes of it is closed again."""
    connecting = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(connecting)
    except asyncio.CancelledError:
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            await asyncio.wait_for(connecting, GOODBYE_S)
            await client.__aexit__(None, None, None)
        raise
