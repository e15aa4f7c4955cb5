"""The seam to MQTT against a real broker, for MQTT 5 and 3.1.1: what is promised about acknowledging and losing.

Some private attributes of aiomqtt are used behind the seam; a release that changes what they do fails here. Between
link and broker a small relay of this file's own can go dark (both sockets stay open and nothing passes any more, as
when a cable is cut) or swallow the broker's acknowledgements.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import signal
import socket
import uuid
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from monitor.intake import link as link_module
from monitor.intake.link import Address, AiomqttLink, Delivery, LinkLostError, Version, connect
from shared.quantities import MAX_PAYLOAD_BYTES

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


async def arrived(link: AiomqttLink) -> None:
    """Returns once the broker has read all that we have sent.

    A next connection of the same client that is quicker than that ends this one, and the broker forgets the rest.
    """
    async with asyncio.timeout(BOUND_S):
        await link.publish("bench/flush", b"", retain=False)


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
    if acknowledge:
        await arrived(link)
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
        await arrived(link)
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
        await arrived(link)
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
        sizes: list[int] = []
        seen: list[int] = []
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
        sent = [
            ("bench/1/tally", b"\x00\xff\xfe"),
            ("bench/2/error", b""),
            ("bench/ü/tally", b"x" * MAX_PAYLOAD_BYTES),
        ]
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
        await arrived(link)
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


async def test_more_than_the_inbox_holds_may_come_before_the_answer_to_the_subscription(
    mosquitto: Any, monitor: Connect, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A link that is lost in the middle of a backlog: mosquitto 2.0 then sends all the rest at once on the next one,
    whatever its window, and answers the subscription behind it.
    """
    monkeypatch.setattr(link_module, "INBOX_HIGH", 50)
    monkeypatch.setattr(link_module, "BATCH_MAX", 20)
    async with monitor():
        pass
    await send(mosquitto.port, range(3000))
    seen: dict[int, None] = {}  # in the order of the first arrival; a few may come twice

    async def take_until(link: AiomqttLink, most: int) -> None:
        async with asyncio.timeout(BOUND_S):
            while len(seen) < most:
                batch = await link.batch()
                link.acknowledge(batch)
                seen.update(dict.fromkeys(numbers(batch)))

    async with monitor() as link:
        await take_until(link, 500)
    async with monitor() as link:
        assert link._granting is not None
        if link._granting.done():
            pytest.skip("this mosquitto keeps to its window")
        await take_until(link, 3000)
        assert list(seen) == list(range(3000))
        await until(link._granting.done)
        await arrived(link)
    async with monitor() as link:
        await send(mosquitto.port, [99])
        assert numbers(await take(link, 1, acknowledge=True)) == [99], "and nothing comes twice"


# ---------------------------------------------------------------- bounds


def resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


