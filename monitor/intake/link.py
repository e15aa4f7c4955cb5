"""The one seam to MQTT: connect, take messages in batches, acknowledge a batch in order, publish.

Behind it is aiomqtt; another client can take its place. Three things are reached through private attributes of the
pinned version, all here and all held by tests: manual acknowledgement (``_client.manual_ack_set``, ``.ack``), the
future that tells a lost connection (``_disconnected``), and paho's socket (``_client.socket``), on which reading is
paused while the inbox is full, so that the broker and not our memory keeps what we cannot take yet.
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
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

SESSION_EXPIRY_S = 14 * 24 * 3600
KEEPALIVE_S = 30
CONNECT_TIMEOUT_S = 10
LINGER_S = 0.005  # after the first message of a batch, so that one commit serves many
BATCH_MAX = 1000
INBOX_HIGH = 4 * BATCH_MAX
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
    """aiomqtt's queue of incoming messages, which asks to pause when it runs full."""

    pause: Any = None

    def _put(self, item: aiomqtt.Message) -> None:
        super()._put(item)
        if self.qsize() >= INBOX_HIGH and self.pause is not None:
            self.pause()


class AiomqttLink:
    """A link through one aiomqtt client (one client serves one connection, never two)."""

    def __init__(self, client: aiomqtt.Client, inbox: _Inbox) -> None:
        self._client = client
        self._paho = client._client
        self._inbox = inbox
        self._paused = False
        inbox.pause = self._pause

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
        return [Delivery(str(m.topic), _bytes(m.payload), m.mid, m.qos) for m in messages]

    def acknowledge(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge a whole batch, in order; on a dead connection it does nothing and the broker sends again."""
        for delivery in batch:
            if delivery.qos:
                self._paho.ack(delivery.mid, delivery.qos)

    async def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Publish at QoS 1 and wait for the broker's acknowledgement, which stands behind what is still unread."""
        lost = self._client._disconnected
        publishing = asyncio.ensure_future(
            self._client.publish(topic, payload, qos=1, retain=retain, timeout=math.inf)
        )
        try:
            await asyncio.wait((publishing, lost), return_when=asyncio.FIRST_COMPLETED)
            if not publishing.done():
                raise LinkLostError(_reason(lost))
            publishing.result()
        except aiomqtt.MqttError as error:
            raise LinkLostError(str(error)) from error
        finally:
            publishing.cancel()

    async def subscribe(self, filters: Sequence[str]) -> None:
        """Subscribe at QoS 1. Raises LinkLostError when the broker does not grant it."""
        codes = await self._client.subscribe([(f, 1) for f in filters])
        for topic, code in zip(filters, codes, strict=True):
            value = int(getattr(code, "value", code))  # type: ignore[call-overload]  # 3.1.1 gives numbers
            if value > _GRANTED_MAX:
                raise LinkLostError(f"the broker refused the subscription to {topic} (code {value})")

    def _pause(self) -> None:
        sock = self._paho.socket()
        if not self._paused and sock is not None:
            self._paused = True
            asyncio.get_running_loop().remove_reader(sock.fileno())

    def _resume(self) -> None:
        sock = self._paho.socket()
        if self._paused and sock is not None and self._inbox.qsize() < INBOX_HIGH // 2:
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
async def connect(address: Address, client_id: str, filters: Sequence[str]) -> AsyncIterator[AiomqttLink]:
    """A link over a durable session, subscribed to ``filters``. Raises LinkLostError."""
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
        keepalive=KEEPALIVE_S,
        timeout=CONNECT_TIMEOUT_S,
        tls_context=address.tls,
    )
    client._client.manual_ack_set(True)
    link = AiomqttLink(client, inbox)
    try:
        async with client:
            await link.subscribe(filters)
            yield link
    except aiomqtt.MqttError as error:
        raise LinkLostError(str(error) or type(error).__name__) from error


def _durable() -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = SESSION_EXPIRY_S
    return properties


def _bytes_decrypted(sock: Any) -> int:
    """Bytes that TLS has read and decrypted already, so that the socket itself may stay silent about them."""
    return sock.pending() if isinstance(sock, ssl.SSLSocket) else 0


def _bytes(payload: Any) -> bytes:
    return payload if isinstance(payload, bytes) else b""


def _reason(lost: asyncio.Future[None]) -> str:
    error = lost.exception() if not lost.cancelled() else None
    return str(error) if error else "disconnected"
