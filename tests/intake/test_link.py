"""The seam to MQTT against a real broker, for MQTT 5 and 3.1.1: what is promised about acknowledging and losing.

Three private attributes of aiomqtt are used behind the seam; a release that changes what they do fails here.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import uuid
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from monitor.intake import link as link_module
from monitor.intake.link import Address, AiomqttLink, Delivery, LinkLostError, Version, connect

pytestmark = pytest.mark.timeout(60)
BOUND_S = 15  # far above what any step takes; it ends a test that would wait for ever
FILTERS = ("bench/+/tally", "bench/+/error")
PLUGIN = Path("/usr/lib") / f"{os.uname().machine}-linux-gnu" / "mosquitto_dynamic_security.so"
Start = Callable[[Callable[[int], str]], Any]


@pytest.fixture(params=["5", "3.1.1"])
def version(request: pytest.FixtureRequest) -> Version:
    value: Version = request.param
    return value


Connect = Callable[[], AbstractAsyncContextManager[AiomqttLink]]


@pytest.fixture
def monitor(mosquitto: Any, version: Version) -> Connect:
    """Connect as the monitor: always under the same client id."""
    return lambda: connect(Address("127.0.0.1", mosquitto.port, version), "lifebound-bench", FILTERS)


async def send(port: int, numbers: Iterable[int], topic: str = "bench/1/tally") -> None:
    """Publish numbered messages in order; returns once the broker has them all."""
    async with aiomqtt.Client("127.0.0.1", port, identifier=f"rack-{uuid.uuid4().hex}") as rack:
        for number in numbers:
            await rack.publish(topic, b"%d" % number, qos=1)


async def take(link: AiomqttLink, count: int, *, acknowledge: bool) -> list[Delivery]:
    """The next ``count`` messages."""
    taken: list[Delivery] = []
    async with asyncio.timeout(BOUND_S):
        while len(taken) < count:
            batch = await link.batch()
            assert batch, "a batch is never empty"
            taken += batch
            if acknowledge:
                link.acknowledge(batch)
    return taken


def numbers(deliveries: Sequence[Delivery]) -> list[int]:
    return [int(d.payload) for d in deliveries]


async def until(condition: Callable[[], bool]) -> None:
    """Wait until a condition holds, within bounds."""
    async with asyncio.timeout(BOUND_S):
        while not condition():  # noqa: ASYNC110 - there is no event for what happens inside the client
            await asyncio.sleep(0.005)  # the pause of a bounded poll


# ---------------------------------------------------------------- acknowledging


async def test_nothing_is_acknowledged_until_it_is(mosquitto: Any, monitor: Connect) -> None:
    async with monitor() as link:
        await send(mosquitto.port, range(10))
        assert numbers(await take(link, 10, acknowledge=False)) == list(range(10))
    async with monitor() as link:
        again = await take(link, 10, acknowledge=False)
        assert numbers(again) == list(range(10)), "nobody acknowledged them: all come again, in order"
        link.acknowledge(again[:4])
    async with monitor() as link:
        rest = await take(link, 6, acknowledge=True)
        assert numbers(rest) == [4, 5, 6, 7, 8, 9], "what was acknowledged does not come again"
    async with monitor() as link:
        await send(mosquitto.port, [99])
        assert numbers(await take(link, 1, acknowledge=True)) == [99], "and now nothing is left"


async def test_what_was_taken_by_one_that_died_comes_again(mosquitto: Any, version: Version) -> None:
    """As with a killed monitor: the connection goes without a goodbye, with messages in hand."""
    address = Address("127.0.0.1", mosquitto.port, version)
    async with connect(address, "lifebound-bench", FILTERS) as link:
        await send(mosquitto.port, range(5))
        link.acknowledge((await take(link, 5, acknowledge=False))[:2])
        await link.publish("bench/flush", b"", retain=False)  # the acknowledgements before it have arrived
        plug = link._paho.socket()
        assert isinstance(plug, socket.socket)
        plug.shutdown(socket.SHUT_RDWR)
        with pytest.raises(LinkLostError):
            await take(link, 1, acknowledge=False)
    async with connect(address, "lifebound-bench", FILTERS) as link:
        assert numbers(await take(link, 3, acknowledge=True)) == [2, 3, 4]


async def test_messages_come_in_order_in_batches_of_bounded_size(
    mosquitto: Any, monitor: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "BATCH_MAX", 7)
    async with monitor() as link:
        await send(mosquitto.port, range(100))
        sizes, seen = [], []
        while len(seen) < 100:
            async with asyncio.timeout(BOUND_S):
                batch = await link.batch()
            link.acknowledge(batch)
            sizes.append(len(batch))
            seen += numbers(batch)
        assert seen == list(range(100))
        assert max(sizes) <= 7
        assert len(sizes) < 100, "a batch takes what is there"


async def test_a_delivery_carries_topic_and_bytes(mosquitto: Any, monitor: Connect) -> None:
    async with monitor() as link, aiomqtt.Client("127.0.0.1", mosquitto.port) as rack:
        sent = [("bench/1/tally", b"\x00\xff\xfe"), ("bench/2/error", b""), ("bench/ü/tally", b"x" * 20_000)]
        for topic, payload in sent:
            await rack.publish(topic, payload, qos=1)
        await rack.publish("other/1/tally", b"not ours", qos=1)
        await rack.publish("bench/1/tally", b"last", qos=0)
        taken = await take(link, 4, acknowledge=True)
        assert [(d.topic, d.payload) for d in taken] == [*sent, ("bench/1/tally", b"last")]


# ---------------------------------------------------------------- the session lasts


async def test_messages_are_kept_while_the_monitor_is_away(mosquitto: Any, monitor: Connect) -> None:
    async with monitor() as link:
        await send(mosquitto.port, [0])
        await take(link, 1, acknowledge=True)
    await send(mosquitto.port, range(1, 301))
    async with monitor() as link:
        assert numbers(await take(link, 300, acknowledge=True)) == list(range(1, 301))


async def test_messages_are_kept_over_a_clean_restart_of_the_broker(mosquitto: Any, monitor: Connect) -> None:
    async with monitor():
        pass
    await send(mosquitto.port, range(20))
    mosquitto.restart()
    async with monitor() as link:
        assert numbers(await take(link, 20, acknowledge=True)) == list(range(20))


# ---------------------------------------------------------------- backpressure


@pytest.fixture
def generous(start_mosquitto: Start) -> Any:
    """A broker that sends much without waiting for acknowledgements: it is for us to stop reading."""
    return start_mosquitto(
        lambda port: (
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 0\nmax_queued_messages 0\n"
        )
    )


async def test_a_full_inbox_pauses_reading_and_loses_nothing(
    generous: Any, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    high, many = 10, 400
    monkeypatch.setattr(link_module, "INBOX_HIGH", high)
    monkeypatch.setattr(link_module, "BATCH_MAX", 4)
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        await send(generous.port, range(many))
        await until(lambda: link._paused)
        assert link._inbox.qsize() == high
        await send(generous.port, range(many, many + 50))  # the broker takes more, and it stays there
        assert link._inbox.qsize() == high
        taken: list[Delivery] = []
        paused = resumed = 0
        while (
            len(taken) < many + 50
        ):  # nothing is acknowledged: it is not the broker's window that holds it back
            before = link._paused
            async with asyncio.timeout(BOUND_S):
                taken += await link.batch()
            assert link._inbox.qsize() <= high
            paused += link._paused and not before
            resumed += before and not link._paused
        assert numbers(taken) == list(range(many + 50))
        assert resumed > 1, "it paused and went on more than once"
        link.acknowledge(taken)
        await link.publish("bench/flush", b"", retain=False)
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        await send(generous.port, [99])
        assert numbers(await take(link, 1, acknowledge=True)) == [99]


async def test_a_loss_is_noticed_while_reading_is_paused(
    generous: Any, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "INBOX_HIGH", 10)
    monkeypatch.setattr(link_module, "BATCH_MAX", 1)
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        await send(generous.port, range(100))
        await until(lambda: link._paused)
        generous.stop(signal.SIGKILL)
        with pytest.raises(LinkLostError):
            await take(link, 101, acknowledge=True)


# ---------------------------------------------------------------- refused, lost, not there


@pytest.fixture
def refusing(start_mosquitto: Start, tmp_path: Path) -> Any:
    """A broker that lets everybody in and grants no subscription (its access lists refuse none; its plugin does)."""
    if not PLUGIN.exists():
        reason = f"{PLUGIN} is not installed"
        if os.environ.get("LIFEBOUND_REQUIRE_TOOLS"):
            pytest.fail(reason)
        pytest.skip(reason)
    rules = tmp_path / "rules.json"
    allowed = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    rules.write_text(json.dumps({"defaultACLAccess": allowed, "clients": [], "groups": [], "roles": []}))
    return start_mosquitto(
        lambda port: (
            f"listener {port} 127.0.0.1\nallow_anonymous true\nplugin {PLUGIN}\nplugin_opt_config_file {rules}\n"
        )
    )


async def test_a_refused_subscription_is_no_link(refusing: Any, version: Version) -> None:
    with pytest.raises(LinkLostError, match=r"refused the subscription to bench/\+/tally \(code 1(28|35)\)"):
        async with connect(Address("127.0.0.1", refusing.port, version), "lifebound-bench", FILTERS):
            pytest.fail("there is no link without its subscriptions")


async def test_a_refused_login_is_no_link(start_mosquitto: Start, version: Version) -> None:
    broker = start_mosquitto(lambda port: f"listener {port} 127.0.0.1\nallow_anonymous false\n")
    address = Address("127.0.0.1", broker.port, version, username="monitor", password="wrong")
    with pytest.raises(LinkLostError, match=r"(?i)not authori[sz]ed"):
        async with connect(address, "lifebound-bench", FILTERS):
            pytest.fail("the broker knows no such user")


async def test_no_broker_is_no_link(version: Version) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound and not listening: connections are refused
        with pytest.raises(LinkLostError, match=r"(?i)refused"):
            async with connect(Address("127.0.0.1", nobody.getsockname()[1], version), "x", FILTERS):
                pytest.fail("there is nobody")


async def test_a_lost_connection_ends_the_wait_for_messages(mosquitto: Any, monitor: Connect) -> None:
    async with monitor() as link:
        waiting = asyncio.create_task(link.batch())
        await asyncio.sleep(0)  # it waits now
        mosquitto.stop(signal.SIGKILL)
        with pytest.raises(LinkLostError):
            await asyncio.wait_for(waiting, BOUND_S)


async def test_after_a_loss_acknowledging_is_harmless_and_publishing_says_so(
    mosquitto: Any, monitor: Connect
) -> None:
    async with monitor() as link:
        await send(mosquitto.port, range(3))
        taken = await take(link, 3, acknowledge=False)
        mosquitto.stop(signal.SIGKILL)
        await until(link._client._disconnected.done)
        link.acknowledge(taken)
        with pytest.raises(LinkLostError):
            await asyncio.wait_for(link.publish("bench/1/receipt", b"{}", retain=True), BOUND_S)


# ---------------------------------------------------------------- publishing


@asynccontextmanager
async def frozen(pid: int) -> AsyncIterator[None]:
    """A broker that does nothing for a while."""
    os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


async def test_publishing_waits_for_the_broker(mosquitto: Any, monitor: Connect) -> None:
    async with monitor() as link:
        async with frozen(mosquitto.pid):
            publishing = asyncio.create_task(link.publish("bench/1/receipt", b"{}", retain=True))
            await until(lambda: bool(link._client._pending_publishes))  # it is on its way
            await until(lambda: not link._paho.want_write())  # and gone out to a broker that cannot answer
            assert not publishing.done()
        async with asyncio.timeout(BOUND_S):
            await publishing
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as reader, asyncio.timeout(BOUND_S):
        await reader.subscribe("bench/1/receipt")
        message = await anext(aiter(reader.messages))
        assert message.retain
        assert message.payload == b"{}"


def test_an_address_keeps_its_password_to_itself() -> None:
    assert repr(Address("h", 1, username="u", password="secret")) == "mqtt://h:1"
