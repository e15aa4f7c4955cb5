"""A virtual MQTT broker with the semantics of QoS 1, and the two sides' links to it.

What it keeps to: a packet sent over one connection arrives in order after a drawn latency, or not at all; a PUBACK
goes to the publisher once the message is accepted; a durable session keeps what its client has not acknowledged, at
most ``WINDOW`` messages are in flight, and at a reconnect those are sent again first, in their order. What it may do
to its clients, and real brokers do: drop the newest message for a full queue while the publisher sees success;
deliver a message twice; forget, when it is killed, everything since it last saved, sessions included; close a
connection at once; leave a connection half open, in which nothing moves either way until somebody gives up.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import aiomqtt

from monitor.intake.link import BATCH_MAX, LINGER_S, Address, Delivery, LinkLostError
from simulator.publish import Caller, Heard
from simulator.spool import Entry
from tests.simulation.loop import life, without_life

WINDOW = 20
KEEPALIVE_S = 45.0  # after which either side gives a silent connection up
PUBLISH_TIMEOUT_S = 10.0  # of a rack that waits for a PUBACK
CONNECT_TIMEOUT_S = 10.0


@dataclass(eq=False)
class Queued:
    """One message in the queue of a session; ``ident`` is unique over the simulation."""

    ident: int
    topic: str
    payload: bytes
    mid: int = 0
    retained: bool = False


@dataclass
class Session:
    """What a broker keeps of one client: subscriptions, what is in flight, what waits."""

    durable: bool
    filters: list[str] = field(default_factory=list)
    inflight: dict[int, Queued] = field(default_factory=dict)  # by mid, in the order of sending
    waiting: deque[Queued] = field(default_factory=deque)
    next_mid: int = 1

    def copy(self) -> Session:
        """The same again, to be changed on its own."""
        return Session(
            self.durable,
            list(self.filters),
            {mid: replace(message) for mid, message in self.inflight.items()},
            deque(self.waiting),
            self.next_mid,
        )


@cache
def _matches(topic: str, pattern: str) -> bool:
    return aiomqtt.Topic(topic).matches(pattern)


class LostError(Exception):
    """The connection is gone."""


class Wire:
    """One connection: two directions, each in order. ``blocked_until_s``: nothing moves before; None: never again."""

    def __init__(self, broker: Broker, client_id: str, will: tuple[str, bytes] | None) -> None:
        self.broker = broker
        self.client_id = client_id
        self.will = will
        self.open = True  # at the client's end
        self.known = True  # at the broker's end
        self.lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.deliver: Callable[[Delivery, bool], None] | None = None
        self.latency_s = broker.rng.uniform(0.0005, 0.04)
        self.black_hole = False
        self.session_present = False
        self.on_wire = 0
        self._free_s = [0.0, 0.0]
        self._pending: dict[int, asyncio.Future[None]] = {}
        self._next_pid = 0

    # -- packets -------------------------------------------------------------------------------------------------

    def carry(self, up: bool, arrive: Callable[[], None]) -> None:
        """Carry a packet to the broker (``up``) or to the client; it arrives in order, or never."""
        loop = asyncio.get_running_loop()
        way = 0 if up else 1
        latency_s = self.latency_s * self.broker.slow * self.broker.rng.uniform(0.5, 1.5)
        at_s = max(self._free_s[way] + 1e-6, loop.time() + latency_s)
        self._free_s[way] = at_s
        self.on_wire += 1

        def land() -> None:
            self.on_wire -= 1
            if not self.black_hole and (self.known if up else self.open):
                arrive()

        without_life(loop.call_at, at_s, land)

    def publish(self, topic: str, payload: bytes, retain: bool) -> asyncio.Future[None]:
        """Send a PUBLISH; the future ends with the PUBACK. Raises LostError, at once or through the future."""
        if not self.open:
            raise LostError
        pid = self._next_pid = self._next_pid + 1
        answer: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._pending[pid] = answer

        def puback() -> None:
            waiting = self._pending.pop(pid, None)
            if waiting is not None and not waiting.done():
                waiting.set_result(None)

        def arrive() -> None:
            self.broker.accept(self.client_id, topic, payload, retain)
            self.carry(False, puback)

        self.carry(True, arrive)
        return answer

    # -- ends ----------------------------------------------------------------------------------------------------

    def break_at_client(self, reason: str) -> None:
        """The client sees that the connection is gone."""
        if not self.open:
            return
        self.open = False
        if not self.lost.done():
            self.lost.set_result(reason)
        for answer in self._pending.values():
            if not answer.done():
                answer.set_exception(LostError(reason))
                answer.exception()  # seen, if nobody waits for it
        self._pending.clear()

    def break_at_broker(self, goodbye: bool = False) -> None:
        """The broker sees that the connection is gone; without a goodbye it publishes the will."""
        if not self.known:
            return
        self.known = False
        self.broker.forget(self, goodbye)

    def cut(self, reason: str) -> None:
        """Both ends see it: at once, or one a little after the other."""
        loop, rng = asyncio.get_running_loop(), self.broker.rng
        without_life(loop.call_later, rng.uniform(0, 0.2), self.break_at_client, reason)
        without_life(loop.call_later, rng.uniform(0, 0.2), self.break_at_broker)

    def half_open(self) -> None:
        """Nothing moves any more; each end finds out for itself when it has waited long enough."""
        self.black_hole = True
        loop, rng = asyncio.get_running_loop(), self.broker.rng
        without_life(
            loop.call_later, rng.uniform(0.5, 1.0) * KEEPALIVE_S, self.break_at_client, "no answer to a ping"
        )
        without_life(loop.call_later, rng.uniform(0.5, 1.5) * KEEPALIVE_S, self.break_at_broker)

    def client_dies(self) -> None:
        """The client's process was killed; what it had handed to its system may still arrive."""
        self.open = False
        rng = self.broker.rng
        if rng.random() < 0.5:
            self.break_at_broker()
        else:
            without_life(asyncio.get_running_loop().call_later, rng.uniform(0, 0.2), self.break_at_broker)

    def goodbye(self) -> None:
        """A clean end by the client."""
        if self.open:
            self.carry(True, lambda: self.break_at_broker(goodbye=True))
            self.open = False
            if not self.lost.done():
                self.lost.set_result("disconnected")


