"""Play a simulation to a broker: one MQTT connection for each rack, which keeps what it sent until receipts cover it.

The rack's stream of events drives its connection: an offline presence in it breaks the connection without a
goodbye (reboot, network outage), an online one makes it again. What falls into an outage stands behind it in the
stream, so the backlog follows by itself.

A broker takes messages also when nobody will get them: it may have lost the monitor's session, and the monitor may
come back in the middle of a backlog, hear only its later part, and give the rest up. So a rack that connects, or that
no receipt has answered for too long, sends only the oldest message of each stream, again and again, until a receipt
that is not a retained one shows that the monitor is there; then all the rest follows, oldest first. Not at once: a
broker may drop what it has no room for, and the monitor gives up a message that is missing when 16 others wait behind
it. So a stream is never further ahead of its receipt than the monitor waits. (A rack that is played too fast for that
sends all of it.)
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import time
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import aiomqtt
from msgspec import structs

from shared.errors import ContractError, InputError, UnavailableError
from shared.messages import Presence, ReadError, Tally, decode_receipt, encode
from shared.quantities import RECEIPT_BOOTS, RECEIPT_EVERY_S, RESEND_AFTER_S
from shared.topics import Kind, Topic, format_topic
from simulator.faults import Event
from simulator.scenario import Options, Rack, Scenario, Setup, payload
from simulator.spool import Entry, Spool, StreamId
from simulator.truth import Delivery, Truth

log = logging.getLogger(__name__)

GOODBYE_S = 0.25  # for each step of a clean stop, which is to be done within a second
AHEAD = (
    15  # messages of a stream beyond its receipt: the monitor gives up what is missing when 16 wait behind it
)
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

    def ahead(self, report_interval_s: float) -> int | None:
        """How many messages of a stream of a backlog may be ahead of its receipt; None: it is played too fast for that.

        Twice the time to a resend is the shortest hold that the monitor is meant to have.
        """
        if self.speed is None:
            return None
        tally_s = report_interval_s / self.speed
        most = max(min(AHEAD, int(2 * self.resend_after_s / tally_s) - 1), 1)
        return most if most * tally_s >= 2 * RECEIPT_EVERY_S else None


@dataclass(frozen=True, slots=True)
class Caller:
    """Who connects: its client id, its last will (retained), how many messages it keeps in flight.

    ``news`` is set when the connection is lost.
    """

    identifier: str
    will_topic: str
    will: bytes
    window: int
    news: asyncio.Event


Heard = Callable[[bytes, bool], None]
"""Takes a message: (payload, whether the broker had retained it from before the subscription)."""


class Link(Protocol):
    """One connection of one rack; it is never made again, another takes its place."""

    lost: bool

    async def send(self, entry: Entry, acknowledged: Callable[[Entry], None]) -> bool:
        """Send once there is room in flight, in the order of the calls; False if the connection is lost."""
        ...

    async def say(self, topic: str, body: bytes) -> None:
        """Publish a retained message and wait for the broker's word. Raises aiomqtt.MqttError."""
        ...

    async def listen(self, topic: str | None, heard: Heard) -> None:
        """Subscribe to a topic, if any, and pass what arrives to ``heard`` until the end. Raises aiomqtt.MqttError."""
        ...

    async def cut(self) -> None:
        """End the connection as a lost network does."""
        ...

    async def close(self) -> None:
        """End the connection with a goodbye if it still stands; never raises."""
        ...


Dial = Callable[[Caller], Awaitable[Link]]
"""How a rack connects. Raises aiomqtt.MqttError when it cannot."""


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
    dial: Dial | None = None,
) -> Truth:
    """Play the simulation until its end or ``stop``.

    ``dial`` makes the connections (None: MQTT to ``broker``). ``speed`` is in simulated seconds a second (None: as
    fast as it goes); ``start_ms`` is its UTC start, now if None. Returns the truth of what was sent;
    ``truth.delivery`` tells whether receipts covered all of it. Raises InputError for a speed that is none,
    UnavailableError if ``give_up_s`` is given and no broker was found.
    """
    if speed is not None and not speed > 0:
        raise InputError("speed must be above 0")
    scenario = Scenario(setup, options, int(time.time() * 1000) if start_ms is None else start_ms)
    how = Delivering(speed, await_receipts, resend_after_s, settle_s, window, give_up_s)
    start_s = asyncio.get_running_loop().time()
    connect = dial or _over_mqtt(broker)
    racks = [
        _Player(scenario, rack, f"{broker.host}:{broker.port}", connect, how, start_s=start_s)
        for rack in scenario.racks
    ]
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


class _MqttLink:
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

    async def say(self, topic: str, body: bytes) -> None:
        """Publish a retained message and wait for the broker's word."""
        await self.client.publish(topic, body, qos=1, retain=True)

    async def listen(self, topic: str | None, heard: Heard) -> None:
        """Subscribe, and pass what arrives to ``heard`` until the connection ends."""
        self._start(self._listen(heard))
        if topic is not None:
            await self.client.subscribe(topic, qos=1)

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

    async def _listen(self, heard: Heard) -> None:
        try:
            async for message in self.client.messages:
                if isinstance(message.payload, bytes):
                    heard(message.payload, message.retain)
        except aiomqtt.MqttError:
            self.broken()


