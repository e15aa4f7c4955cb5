"""The TLS listener of the shipped configuration, opened as the file says: who gets in, and as whom.

With passwords over TLS, and with client certificates, whose common name is then the user name of the access list.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from shared.topics import subscriptions
from tests.config.authority import Authority
from tests.config.shipped import BOUND_S, configuration, write_passwords

PASSWORD = "a password of oven-1"


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


@pytest.fixture
def passwords(tool: Callable[[str], str], tmp_path: Path) -> Path:
    path = tmp_path / "passwd"
    write_passwords(path, tool("mosquitto_passwd"), {"oven-1": PASSWORD})
    return path


@pytest.fixture
def by_certificate(start_mosquitto: Any, authority: Authority, passwords: Path, tmp_path: Path) -> Any:
    """The shipped broker that asks for client certificates."""
    secured = authority.of_broker("localhost", clients=authority.certificate)
    return start_mosquitto(lambda port: configuration(port, tmp_path, passwords, secured))


def client(
    port: int, authority: Authority, certificate: tuple[Path, Path] | None = None, **options: Any
) -> aiomqtt.Client:
    context = ssl.create_default_context(cafile=authority.certificate)
    if certificate is not None:
        context.load_cert_chain(*certificate)
    return aiomqtt.Client("localhost", port, tls_context=context, timeout=2, **options)


async def received_until(client: aiomqtt.Client, last: bytes) -> list[tuple[str, object]]:
    """Topics and payloads that arrive, up to the one whose payload is ``last``."""
    arrived: list[tuple[str, object]] = []
    async with asyncio.timeout(BOUND_S):
        async for message in client.messages:
            arrived.append((str(message.topic), message.payload))
            if message.payload == last:
                break
    return arrived


async def test_passwords_go_over_tls(
    start_mosquitto: Any, authority: Authority, passwords: Path, tmp_path: Path
) -> None:
    secured = authority.of_broker("localhost")
    broker = start_mosquitto(lambda port: configuration(port, tmp_path, passwords, secured))
    async with client(broker.port, authority, username="oven-1", password=PASSWORD) as rack:
        await rack.publish("lifebound/oven-1/presence", b"here", qos=1)
    for user, password in ((None, None), ("oven-1", "wrong")):
        with pytest.raises(aiomqtt.MqttError, match="Not authorized"):
            async with client(broker.port, authority, username=user, password=password):
                pytest.fail("let in")


async def test_a_rack_is_who_its_certificate_says(by_certificate: Any, authority: Authority) -> None:
    """It publishes under that name only, whatever user name or client id it gives; the monitor reads and answers."""
    oven, monitor = authority.of_client("oven-1"), authority.of_client("monitor")
    port = by_certificate.port
    async with (
        client(port, authority, monitor) as reader,
        client(port, authority, oven, username="monitor", password="any", identifier="oven-2") as rack,
    ):
        for pattern in subscriptions("lifebound"):
            await reader.subscribe(pattern, qos=1)
        await rack.subscribe("lifebound/oven-1/receipt", qos=1)
        for topic in ("oven-2/presence", "oven-2/1/tally", "oven-1/receipt", "monitor/presence"):
            await rack.publish(f"lifebound/{topic}", b"forged", qos=1)
        await rack.publish("lifebound/oven-1/1/tally", b"genuine", qos=1)
        assert await received_until(reader, b"genuine") == [("lifebound/oven-1/1/tally", b"genuine")]
        await reader.publish("lifebound/oven-1/2/tally", b"forged", qos=1)
        await reader.publish("lifebound/oven-1/receipt", b"receipt", qos=1)
        assert await received_until(rack, b"receipt") == [("lifebound/oven-1/receipt", b"receipt")]
        await rack.publish("lifebound/oven-1/1/tally", b"later", qos=1)
        assert await received_until(reader, b"later") == [("lifebound/oven-1/1/tally", b"later")]


async def test_a_password_is_no_certificate(by_certificate: Any, authority: Authority) -> None:
    with pytest.raises(aiomqtt.MqttError):
        async with client(by_certificate.port, authority, username="oven-1", password=PASSWORD) as rack:
            await rack.publish("lifebound/oven-1/presence", b"here", qos=1)
