"""The shipped broker configuration, run by Debian's mosquitto: who is let in, what passes, what survives a restart.

Only the paths and the port of the shipped file are replaced. Messages of one client keep their order in the broker, so
what must not arrive is shown by a later message of the same client that does: no test waits for nothing to happen.
"""

from __future__ import annotations

import asyncio
import re
import secrets
import signal
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchmarks.absence import BEGIN, END, FIRST, RATES_PER_S, tally
from shared.topics import subscriptions
from tests.config.shipped import SHIPPED, configuration, write_passwords

PASSWORDS = {name: secrets.token_urlsafe(12) for name in ("monitor", "oven-1", "oven-2", "+")}
BOUND_S = 20
WEEK_S = 7 * 24 * 3600

Connect = Callable[..., AbstractAsyncContextManager[aiomqtt.Client]]


def settings_of(text: str) -> dict[str, str]:
    """Settings of a mosquitto configuration; each may stand only once."""
    lines = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    settings = dict(line.split(maxsplit=1) for line in lines)
    assert len(settings) == len(lines)
    return settings


@pytest.fixture(scope="module")
def shipped() -> str:
    return (SHIPPED / "mosquitto.conf").read_text("utf-8")


@pytest.fixture
def broker(start_mosquitto: Any, tool: Callable[[str], str], tmp_path: Path) -> Any:
    """Debian's mosquitto with the shipped configuration and a password for each of PASSWORDS."""
    passwords = tmp_path / "passwd"
    write_passwords(passwords, tool("mosquitto_passwd"), PASSWORDS)
    return start_mosquitto(lambda port: configuration(port, tmp_path, passwords))


@pytest.fixture
def connect(broker: Any) -> Connect:
    """Connect to the broker as a user, who is also the client id."""

    def client(user: str | None, **options: Any) -> aiomqtt.Client:
        return aiomqtt.Client(
            broker.host,
            broker.port,
            username=user,
            timeout=BOUND_S,
            **{
                "identifier": user or "nobody",
                "password": PASSWORDS.get(user or ""),
                "protocol": aiomqtt.ProtocolVersion.V5,
                **options,
            },
        )

    return client


@pytest.fixture
async def monitor(connect: Connect) -> AsyncIterator[aiomqtt.Client]:
    async with connect("monitor") as client:
        for pattern in subscriptions("lifebound"):
            await client.subscribe(pattern, qos=1)
        yield client


async def received_until(client: aiomqtt.Client, last: bytes) -> list[tuple[str, bytes]]:
    """Topics and payloads that arrive, up to the one whose payload is ``last``."""
    arrived: list[tuple[str, bytes]] = []
    async with asyncio.timeout(BOUND_S):
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            arrived.append((str(message.topic), message.payload))
            if message.payload == last:
                return arrived
    raise AssertionError("the client closed")


# --- who is let in ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("user", "password"), [(None, None), ("oven-1", None), ("oven-1", "wrong"), ("stranger", "any")]
)
async def test_who_has_no_password_is_not_let_in(
    connect: Connect, user: str | None, password: str | None
) -> None:
    with pytest.raises(aiomqtt.MqttError, match=r"Not authorized"):
        async with connect(user, password=password):
            pass
    async with connect("oven-1") as client:
        await client.publish("lifebound/oven-1/presence", b"here", qos=1)


# --- what passes --------------------------------------------------------------------------------------------------


async def test_a_rack_publishes_its_own_topics_and_the_monitor_receives_them(
    connect: Connect, monitor: aiomqtt.Client
) -> None:
    sent = [
        ("lifebound/oven-1/presence", b"a"),
        ("lifebound/oven-1/1/tally", b"b"),
        ("lifebound/oven-1/12/error", b"c"),
    ]
    async with connect("oven-1") as rack:
        for topic, payload in sent:
            await rack.publish(topic, payload, qos=1)
        assert await received_until(monitor, b"c") == sent