class _Player:
    """One rack on its way through its events."""

    def __init__(
        self, scenario: Scenario, rack: Rack, where: str, dial: Dial, how: Delivering, *, start_s: float
    ) -> None:
        self.name = rack.name
        self.spool = Spool()
        self.sent = self.resent = 0
        self._scenario = scenario
        self._rack = rack
        self._where = where  # the broker, in words
        self._dial_to = dial
        self._how = how
        self._start_s = start_s
        self._now = asyncio.get_running_loop().time
        self._news = asyncio.Event()  # a receipt came, or the connection went
        self._link: Link | None = None
        self._presence: Presence | None = None  # None: the rack is meant to be offline
        self._at_ms = 0
        self._boots: list[str] = []
        self._look_s = 0.0  # when to look for overdue entries again
        self._ahead = how.ahead(float(scenario.setup.report_interval_s))
        self._answered = False  # whether a receipt has shown, on this connection, that the monitor is there
        self._answered_s = 0.0  # when it did: what was sent before may have reached nobody
        self._held_back = False  # whether the rest of the spool waits for that
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
            if not self._held_back:
                await self._send(Entry(-1, stream, number, topic, body, self._now()))
            return
        entry = self.spool.add(stream, number, topic, body)
        self._held_back = self._held_back or self._is_behind(event)
        await self._look_after()
        if entry.sent_s is not None:  # a new connection has sent it with the rest of the spool
            return
        if self._may_send_all() or entry in self.spool.oldest():
            await self._send(entry)
        else:
            self._held_back = True

    def _is_behind(self, event: Event) -> bool:
        """Whether the message was due so long ago that there is a backlog of which it is a part."""
        if self._ahead is None or self._how.speed is None or not self._how.await_receipts:
            return False
        return self._now() - self._start_s - event.arrive_ms / 1000 / self._how.speed > RECEIPT_EVERY_S

    def _may_send_all(self) -> bool:
        """Whether what is sent will reach the monitor, as far as a rack can tell."""
        return not self._how.await_receipts or (self._answered and not self._held_back)

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

    def _heard(self, receipt: bytes, retained: bool) -> None:
        try:
            self.spool.take(decode_receipt(receipt), self._now())
            if not (retained or self._answered):
                self._answered, self._answered_s = True, self._now()
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
            self._answered = False
            await self._connect()
            if self._how.await_receipts:
                self._held_back = len(self.spool) > 0
                await self._send_again(self.spool.oldest())
            else:
                await self._send_again(self.spool.all())
        if self._held_back and self._answered:
            await self._work_off()
        if self._how.await_receipts and self._now() >= self._look_s:
            self._look_s = self._now() + self._patience_s()
            await self._send_overdue()

    async def _work_off(self) -> None:
        """Send what may be sent of a backlog, and end it when that is all there is."""
        patience_s = 3 * self._how.resend_after_s  # with a message that the monitor will never take
        stuck = self._now() - max(self.spool.moved_s, self._answered_s) > patience_s
        entries = self.spool.all() if self._ahead is None or stuck else self.spool.oldest(self._ahead)
        if len(entries) == len(self.spool):
            self._held_back = False
        await self._send_again([e for e in entries if e.sent_s is None or e.sent_s <= self._answered_s])

    async def _send_again(self, entries: list[Entry]) -> None:
        for entry in entries:
            await self._send(entry)

    async def _send_overdue(self) -> None:
        if not self._may_send_all():
            due_s, ahead = self._now() - self._how.resend_after_s, self._ahead if self._answered else 1
            entries = self.spool.oldest(ahead or 1)
            await self._send_again([e for e in entries if e.sent_s is None or e.sent_s <= due_s])
            return
        if self.spool.overdue(self._now(), self._how.resend_after_s):
            self._held_back, self._answered = True, False
            await self._send_again(self.spool.oldest())

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
                if not self._ever_connected and deadline_s is not None and self._now() >= deadline_s:
                    raise UnavailableError(
                        f"no broker at {self._where}: {error}; start one or name another"
                    ) from None
                log.warning("%s: no connection to %s: %s", self.name, self._where, error)
            await asyncio.sleep(pause_s)
            pause_s = min(2 * pause_s, most_s)

    async def _dial(self) -> Link:
        assert self._presence is not None
        presence = structs.replace(self._presence, t_ms=self._rack.clock.utc_ms(self._at_ms))
        will = Presence(v=1, online=False, boot=presence.boot, t_ms=presence.t_ms)
        topic = self._topic(Kind.PRESENCE)
        identifier = f"{self._scenario.setup.campaign_id}-{self.name}"
        link = await self._dial_to(Caller(identifier, topic, encode(will), self._how.window, self._news))
        try:
            await link.listen(self._topic(Kind.RECEIPT) if self._how.await_receipts else None, self._heard)
            await link.say(topic, encode(presence))
        except BaseException:
            await link.cut()
            raise
        return link

    async def _goodbye(self) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        farewell = self._rack.farewell(self._at_ms).message
        if not link.lost and isinstance(farewell, Presence):
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                await asyncio.wait_for(link.say(self._topic(Kind.PRESENCE), encode(farewell)), GOODBYE_S)
        await link.close()

    def _topic(self, kind: Kind) -> str:
        return format_topic(self._scenario.setup.prefix, Topic(self.name, 0, kind))


def _over_mqtt(broker: Broker) -> Dial:
    """Connections to a real broker."""

    async def dial(caller: Caller) -> Link:
        client = aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.username,
            password=broker.password,
            tls_context=broker.tls,
            identifier=caller.identifier,
            protocol=_PROTOCOLS[broker.version],
            will=aiomqtt.Will(caller.will_topic, caller.will, qos=1, retain=True),
            max_inflight_messages=caller.window,
        )
        await _entered(client)
        return _MqttLink(client, caller.window, caller.news)

    return dial


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
