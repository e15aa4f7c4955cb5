"""The one seam to MQTT: connect, take messages in batches, acknowledge a batch in order, publish.

Behind it is aiomqtt; another client can take its place. Some things are reached through private attributes of the
pinned version, all here and all held by tests: manual acknowledgement (``_client.manual_ack_set``, ``.ack``), the
futures that tell a made and a lost connection (``_connected``, ``_disconnected``), paho's callbacks for both, and
paho's socket (``_client.socket``, ``._sock_close``), on which reading is paused while the inbox is full, so that the
broker and not our memory keeps what we cannot take yet.

How a lost connection is noticed: closed by the other side, at once; silent (a cut without a goodbye), by the ping
that is not answered, two keepalives after the last sign of life at the latest; alive but stuck, by a publish that is
not acknowledged for PUBACK_QUIET_S in which nothing else came either.
"""

from __future__ import annotations

import asyncio
import math
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any, Literal, Protocol, cast

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY, MQTT_LOG_ERR
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.intake.trouble import why
from shared.quantities import MAX_PAYLOAD_BYTES

SESSION_EXPIRY_S = 14 * 24 * 3600
KEEPALIVE_S = 30
CONNECT_TIMEOUT_S = 10
LINGER_S = 0.005  # after the first message of a batch, so that one commit serves many
BATCH_MAX = 1000
INBOX_HIGH = 4 * BATCH_MAX  # messages that wait here at most
INBOX_HIGH_BYTES = 32 * 2**20  # of topics and payloads, likewise
PUBACK_QUIET_S = 60  # reading and nothing comes, not even the acknowledgement
PUBACK_LONGEST_S = 600  # the same while messages do come, which may stand before it
_TICK_S = 1.0
_GRANTED_MAX = 2  # a SUBACK code above is a refusal

Version = Literal["5", "3.1.1"]


class LinkLostError(Exception):
    """The connection could not be made, or is gone; the broker keeps what was not acknowledged."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and how to talk to it. ``password`` is never printed."""

    host: str
    port: int
    version: Version = "5"
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None

    def __repr__(self) -> str:
        return f"mqtt{'s' if self.tls else ''}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message as it came; ``mid`` and ``qos`` are what its acknowledgement needs."""

    topic: str
    payload: bytes
    mid: int
    qos: int