class Broker:
    """See the module. ``watch`` is told what happens to messages: (what, topic, payload)."""

    def __init__(self, rng: random.Random, watch: Callable[[str, str, bytes], None]) -> None:
        self.rng = rng
        self.watch = watch
        self.up = True
        self.slow = 1.0
        self.max_queued = 1_000_000
        self.twice = 0.0  # share of messages that are queued twice
        self.refuse = False  # the network to the broker is down: nobody connects
        self.sessions: dict[str, Session] = {}
        self.retained: dict[str, bytes] = {}
        self.wires: dict[str, Wire] = {}
        self.dropped = 0
        self._saved: tuple[dict[str, Session], dict[str, bytes]] = ({}, {})
        self._idents = 0

    # -- messages ------------------------------------------------------------------------------------------------

    def accept(self, sender: str, topic: str, payload: bytes, retain: bool) -> None:
        """A message has arrived: keep it where it is retained, and queue it for whoever subscribed."""
        self.watch("accepted", topic, payload)
        if retain:
            self.retained[topic] = payload
        for client_id, session in self.sessions.items():
            if any(_matches(topic, each) for each in session.filters):
                self._queue(client_id, session, topic, payload)
                if self.twice and self.rng.random() < self.twice:
                    self._queue(client_id, session, topic, payload)

    def _queue(
        self, client_id: str, session: Session, topic: str, payload: bytes, retained: bool = False
    ) -> None:
        in_flight = client_id in self.wires and len(session.inflight) < WINDOW
        if not in_flight and len(session.waiting) >= self.max_queued:  # what goes out at once is not queued
            self.dropped += 1
            self.watch("dropped", topic, payload)
            return
        self._idents += 1
        session.waiting.append(Queued(self._idents, topic, payload, retained=retained))
        self._pump(client_id)

    def _pump(self, client_id: str) -> None:
        session, wire = self.sessions[client_id], self.wires.get(client_id)
        while wire is not None and wire.deliver is not None and session.waiting:
            if len(session.inflight) >= WINDOW:
                return
            message = session.waiting.popleft()
            message.mid = session.next_mid
            session.next_mid = session.next_mid % 65535 + 1
            session.inflight[message.mid] = message
            self._send(wire, message)

    def _send(self, wire: Wire, message: Queued) -> None:
        delivery = Delivery(message.topic, message.payload, message.mid, 1)

        def arrive() -> None:
            if wire.deliver is not None:
                wire.deliver(delivery, message.retained)

        wire.carry(False, arrive)

    def acknowledged(self, wire: Wire, mid: int) -> None:
        """A PUBACK of a subscriber has arrived."""
        session = self.sessions.get(wire.client_id)
        if session is not None and self.wires.get(wire.client_id) is wire:
            session.inflight.pop(mid, None)
            self._pump(wire.client_id)

    # -- connections ---------------------------------------------------------------------------------------------

    async def open(self, client_id: str, durable: bool, will: tuple[str, bytes] | None) -> Wire:
        """Connect; the session of a durable client goes on. Raises LostError."""
        await asyncio.sleep(self.rng.uniform(0.001, 0.05) * self.slow)
        if self.refuse:
            await asyncio.sleep(self.rng.uniform(0.0, CONNECT_TIMEOUT_S))
            raise LostError("no answer")
        if not self.up:
            raise LostError("connection refused")
        old = self.wires.get(client_id)
        if old is not None:
            old.break_at_broker()
            old.break_at_client("session taken over")
        wire = Wire(self, client_id, will)
        wire.session_present = durable and client_id in self.sessions
        self.wires[client_id] = wire
        if not durable or client_id not in self.sessions:
            self.sessions[client_id] = Session(durable)
        owner = life()
        if owner is not None and owner.dead:
            wire.client_dies()
        return wire

    def subscribe(self, wire: Wire, filters: Sequence[str]) -> None:
        """Take a client's subscriptions, send retained messages, and what its session still holds."""
        if self.wires.get(wire.client_id) is not wire:
            return
        session = self.sessions[wire.client_id]
        session.filters = list(dict.fromkeys([*session.filters, *filters]))
        for topic, payload in self.retained.items():
            if any(_matches(topic, each) for each in filters):
                self._queue(wire.client_id, session, topic, payload, retained=True)

    def ready(self, wire: Wire, deliver: Callable[[Delivery, bool], None]) -> None:
        """From now on messages are sent to this client; those in flight first, again."""
        wire.deliver = deliver
        if self.wires.get(wire.client_id) is not wire:
            return
        for message in self.sessions[wire.client_id].inflight.values():
            self._send(wire, message)
        self._pump(wire.client_id)

    def forget(self, wire: Wire, goodbye: bool) -> None:
        """A connection is gone for the broker."""
        if self.wires.get(wire.client_id) is wire:
            del self.wires[wire.client_id]
            if not self.sessions[wire.client_id].durable:
                del self.sessions[wire.client_id]
        if not goodbye and wire.will is not None and self.up:
            self.accept(wire.client_id, *wire.will, True)

    # -- faults --------------------------------------------------------------------------------------------------

    def save(self) -> None:
        """Write sessions and retained messages to disk, as a broker does from time to time."""
        durable = {name: session.copy() for name, session in self.sessions.items() if session.durable}
        self._saved = durable, dict(self.retained)

    def go_down(self) -> None:
        """Close every connection and listen no more."""
        self.up = False
        for wire in list(self.wires.values()):
            wire.known = False
            self.watch_nothing(wire)
        self.wires.clear()

    def watch_nothing(self, wire: Wire) -> None:
        """The client of a connection that the broker dropped finds out."""
        without_life(
            asyncio.get_running_loop().call_later,
            self.rng.uniform(0, 0.2),
            wire.break_at_client,
            "connection reset",
        )

    def kill(self, everything: bool) -> int:
        """Kill it: what it accepted since it last saved is gone, with ``everything`` all it ever saved too.

        Returns how many unacknowledged messages it lost.
        """
        before = self.held()
        self.go_down()
        self._go_on({}, {}) if everything else self._go_on(*self._saved)
        kept = self.held()
        return len(before - kept)

    def held(self) -> set[int]:
        """Idents of the messages that durable sessions hold."""
        return {
            message.ident
            for session in self.sessions.values()
            if session.durable
            for message in [*session.inflight.values(), *session.waiting]
        }

    def restart(self) -> None:
        """Stop it cleanly: it saves first."""
        self.save()
        self.go_down()
        self._go_on(*self._saved)

    def _go_on(self, sessions: dict[str, Session], retained: dict[str, bytes]) -> None:
        """With what was saved."""
        self.sessions = {name: session.copy() for name, session in sessions.items()}
        self.retained = dict(retained)

    def come_up(self) -> None:
        """Listen again."""
        self.up = True

    # -- the monitor's side --------------------------------------------------------------------------------------

    def connect_for(self, witness: Witness) -> Callable[[Address, str, Sequence[str]], Any]:
        """A ``connect`` for the service; ``witness`` sees what is published and acknowledged."""

        @asynccontextmanager
        async def connect(
            address: Address, client_id: str, filters: Sequence[str]
        ) -> AsyncIterator[MonitorLink]:
            try:
                wire = await self.open(client_id, durable=True, will=None)
            except LostError as error:
                raise LinkLostError(str(error)) from error
            owner = life()
            witness.connected(wire)
            link = MonitorLink(self, wire, witness)
            self.ready(wire, link.arrived)  # a session that goes on sends before it is subscribed to again
            granted: asyncio.Future[None] = asyncio.get_running_loop().create_future()

            def arrive() -> None:
                self.subscribe(wire, filters)
                wire.carry(False, lambda: _grant(granted))

            wire.carry(True, arrive)
            try:
                await asyncio.wait((granted, wire.lost), return_when=asyncio.FIRST_COMPLETED)
                if not granted.done():
                    raise LinkLostError("lost while subscribing")
                yield link
            finally:
                if owner is None or not owner.dead:
                    wire.goodbye()

        return connect