@pytest.mark.parametrize(
    "topic",
    [
        "lifebound/oven-2/presence",
        "lifebound/oven-2/1/tally",
        "lifebound/oven-2/1/error",
        "lifebound/monitor/presence",
        "lifebound/monitor/1/tally",
    ],
)
async def test_a_rack_cannot_speak_for_another(connect: Connect, monitor: aiomqtt.Client, topic: str) -> None:
    async with connect("oven-1") as rack:
        await rack.publish(topic, b"forged", qos=1)
        await rack.publish("lifebound/oven-1/presence", b"genuine", qos=1)
        assert await received_until(monitor, b"genuine") == [("lifebound/oven-1/presence", b"genuine")]
    if topic.startswith("lifebound/oven-2/"):
        async with connect("oven-2") as owner:
            await owner.publish(topic, b"from its owner", qos=1)
            assert await received_until(monitor, b"from its owner") == [(topic, b"from its owner")]


async def test_the_monitor_cannot_pose_as_a_rack(connect: Connect, monitor: aiomqtt.Client) -> None:
    for name in ("monitor", "oven-1"):
        for topic in ("presence", "1/tally", "1/error"):
            await monitor.publish(f"lifebound/{name}/{topic}", b"forged", qos=1)
    async with connect("oven-1") as rack:
        await rack.subscribe("lifebound/oven-1/receipt", qos=1)
        await monitor.publish(
            "lifebound/oven-1/receipt", b"receipt", qos=1
        )  # the monitor can publish, and did by now
        assert await received_until(rack, b"receipt") == [("lifebound/oven-1/receipt", b"receipt")]
        await rack.publish("lifebound/oven-1/presence", b"genuine", qos=1)
        assert await received_until(monitor, b"genuine") == [("lifebound/oven-1/presence", b"genuine")]


async def test_a_rack_reads_its_own_receipt_and_nothing_else(
    connect: Connect, monitor: aiomqtt.Client
) -> None:
    async with connect("oven-1") as rack, connect("oven-2") as other:
        await rack.subscribe("lifebound/#", qos=1)
        await other.publish("lifebound/oven-2/presence", b"theirs", qos=1)
        await other.publish("lifebound/oven-2/1/tally", b"theirs", qos=1)
        await rack.publish("lifebound/oven-1/1/tally", b"own, but not to be read", qos=1)
        await monitor.publish("lifebound/oven-2/receipt", b"for oven-2", qos=1)
        await monitor.publish("lifebound/oven-1/receipt", b"for oven-1", qos=1)
        assert await received_until(rack, b"for oven-1") == [("lifebound/oven-1/receipt", b"for oven-1")]
        assert len(await received_until(monitor, b"own, but not to be read")) == 3  # they did reach a reader


async def test_only_the_monitor_writes_receipts(connect: Connect, monitor: aiomqtt.Client) -> None:
    async with connect("oven-1") as rack, connect("oven-2") as other:
        await rack.subscribe("lifebound/oven-1/receipt", qos=1)
        await rack.publish("lifebound/oven-1/receipt", b"forged", qos=1, retain=True)
        await other.publish("lifebound/oven-1/receipt", b"forged", qos=1, retain=True)
        await monitor.publish("lifebound/oven-1/receipt", b"genuine", qos=1, retain=True)
        assert await received_until(rack, b"genuine") == [("lifebound/oven-1/receipt", b"genuine")]


async def test_a_user_called_as_a_wildcard_may_do_nothing(connect: Connect, monitor: aiomqtt.Client) -> None:
    async with connect("+") as anyone, connect("oven-1") as rack:
        await anyone.publish("lifebound/oven-1/presence", b"forged", qos=1)
        await anyone.publish("lifebound/oven-2/presence", b"forged", qos=1)
        await rack.publish("lifebound/oven-1/presence", b"genuine", qos=1)
        assert await received_until(monitor, b"genuine") == [("lifebound/oven-1/presence", b"genuine")]