async def test_payloads_of_ten_megabytes_take_no_room(
    generous: Any, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    """200 MB arrive; the inbox keeps of each what shows that it is too long."""
    many, huge = 20, b"x" * 10_000_000
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        before = resident_bytes()
        async with aiomqtt.Client("127.0.0.1", generous.port, timeout=BOUND_S) as rack:
            for _ in range(many):
                await rack.publish("bench/1/tally", huge, qos=1)
            await rack.publish("bench/1/tally", b"7", qos=1)
        await until(lambda: link._inbox.qsize() == many + 1)
        assert link._inbox.size_bytes < (many + 1) * (MAX_PAYLOAD_BYTES + 100)
        assert resident_bytes() - before < many * len(huge) / 2
        taken = await take(link, many + 1, acknowledge=True)
        assert link._inbox.size_bytes == 0
        assert [len(d.payload) for d in taken] == [MAX_PAYLOAD_BYTES + 1] * many + [1]


async def test_an_inbox_full_of_bytes_pauses_reading_and_loses_nothing(
    generous: Any, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    high, many = 100_000, 60
    monkeypatch.setattr(link_module, "INBOX_HIGH_BYTES", high)
    monkeypatch.setattr(link_module, "BATCH_MAX", 4)
    payloads = [b"%05d" % n + b"x" * (MAX_PAYLOAD_BYTES - 5) for n in range(many)]
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        async with aiomqtt.Client("127.0.0.1", generous.port) as rack:
            for payload in payloads:
                await rack.publish("bench/1/tally", payload, qos=1)
        await until(lambda: link._paused)
        taken: list[Delivery] = []
        while len(taken) < many:
            assert link._inbox.size_bytes < high + MAX_PAYLOAD_BYTES + 100
            async with asyncio.timeout(BOUND_S):
                taken += await link.batch()
        assert [d.payload for d in taken] == payloads


async def test_what_is_too_long_leaves_the_way_free_for_what_follows(
    mosquitto: Any, version: Version
) -> None:
    """More of them than the broker's window of 20, at the size of a packet that no rack needs."""
    async with connect(Address("127.0.0.1", mosquitto.port, version), "lifebound-bench", FILTERS) as link:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as rack:
            for _ in range(50):
                await rack.publish("bench/1/tally", b"x" * 200_000, qos=1)
        await send(mosquitto.port, [7])
        taken = await take(link, 51, acknowledge=True)
        assert [d.payload for d in taken if len(d.payload) <= MAX_PAYLOAD_BYTES] == [b"7"]


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


# ---------------------------------------------------------------- silent and stuck connections


PUBACK = 0x40


@dataclass
class Relay:
    """Passes on what clients and a broker say; a connection that is dark when it should pass something never does."""

    target: int
    port: int = 0
    dark: bool = False
    swallow: int | None = None  # the first byte of packets of the broker that are not passed on
    _writers: list[asyncio.StreamWriter] = field(default_factory=list)
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        broker_reader, broker_writer = await asyncio.open_connection("127.0.0.1", self.target)
        self._writers += [writer, broker_writer]
        hole = asyncio.Event()  # each connection has its own: one cut is for ever
        self._tasks += [
            asyncio.create_task(self._pass(reader, broker_writer, hole)),
            asyncio.create_task(self._pass_packets(broker_reader, writer, hole)),
        ]

    async def _pass(
        self, source: asyncio.StreamReader, to: asyncio.StreamWriter, hole: asyncio.Event
    ) -> None:
        while data := await source.read(65536):
            self._forward(data, to, hole)
        self._forward(b"", to, hole)

    async def _pass_packets(
        self, source: asyncio.StreamReader, to: asyncio.StreamWriter, hole: asyncio.Event
    ) -> None:
        """Packet by packet, to see what they are."""
        with suppress(asyncio.IncompleteReadError):
            while True:
                head = await source.readexactly(2)
                length = head[1] & 127
                while head[-1] & 128:
                    head += await source.readexactly(1)
                    length += (head[-1] & 127) << 7 * (len(head) - 2)
                packet = head + await source.readexactly(length)
                if head[0] != self.swallow:
                    self._forward(packet, to, hole)
        self._forward(b"", to, hole)

    def _forward(self, data: bytes, to: asyncio.StreamWriter, hole: asyncio.Event) -> None:
        """Pass data on, or the end of the connection (b"")."""
        if self.dark:
            hole.set()
        if hole.is_set():
            return
        if data:
            to.write(data)
        else:
            to.close()

    async def end(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for writer in self._writers:
            writer.close()


@pytest_asyncio.fixture
async def relay(mosquitto: Any) -> AsyncIterator[Relay]:
    relay = Relay(mosquitto.port)
    server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
    relay.port = server.sockets[0].getsockname()[1]
    yield relay
    server.close()
    await relay.end()
    await server.wait_closed()


async def test_a_cut_without_a_goodbye_is_noticed_and_what_was_in_hand_comes_again(
    mosquitto: Any, relay: Relay
) -> None:
    address = Address("127.0.0.1", relay.port)
    async with connect(address, "lifebound-bench", FILTERS, keepalive_s=2) as link:
        await send(mosquitto.port, range(5))
        taken = await take(link, 5, acknowledge=False)
        relay.dark = True
        link.acknowledge(taken[:2])  # goes into the dark
        publishing = asyncio.create_task(link.publish("bench/1/receipt", b"{}", retain=True))
        with pytest.raises(LinkLostError):
            await take(link, 1, acknowledge=False)
        with pytest.raises(LinkLostError):
            await publishing
        await send(mosquitto.port, range(5, 8))  # what comes meanwhile
    relay.dark = False
    async with connect(address, "lifebound-bench", FILTERS) as link:
        assert link.session_present
        assert numbers(await take(link, 8, acknowledge=True)) == list(range(8))


async def test_a_login_that_nobody_answers_ends_and_leaves_nothing_behind(
    relay: Relay, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "CONNECT_TIMEOUT_S", 0.3)
    relay.dark = True
    before = asyncio.all_tasks()
    with pytest.raises(LinkLostError, match=r"127\.0\.0\.1:\d+ does not answer"):
        async with connect(Address("127.0.0.1", relay.port, version), "lifebound-bench", FILTERS):
            pytest.fail("nobody answered")
    await until(lambda: not {t for t in asyncio.all_tasks() - before if "misc_loop" in repr(t)})


async def test_a_publish_that_is_never_acknowledged_is_a_lost_link(
    mosquitto: Any, relay: Relay, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection is alive (pings are answered), and stuck."""
    monkeypatch.setattr(link_module, "PUBACK_QUIET_S", 0.2)
    monkeypatch.setattr(link_module, "_TICK_S", 0.02)
    address = Address("127.0.0.1", relay.port, version)
    relay.swallow = PUBACK
    async with connect(address, "lifebound-bench", FILTERS) as link:
        waiting = asyncio.create_task(link.batch())
        with pytest.raises(LinkLostError, match="does not acknowledge"):
            await asyncio.wait_for(link.publish("bench/1/receipt", b"{}", retain=True), BOUND_S)
        with pytest.raises(LinkLostError, match="does not acknowledge"):
            await asyncio.wait_for(waiting, BOUND_S)
    relay.swallow = None
    async with connect(address, "lifebound-bench", FILTERS) as link:
        await asyncio.wait_for(link.publish("bench/1/receipt", b"{}", retain=True), BOUND_S)


async def test_messages_that_come_do_not_hide_a_publish_that_is_never_acknowledged(
    mosquitto: Any, relay: Relay, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_module, "PUBACK_LONGEST_S", 0.3)
    monkeypatch.setattr(link_module, "_TICK_S", 0.02)
    relay.swallow = PUBACK

    enough = asyncio.Event()

    async def keep_sending() -> None:
        for number in itertools.count():
            if enough.is_set():  # a cancellation alone may be swallowed by what the sending waits in
                return
            await send(mosquitto.port, [number])

    async with connect(Address("127.0.0.1", relay.port), "lifebound-bench", FILTERS) as link:
        sending = asyncio.create_task(keep_sending())
        try:
            with pytest.raises(LinkLostError, match="does not acknowledge"):
                await asyncio.wait_for(link.publish("bench/1/receipt", b"{}", retain=True), BOUND_S)
        finally:
            enough.set()
            await asyncio.wait_for(sending, BOUND_S)


async def test_a_pause_of_our_own_does_not_count_against_the_broker(
    generous: Any, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    tick_s, patience = 0.01, 50
    monkeypatch.setattr(link_module, "INBOX_HIGH", 10)
    monkeypatch.setattr(link_module, "BATCH_MAX", 4)
    monkeypatch.setattr(link_module, "PUBACK_QUIET_S", patience * tick_s)
    monkeypatch.setattr(link_module, "_TICK_S", tick_s)
    async with connect(Address("127.0.0.1", generous.port, version), "lifebound-bench", FILTERS) as link:
        await send(generous.port, range(100))
        await until(lambda: link._paused)
        publishing = asyncio.create_task(link.publish("bench/1/receipt", b"{}", retain=True))
        for _ in range(2 * patience):
            await asyncio.sleep(tick_s)
        assert not publishing.done(), "its acknowledgement stands behind what we do not read"
        assert numbers(await take(link, 100, acknowledge=True)) == list(range(100))
        await asyncio.wait_for(publishing, BOUND_S)


async def test_a_lost_session_is_seen(generous: Any, version: Version) -> None:
    """A broker without persistence forgets it when it is restarted."""
    address = Address("127.0.0.1", generous.port, version)
    async with connect(address, "lifebound-bench", FILTERS) as link:
        assert not link.session_present, "there was none before"
    async with connect(address, "lifebound-bench", FILTERS) as link:
        assert link.session_present
    generous.restart()
    async with connect(address, "lifebound-bench", FILTERS) as link:
        assert not link.session_present