def _grant(granted: asyncio.Future[None]) -> None:
    if not granted.done():
        granted.set_result(None)


@dataclass
class Witness:
    """Who looks on at the monitor's side of a connection."""

    acknowledging: Callable[[Sequence[Delivery]], None]
    publishing: Callable[[str, bytes], None]
    connected: Callable[[Wire], None]
    killed_while_acknowledging: Callable[[], bool] = lambda: False


class MonitorLink:
    """The ``Link`` of the service."""

    def __init__(self, broker: Broker, wire: Wire, witness: Witness) -> None:
        self._broker = broker
        self._wire = wire
        self._witness = witness
        self._inbox: asyncio.Queue[Delivery] = asyncio.Queue()

    @property
    def session_present(self) -> bool:
        """Whether the broker went on with an earlier session."""
        return self._wire.session_present

    def arrived(self, delivery: Delivery, retained: bool) -> None:
        """A message from the broker."""
        self._inbox.put_nowait(delivery)

    async def batch(self) -> list[Delivery]:
        """The next messages in order of arrival, at least one."""
        first = asyncio.ensure_future(self._inbox.get())
        try:
            await asyncio.wait((first, self._wire.lost), return_when=asyncio.FIRST_COMPLETED)
        finally:
            if not first.done():
                first.cancel()
        if self._wire.lost.done():
            raise LinkLostError(self._wire.lost.result())
        found = [first.result()]
        await asyncio.sleep(LINGER_S)
        while len(found) < BATCH_MAX and not self._inbox.empty():
            found.append(self._inbox.get_nowait())
        return found

    def acknowledge(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge in order; on a dead connection it does nothing."""
        owner = life()
        self._witness.acknowledging(batch)
        for delivery in batch:
            if owner is not None and owner.dead:
                return
            if self._wire.open:
                self._wire.carry(True, lambda mid=delivery.mid: self._broker.acknowledged(self._wire, mid))  # type: ignore[misc]
            self._witness.killed_while_acknowledging()

    async def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish and wait for the broker's acknowledgement."""
        self._witness.publishing(topic, payload)
        try:
            await self._wire.publish(topic, payload, retain)
        except LostError as error:
            raise LinkLostError(str(error)) from error


# -- the racks' side ---------------------------------------------------------------------------------------------


class RackLink:
    """The ``Link`` of a simulated rack."""

    def __init__(self, broker: Broker, wire: Wire, caller: Caller) -> None:
        self.lost = False
        self._broker = broker
        self._wire = wire
        self._news = caller.news
        self._window = asyncio.Semaphore(caller.window)
        self._tasks: dict[asyncio.Task[Any], None] = {}
        wire.lost.add_done_callback(lambda _: self._broken())

    async def send(self, entry: Entry, acknowledged: Callable[[Entry], None]) -> bool:
        """Send once there is room in flight; False if the connection is lost."""
        await self._window.acquire()
        if self.lost:
            self._window.release()
            return False
        self._broker.watch("sent", entry.topic, entry.payload)
        try:
            answer = self._wire.publish(entry.topic, entry.payload, False)
        except LostError:
            self._window.release()
            self._broken()
            return False
        self._start(self._wait_for(answer, entry, acknowledged))
        return True

    async def say(self, topic: str, body: bytes) -> None:
        """Publish a retained message and wait for the broker's word."""
        try:
            async with asyncio.timeout(PUBLISH_TIMEOUT_S):
                await self._wire.publish(topic, body, True)
        except (LostError, TimeoutError) as error:
            raise aiomqtt.MqttError(str(error) or "no PUBACK") from error

    async def listen(self, topic: str | None, heard: Heard) -> None:
        """Subscribe and pass on what arrives."""

        def arrived(delivery: Delivery, retained: bool) -> None:
            if self._wire.open:
                heard(delivery.payload, retained)
                self._wire.carry(True, lambda: self._broker.acknowledged(self._wire, delivery.mid))

        self._broker.ready(self._wire, arrived)
        if topic is None:
            return
        granted: asyncio.Future[None] = asyncio.get_running_loop().create_future()

        def arrive() -> None:
            self._broker.subscribe(self._wire, [topic])
            self._wire.carry(False, lambda: _grant(granted))

        self._wire.carry(True, arrive)
        await asyncio.wait((granted, self._wire.lost), return_when=asyncio.FIRST_COMPLETED)
        if not granted.done():
            raise aiomqtt.MqttError("lost while subscribing")

    async def cut(self) -> None:
        """End it as a lost network does."""
        self._broken()
        self._wire.break_at_client("cut")
        without_life(
            asyncio.get_running_loop().call_later,
            self._broker.rng.uniform(0, 0.2),
            self._wire.break_at_broker,
        )
        await self._ended()

    async def close(self) -> None:
        """End it with a goodbye if it still stands."""
        self._broken()
        await self._ended()
        self._wire.goodbye()

    def _broken(self) -> None:
        self.lost = True
        self._news.set()
        current = asyncio.current_task() if asyncio.get_running_loop() else None
        for task in list(self._tasks):
            if task is not current:
                task.cancel()

    async def _ended(self) -> None:
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _start(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks[task] = None
        task.add_done_callback(lambda done: self._tasks.pop(done, None))

    async def _wait_for(
        self, answer: asyncio.Future[None], entry: Entry, acknowledged: Callable[[Entry], None]
    ) -> None:
        try:
            async with asyncio.timeout(PUBLISH_TIMEOUT_S):
                await answer
            acknowledged(entry)
        except (LostError, TimeoutError):
            self._broken()
        finally:
            self._window.release()


def dial_to(broker: Broker) -> Callable[[Caller], Any]:
    """How the racks of the simulation connect."""

    async def dial(caller: Caller) -> RackLink:
        try:
            wire = await broker.open(caller.identifier, durable=False, will=(caller.will_topic, caller.will))
        except LostError as error:
            raise aiomqtt.MqttError(str(error)) from error
        return RackLink(broker, wire, caller)

    return dial