async def test_a_rack_cannot_take_over_what_waits_for_the_monitor(connect: Connect) -> None:
    """A client that gives the monitor's client id, and asks for a clean start, would throw the queue away."""
    expiry = Properties(PacketTypes.CONNECT)
    expiry.SessionExpiryInterval = WEEK_S
    durable = {"clean_start": False, "properties": expiry, "identifier": "lifebound-tern-a1"}
    async with connect("monitor", **durable) as client:
        await client.subscribe("lifebound/+/+/tally", qos=1)
    async with connect("oven-1") as rack:
        await rack.publish("lifebound/oven-1/1/tally", b"waiting", qos=1)
    for name in ("lifebound-tern-a1", "monitor"):
        async with connect("oven-2", identifier=name, clean_start=True) as thief:
            await thief.publish("lifebound/oven-2/presence", b"here", qos=1)
    async with connect("monitor", **durable) as client:
        assert await received_until(client, b"waiting") == [("lifebound/oven-1/1/tally", b"waiting")]


async def test_a_packet_over_the_limit_is_refused(
    connect: Connect, monitor: aiomqtt.Client, shipped: str, tmp_path: Path
) -> None:
    """MQTT 3.1.1, whose client is not told of the limit: it is the broker that refuses, by dropping the connection."""
    limit = int(settings_of(shipped)["max_packet_size"])
    old = {"protocol": aiomqtt.ProtocolVersion.V311}
    topic = "lifebound/oven-1/1/tally"
    framing = len(topic) + 8  # at most: fixed header 4 bytes, length of the topic 2, packet id 2
    within = b"w" * (limit - framing)
    async with connect("oven-1", **old) as rack:
        await rack.publish(topic, within, qos=1)
    assert "oversize" not in (tmp_path / "mosquitto.log").read_text()
    async with connect("oven-1", **old) as rack:
        await rack.publish(topic, b"o" * limit, qos=0)
        with pytest.raises(aiomqtt.MqttError, match="Disconnected"):
            async with asyncio.timeout(BOUND_S):
                await anext(aiter(rack.messages))
    assert "oven-1 disconnected due to oversize packet" in (tmp_path / "mosquitto.log").read_text()
    async with connect("oven-1", **old) as rack:
        await rack.publish(topic, b"after", qos=1)
    assert await received_until(monitor, b"after") == [(topic, within), (topic, b"after")]


# --- what survives ------------------------------------------------------------------------------------------------


async def test_a_durable_session_survives_a_restart_with_more_than_the_default_queue(
    connect: Connect, broker: Any
) -> None:
    """1200 messages: mosquitto's default of max_queued_messages, 1000, would drop the last 200."""
    expiry = Properties(PacketTypes.CONNECT)
    expiry.SessionExpiryInterval = WEEK_S
    durable = {"clean_start": False, "properties": expiry}
    async with connect("monitor", **durable) as client:
        await client.subscribe("lifebound/+/+/tally", qos=1)
    sent = [f"tally {number}".encode() for number in range(1200)]
    async with connect("oven-1") as rack:
        for payload in sent:
            await rack.publish("lifebound/oven-1/1/tally", payload, qos=1)
        await rack.publish("lifebound/oven-1/presence", b"online", qos=1, retain=True)
    before = broker.pid
    broker.restart(signal.SIGTERM)
    assert broker.pid != before
    async with connect("monitor", **durable) as client:  # does not subscribe again: the session knows
        arrived = await received_until(client, sent[-1])
        assert [payload for _, payload in arrived] == sent
        await client.subscribe("lifebound/+/presence", qos=1)
        assert await received_until(client, b"online") == [("lifebound/oven-1/presence", b"online")]


async def test_a_session_that_is_not_durable_gets_nothing_of_what_it_missed(connect: Connect) -> None:
    async with connect("monitor", clean_start=True) as client:
        await client.subscribe("lifebound/+/+/tally", qos=1)
    async with connect("oven-1") as rack:
        await rack.publish("lifebound/oven-1/1/tally", b"missed", qos=1)
        async with connect("monitor", clean_start=False) as client:
            await client.subscribe("lifebound/+/+/tally", qos=1)
            await rack.publish("lifebound/oven-1/1/tally", b"seen", qos=1)
            assert await received_until(client, b"seen") == [("lifebound/oven-1/1/tally", b"seen")]