class Link(Protocol):
    """A live connection."""

    @property
    def session_present(self) -> bool:
        """Whether the broker still had the session: if not, what was waiting in it is lost with it."""
        ...

    async def batch(self) -> list[Delivery]:
        """The next messages in order of arrival, at least one. Raises LinkLostError."""
        ...

    def acknowledge(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge a whole batch, in order. Call it once everything in it is on disk."""
        ...

    async def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish at QoS 1 and wait for the broker's acknowledgement. Raises LinkLostError."""
        ...


class _Inbox(asyncio.Queue[aiomqtt.Message]):
    """aiomqtt's queue of incoming messages, which asks to pause when it runs full.

    Of a payload that is too long it keeps what shows that it is; it is refused for its size anyway.
    """

    pause: Any = None
    size_bytes = 0
    arrived = 0

    def _put(self, item: aiomqtt.Message) -> None:
        item.payload = _bytes(item.payload)[: MAX_PAYLOAD_BYTES + 1]
        item.properties = None
        super()._put(item)
        self.arrived += 1
        self.size_bytes += _size_bytes(item)
        if self.above(1.0) and self.pause is not None:
            self.pause()

    def _get(self) -> aiomqtt.Message:
        item = super()._get()
        self.size_bytes -= _size_bytes(item)
        return item

    def above(self, part: float) -> bool:
        """Whether it holds that part of what it may, or more."""
        return self.qsize() >= part * INBOX_HIGH or self.size_bytes >= part * INBOX_HIGH_BYTES


class AiomqttLink:
    """A link through one aiomqtt client (one client serves one connection, never two)."""

    def __init__(self, client: aiomqtt.Client, inbox: _Inbox) -> None:
        self._client = client
        self._paho = client._client
        self._inbox = inbox
        self._paused = False
        self._session_present = False
        self._full = asyncio.Event()
        self._granting: asyncio.Task[None] | None = None
        inbox.pause = self._pause

    @property
    def session_present(self) -> bool:
        """Whether the broker still had the session."""
        return self._session_present

    async def batch(self) -> list[Delivery]:
        """The next messages in order of arrival, at least one."""
        lost = self._client._disconnected
        first = asyncio.ensure_future(self._inbox.get())
        try:
            await asyncio.wait((first, lost), return_when=asyncio.FIRST_COMPLETED)
        finally:
            if not first.done():
                first.cancel()
        if lost.done():
            raise LinkLostError(_reason(lost))
        messages = [first.result()]
        await asyncio.sleep(LINGER_S)
        while len(messages) < BATCH_MAX and not self._inbox.empty():
            messages.append(self._inbox.get_nowait())
        self._resume()
        return [Delivery(m.topic.value, _bytes(m.payload), m.mid, m.qos) for m in messages]

    def acknowledge(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge a whole batch, in order; on a dead connection it does nothing and the broker sends again."""
        for delivery in batch:
            if delivery.qos:
                self._paho.ack(delivery.mid, delivery.qos)

    async def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish at QoS 1 and wait for the broker's acknowledgement, which stands behind what is still unread.

        Raises LinkLostError; one that never comes is a lost link too, for ``batch`` as well.
        """
        lost = self._client._disconnected
        overdue = asyncio.ensure_future(self._overdue())
        publishing = asyncio.ensure_future(
            self._client.publish(topic, payload, qos=1, retain=retain, timeout=math.inf)
        )
        try:
            await asyncio.wait((publishing, lost, overdue), return_when=asyncio.FIRST_COMPLETED)
            if not publishing.done():
                if not lost.done():
                    lost.set_exception(aiomqtt.MqttError("the broker does not acknowledge what is published"))
                raise LinkLostError(_reason(lost))
            publishing.result()
        except aiomqtt.MqttError as error:
            raise LinkLostError(str(error)) from error
        finally:
            publishing.cancel()
            overdue.cancel()

    async def _overdue(self) -> None:
        """Returns when an acknowledgement is overdue. Time in which we do not read, or are held up, is not counted."""
        quiet_s = reading_s = 0.0
        while quiet_s < PUBACK_QUIET_S and reading_s < PUBACK_LONGEST_S:
            arrived, paused = self._inbox.arrived, self._paused
            await asyncio.sleep(_TICK_S)
            if not (paused or self._paused):
                reading_s += _TICK_S
                quiet_s += _TICK_S if self._inbox.arrived == arrived else 0.0

    async def subscribe(self, filters: Sequence[str]) -> None:
        """Subscribe at QoS 1. Raises LinkLostError when the broker does not grant it.

        Over a session that was there before, what waits in it comes at once, and it can be more than the inbox holds:
        mosquitto 2.0 does not keep to its window then. The answer stands behind it, and so is waited for only until
        the inbox is full, or for CONNECT_TIMEOUT_S if messages do come; a refusal after that is a lost link.
        """
        lost = self._client._disconnected
        granting = self._granting = asyncio.ensure_future(self._granted(filters))
        full = asyncio.ensure_future(self._full.wait())
        await asyncio.wait(
            (granting, full, lost), timeout=CONNECT_TIMEOUT_S, return_when=asyncio.FIRST_COMPLETED
        )
        full.cancel()
        if granting.done():
            granting.result()
        elif lost.done():
            raise LinkLostError(_reason(lost))
        elif self._full.is_set() or self._inbox.arrived:
            granting.add_done_callback(self._judge)
        else:
            raise LinkLostError("the broker does not answer the subscription")

    async def _granted(self, filters: Sequence[str]) -> None:
        codes = await self._client.subscribe([(f, 1) for f in filters], timeout=math.inf)
        for topic, code in zip(filters, codes, strict=True):
            value = int(getattr(code, "value", code))  # type: ignore[call-overload]  # 3.1.1 gives numbers
            if value > _GRANTED_MAX:
                raise LinkLostError(f"the broker refused the subscription to {topic} (code {value})")

    def _judge(self, granting: asyncio.Task[None]) -> None:
        """End the link if the subscription is refused after all."""
        error = None if granting.cancelled() else granting.exception()
        if error is not None and not self._client._disconnected.done():
            self._client._disconnected.set_exception(error)

    def close(self) -> None:
        """Leave nothing waiting."""
        if self._granting is not None:
            self._granting.cancel()

    def _pause(self) -> None:
        sock = self._paho.socket()
        if not self._paused and sock is not None:
            self._paused = True
            self._full.set()
            asyncio.get_running_loop().remove_reader(sock.fileno())

    def _resume(self) -> None:
        sock = self._paho.socket()
        if self._paused and sock is not None and not self._inbox.above(0.5):
            self._paused = False
            asyncio.get_running_loop().add_reader(sock.fileno(), self._read)

    def _read(self) -> None:
        """What aiomqtt does when the socket is readable; after a pause the reader is ours."""
        try:
            self._paho.loop_read()
            while _bytes_decrypted(self._paho.socket()):
                self._paho.loop_read()
        except Exception as error:
            if not self._client._disconnected.done():
                self._client._disconnected.set_exception(error)


@asynccontextmanager
async def connect(
    address: Address, client_id: str, filters: Sequence[str], keepalive_s: int = KEEPALIVE_S
) -> AsyncIterator[AiomqttLink]:
    """A link over a durable session, subscribed to ``filters``. Raises LinkLostError, in one plain sentence.

    ``keepalive_s``: silence after which the other side is asked for a sign of life.
    """
    five = address.version == "5"
    inbox = _Inbox()
    client = aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        identifier=client_id,
        queue_type=cast("type[asyncio.Queue[aiomqtt.Message]]", lambda maxsize=0: inbox),
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        clean_session=None if five else False,
        clean_start=False if five else MQTT_CLEAN_START_FIRST_ONLY,  # paho's word for "not given"
        properties=_durable() if five else None,
        keepalive=keepalive_s,
        timeout=CONNECT_TIMEOUT_S,
        tls_context=address.tls,
    )
    client._client.manual_ack_set(True)
    client._client.connect_timeout = (
        CONNECT_TIMEOUT_S  # of the connection itself, and again of the TLS handshake
    )
    link = AiomqttLink(client, inbox)
    try:
        async with _entered(client, link, address):
            await link.subscribe(filters)
            yield link
    except aiomqtt.MqttError as error:
        raise LinkLostError(str(error) or type(error).__name__) from error
    finally:
        link.close()
        _hang_up(client)


@asynccontextmanager
async def _entered(client: aiomqtt.Client, link: AiomqttLink, address: Address) -> AsyncIterator[None]:
    """Connect, and say in plain words why if that fails. Raises LinkLostError, or MqttError from what is inside."""
    heard: list[str] = []
    _listen_to_login(client, link, heard, "" if address.tls else "; one that wants TLS is at mqtts://")
    try:
        await client.__aenter__()
    except MqttConnectError as error:
        raise LinkLostError(f"the broker refuses the login: {error.rc}") from error
    except aiomqtt.MqttError as error:
        cause = error.__context__ if isinstance(error.__context__, OSError) else error
        reason = why(address.host, address.port, cause, " ".join(heard), tls=address.tls is not None)
        raise LinkLostError(reason) from error
    finally:
        client._client.on_log = None
    try:
        yield
    finally:
        await client.__aexit__(None, None, None)


def _listen_to_login(client: aiomqtt.Client, link: AiomqttLink, heard: list[str], hint: str) -> None:
    """Two things that aiomqtt passes over: whether there was a session, and a connection that ends before its answer.

    Without the second a broker that hangs up (as for want of a client certificate) would be waited for in vain.
    ``heard`` takes the errors that paho logs meanwhile.
    """
    paho, loop = client._client, asyncio.get_running_loop()
    connected, disconnected = client._on_connect, client._on_disconnect

    def on_connect(paho: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
        link._session_present = flags.session_present
        connected(paho, userdata, flags, reason, properties)

    def on_disconnect(paho: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
        loop.call_soon_threadsafe(hung_up)
        disconnected(paho, userdata, flags, reason, properties)

    def hung_up() -> None:
        if not client._connected.done():
            client._connected.set_exception(aiomqtt.MqttError(f"the broker hangs up without an answer{hint}"))

    def on_log(paho: Any, userdata: Any, level: int, text: str) -> None:
        if level == MQTT_LOG_ERR:
            heard.append(text)

    paho.on_connect, paho.on_disconnect, paho.on_log = on_connect, on_disconnect, on_log


def _hang_up(client: aiomqtt.Client) -> None:
    """Close the socket if it is still open: aiomqtt leaves one that it gave up, and the task that looks after it."""
    client._client._sock_close()


def _durable() -> Properties:
    """Of a session that lasts. MaximumPacketSize stays out: what is larger would take a place in mosquitto's window
    for ever, and twenty of them stop the delivery. The broker's own max_packet_size is the limit.
    """
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = SESSION_EXPIRY_S
    return properties


def _bytes_decrypted(sock: Any) -> int:
    """Bytes that TLS has read and decrypted already, so that the socket itself may stay silent about them."""
    return sock.pending() if isinstance(sock, ssl.SSLSocket) else 0


def _size_bytes(message: aiomqtt.Message) -> int:
    return len(message.topic.value) + len(_bytes(message.payload))


def _bytes(payload: Any) -> bytes:
    return payload if isinstance(payload, bytes) else b""


def _reason(lost: asyncio.Future[None]) -> str:
    error = lost.exception() if not lost.cancelled() else None
    return str(error) if error else "disconnected"