async def test_the_plain_broker_keeps_port_and_session_over_a_restart(mosquitto: Any) -> None:
    """The fixture that other tests build on: anonymous, durable, stopped and started again by pid."""
    expiry = Properties(PacketTypes.CONNECT)
    expiry.SessionExpiryInterval = WEEK_S

    def client(identifier: str, **options: Any) -> aiomqtt.Client:
        return aiomqtt.Client(
            mosquitto.host,
            mosquitto.port,
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            timeout=BOUND_S,
            **options,
        )

    async with client("reader", clean_start=False, properties=expiry) as reader:
        await reader.subscribe("t", qos=1)
    async with client("writer") as writer:
        await writer.publish("t", b"kept", qos=1)
    mosquitto.restart(signal.SIGTERM)
    async with client("reader", clean_start=False, properties=expiry) as reader:
        assert await received_until(reader, b"kept") == [("t", b"kept")]
    mosquitto.stop()
    with pytest.raises(aiomqtt.MqttError):
        async with client("writer"):
            pass


# --- what the files say -------------------------------------------------------------------------------------------


def test_the_settings_that_durability_and_access_rest_on(shipped: str) -> None:
    """Contract: sessions of at least seven days, payloads up to 16 KiB. Nothing open beyond this machine."""
    settings = settings_of(shipped)
    assert settings["allow_anonymous"] == "false"
    assert settings["listener"] == "1883 127.0.0.1"
    assert settings["persistence"] == "true"
    assert int(settings["autosave_interval"]) > 0
    assert int(settings["max_queued_messages"]) > 1000
    assert int(settings["max_queued_bytes"]) > 0
    assert 16 * 1024 + 256 < int(settings["max_packet_size"]) <= 64 * 1024
    assert settings["persistent_client_expiration"] == "14d"


def test_the_measured_table_of_the_readme_belongs_to_these_settings(shipped: str) -> None:
    """Whoever changes a limit has to measure again (``make absence``)."""
    settings = settings_of(shipped)
    messages, size = int(settings["max_queued_messages"]), int(settings["max_queued_bytes"])
    readme = (SHIPPED / "README.md").read_text("utf-8")
    measured = readme.partition(BEGIN)[2].partition(END)[0]
    rows = re.findall(
        r"^\| [^|]+ \| (\d+) \| (\d+) \| (\d+) \| (messages|bytes) \| ([\d.,]+) \| ([\d.,]+) \| ([\d.,]+) \|$",
        measured,
        re.MULTILINE,
    )
    assert [int(payload) for payload, *_ in rows] == [len(tally(20, FIRST)), len(tally(64, FIRST)), 16 * 1024]
    for payload, kept, kept_bytes, limit, *hours in rows:
        assert int(kept) * int(payload) == int(kept_bytes)
        reached = int(kept) / messages if limit == "messages" else int(kept_bytes) / size
        assert 0.99 < reached < 1.01
        assert hours == [f"{int(kept) / rate / 3600:,.1f}" for rate in RATES_PER_S]
    assert f"`max_queued_messages` = {messages}" in readme
    assert f"`max_queued_bytes` = {size}" in readme
    assert f"`autosave_interval` = {settings['autosave_interval']} s" in readme


def test_a_missing_tool_skips_a_test_unless_it_is_required(
    tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LIFEBOUND_REQUIRE_TOOLS", raising=False)
    with pytest.raises(pytest.skip.Exception, match="not installed"):
        tool("no-such-program")
    monkeypatch.setenv("LIFEBOUND_REQUIRE_TOOLS", "1")
    with pytest.raises(pytest.fail.Exception, match="LIFEBOUND_REQUIRE_TOOLS"):
        tool("no-such-program")
    assert Path(tool("sh")).is_file()
