"""Racks against a real broker, with a monitor made here that holds, withholds and loses receipts."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Callable
from typing import Any

import aiomqtt
import pytest

from shared.errors import InputError, UnavailableError
from shared.messages import Message, Presence, ReadError, Receipt, ReceiptBoot, Tally, decode, encode
from shared.topics import Kind, Topic, format_topic, parse_topic, subscriptions
from simulator.publish import AHEAD, Broker, Delivering, publish
from simulator.scenario import FailAt, Faults, Options, Scenario, Setup, Upset

START_MS = 1_790_000_000_000
MakeSetup = Callable[..., Setup]
Identity = tuple[str, int, Kind, str, int]  # rack, board, kind, boot, seq or n
pytestmark = pytest.mark.timeout(60)


@pytest.fixture
def port(mosquitto: Any) -> int:
    """The port of a mosquitto on 127.0.0.1 that lives as long as the test (fixture of all tests)."""
    number: int = mosquitto.port
    return number


class FakeMonitor:
    """Takes everything in and, while ``answering``, publishes a receipt for it; ``arrivals`` is all in order."""

    def __init__(self, client: aiomqtt.Client, run: str = "run-1") -> None:
        self.arrivals: list[tuple[Topic, Message]] = []
        self.answering = True
        self.run = run
        self.withheld: Callable[[Identity], bool] = lambda _identity: False
        self._client = client
        self._changed = asyncio.Condition()

    async def listen(self) -> None:
        async for message in self._client.messages:
            topic = parse_topic("lifebound", str(message.topic))
            assert topic is not None
            assert isinstance(message.payload, bytes)
            self.arrivals.append((topic, decode(topic.kind, message.payload)))
            if topic.kind is not Kind.PRESENCE and self.answering:
                await self.answer(topic.rack)
            async with self._changed:
                self._changed.notify_all()

    async def answer(self, rack: str) -> None:
        """Publish the receipt of a rack: per stream, the number up to which everything is here."""
        boots: dict[str, ReceiptBoot] = {}
        for boot, kind, board, mark in self._marks(rack):
            boards = boots.setdefault(boot, ReceiptBoot(tally={}, error={}))
            (boards.tally if kind is Kind.TALLY else boards.error)[str(board)] = mark
        latest = dict(list(boots.items())[-4:])
        receipt = Receipt(v=1, run=self.run, t_ms=START_MS, boots=latest)
        topic = format_topic("lifebound", Topic(rack, 0, Kind.RECEIPT))
        await self._client.publish(topic, encode(receipt), qos=1, retain=True)

    def _marks(self, rack: str) -> list[tuple[str, Kind, int, int]]:
        held: dict[tuple[str, Kind, int], set[int]] = defaultdict(set)
        for identity in self.identities():
            if identity[0] == rack and not self.withheld(identity):
                held[identity[3], identity[2], identity[1]].add(identity[4])
        marks = []
        for (boot, kind, board), numbers in held.items():
            mark = next(n for n in range(len(numbers) + 1) if n not in numbers) - 1
            if mark >= 0:
                marks.append((boot, kind, board, mark))
        return marks

    def identities(self) -> list[Identity]:
        return [
            identity_of(topic, message) for topic, message in self.arrivals if topic.kind is not Kind.PRESENCE
        ]

    def presences(self, rack: str) -> list[Presence]:
        return [m for topic, m in self.arrivals if isinstance(m, Presence) and topic.rack == rack]

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(20), self._changed:
            await self._changed.wait_for(condition)


def identity_of(topic: Topic, message: Message) -> Identity:
    assert isinstance(message, Tally | ReadError)
    number = message.seq if isinstance(message, Tally) else message.n
    return topic.rack, topic.board, topic.kind, message.boot, number


@contextlib.asynccontextmanager
async def monitor_of(port: int) -> AsyncIterator[FakeMonitor]:
    async with aiomqtt.Client("127.0.0.1", port, identifier="fake-monitor") as client:
        for topic in subscriptions("lifebound"):
            await client.subscribe(topic, qos=1)
        monitor = FakeMonitor(client)
        task = asyncio.create_task(monitor.listen())
        try:
            yield monitor
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task


def expected(setup: Setup, options: Options) -> list[Identity]:
    scenario = Scenario(setup, options, START_MS)
    return [
        identity_of(Topic(event.rack, event.board, event.kind), event.message)
        for event in scenario.events()
        if event.kind is not Kind.PRESENCE
    ]


def by_stream(identities: list[Identity]) -> dict[Any, list[int]]:
    """The numbers of each stream in the order of their first arrival."""
    streams: dict[Any, list[int]] = defaultdict(list)
    for *stream, number in dict.fromkeys(identities):
        streams[tuple(stream)].append(number)
    return streams


def small(make_setup: MakeSetup) -> Setup:
    return make_setup(2, 2, 2, rate_hz=1000.0, interval_s=60.0)


async def play(setup: Setup, options: Options, broker: Broker, **how: Any) -> Any:
    settings = {"speed": None, "stop": asyncio.Event(), "start_ms": START_MS} | how
    return await publish(setup, options, broker, **settings)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_everything_arrives_and_receipts_empty_the_spool(
    make_setup: MakeSetup, port: int, version: Any
) -> None:
    setup = small(make_setup)
    options = Options(1, 1.0, Faults(fail=(FailAt("A-002", 0.5),)), words=64)
    async with monitor_of(port) as monitor:
        truth = await play(setup, options, Broker("127.0.0.1", port, version=version))
        await monitor.until(lambda: [p.online for p in monitor.presences("oven-2")] == [True, False])
        await monitor.until(lambda: [p.online for p in monitor.presences("oven-1")] == [True, False])
        for rack in ("oven-1", "oven-2"):
            sent = [identity for identity in expected(setup, options) if identity[0] == rack]
            came = [identity for identity in monitor.identities() if identity[0] == rack]
            assert by_stream(came) == by_stream(sent), "each once, in the order of its stream"
            assert monitor.presences(rack)[0].boards == [1, 2]
    assert truth.delivery.covered
    assert truth.delivery.uncovered == 0
    assert truth.delivery.sent == truth.transport.tallies + truth.transport.errors
    assert truth.delivery.resent <= len(by_stream(expected(setup, options))), (
        "only what asked for the monitor"
    )
    alone = Scenario(setup, options, START_MS)
    list(alone.events())
    assert truth.chips == alone.truth().chips


async def test_presence_is_retained(make_setup: MakeSetup, port: int) -> None:
    broker = Broker("127.0.0.1", port)
    await play(make_setup(1, 1, 1), Options(1, 0.02), broker, await_receipts=False)
    async with aiomqtt.Client("127.0.0.1", port) as late:
        await late.subscribe("lifebound/+/presence")
        message = await anext(aiter(late.messages))
        assert message.retain
        assert json.loads(message.payload)["online"] is False


async def test_without_receipts_the_broker_s_word_is_enough(make_setup: MakeSetup, port: int) -> None:
    setup, options = small(make_setup), Options(1, 0.5)
    async with monitor_of(port) as monitor:
        monitor.answering = False
        truth = await play(setup, options, Broker("127.0.0.1", port), await_receipts=False)
        await monitor.until(lambda: sorted(monitor.identities()) == sorted(expected(setup, options)))
    assert (truth.delivery.uncovered, truth.delivery.resent) == (0, 0)
    assert not truth.delivery.covered, "nobody confirmed it"


async def test_what_no_receipt_covers_is_sent_again_oldest_first(make_setup: MakeSetup, port: int) -> None:
    setup, options = make_setup(1, 2, 2, interval_s=60.0), Options(1, 0.2)
    sent = expected(setup, options)
    stuck = [identity for identity in sent if identity[4] > 0]
    async with monitor_of(port) as monitor:
        monitor.withheld = lambda identity: identity in stuck
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3))
        await monitor.until(lambda: [i for i in monitor.identities() if i in stuck][len(stuck) :] != [])
        again = len(monitor.identities()) - 1
        oldest = [identity for identity in stuck if identity[4] == 1]
        asked = oldest + stuck
        await monitor.until(lambda: len(monitor.identities()) >= again + len(asked))
        assert monitor.identities()[again:][: len(asked)] == asked, (
            "the oldest; once answered all, in its order"
        )
        monitor.withheld = lambda _identity: False
        await monitor.answer("oven-1")
        truth = await task
    assert truth.delivery.covered
    assert truth.delivery.resent >= len(stuck)


async def test_until_the_monitor_answers_only_the_oldest_of_each_stream_is_sent(
    make_setup: MakeSetup, port: int
) -> None:
    """A monitor that comes in the middle of a backlog must not hear its later part first."""
    setup, options = make_setup(1, 2, 2, interval_s=60.0), Options(1, 0.4)
    sent = expected(setup, options)
    async with monitor_of(port) as monitor:
        monitor.answering = False
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3))
        await monitor.until(lambda: len(monitor.identities()) >= 6)
        assert {identity[4] for identity in monitor.identities()} == {0}
        monitor.answering = True
        await monitor.answer("oven-1")
        assert (await task).delivery.covered
        assert by_stream(monitor.identities()) == by_stream(sent)


async def test_a_receipt_that_the_broker_retained_is_no_answer(make_setup: MakeSetup, port: int) -> None:
    setup, options = make_setup(1, 1, 2, interval_s=60.0), Options(1, 0.4)
    async with monitor_of(port) as monitor:
        monitor.answering = False
        await monitor.answer("oven-1")  # before the rack connects, and of nothing it sent
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3))
        await monitor.until(lambda: len(monitor.identities()) >= 3)
        assert {identity[4] for identity in monitor.identities()} == {0}
        monitor.answering = True
        await monitor.answer("oven-1")
        assert (await task).delivery.covered


async def test_only_what_is_not_covered_is_sent_again(make_setup: MakeSetup, port: int) -> None:
    setup, options = make_setup(1, 2, 2, interval_s=60.0), Options(1, 0.2)
    sent = expected(setup, options)
    stuck = [identity for identity in sent if identity[1] == 2 and identity[4] >= 5]
    async with monitor_of(port) as monitor:
        monitor.withheld = lambda identity: identity in stuck
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3))
        await monitor.until(lambda: Counter(monitor.identities())[stuck[-1]] >= 2)
        again = {identity for identity, count in Counter(monitor.identities()).items() if count > 1}
        assert again - {identity for identity in sent if identity[4] == 0} == set(stuck)
        monitor.withheld = lambda _identity: False
        await monitor.answer("oven-1")
        assert (await task).delivery.covered


async def test_without_any_receipt_the_rack_gives_up_and_says_so(make_setup: MakeSetup, port: int) -> None:
    setup, options = make_setup(1, 1, 2, interval_s=60.0), Options(1, 0.1)
    truth = await play(setup, options, Broker("127.0.0.1", port), settle_s=0.2)
    assert (truth.delivery.uncovered, truth.delivery.sent) == (6, 1), "the oldest asked, and nobody answered"
    assert not truth.delivery.covered


async def test_an_outage_is_seen_as_a_will_and_the_backlog_follows_oldest_first(
    make_setup: MakeSetup, port: int
) -> None:
    setup = make_setup(1, 1, 2, interval_s=60.0)
    options = Options(1, 0.5, Faults(upsets=(Upset("outage", "oven-1", 0.2, 0.1),)))
    async with monitor_of(port) as monitor:
        truth = await play(setup, options, Broker("127.0.0.1", port))
        await monitor.until(lambda: len(monitor.presences("oven-1")) >= 4)
        seen = list(dict.fromkeys(monitor.identities()))  # what the cut left unconfirmed may come twice
        assert seen == expected(setup, options)
        assert [p.online for p in monitor.presences("oven-1")] == [True, False, True, False]
    assert truth.delivery.covered


async def test_reboots_in_quick_succession_lose_nothing(make_setup: MakeSetup, port: int) -> None:
    """A receipt speaks of four boots only; with seven, each must be covered before it falls out of it."""
    setup = make_setup(1, 1, 2, interval_s=60.0)
    reboots = tuple(Upset("reboot", "oven-1", 0.1 * n, 0.01) for n in range(1, 7))
    options = Options(1, 0.8, Faults(upsets=reboots))
    async with monitor_of(port) as monitor:
        truth = await play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3)
        assert set(monitor.identities()) == set(expected(setup, options))
        boots = list(dict.fromkeys(p.boot for p in monitor.presences("oven-1") if p.online))
        assert len(boots) == 7
    assert truth.delivery.covered


async def test_a_fifth_boot_waits_until_receipts_cover_the_first(make_setup: MakeSetup, port: int) -> None:
    setup = make_setup(1, 1, 2, interval_s=60.0)
    reboots = tuple(Upset("reboot", "oven-1", 0.1 * n, 0.01) for n in range(1, 7))
    options = Options(1, 0.8, Faults(upsets=reboots))
    async with monitor_of(port) as monitor:
        monitor.answering = False
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), settle_s=5.0))
        await monitor.until(lambda: sum(p.online for p in monitor.presences("oven-1")) == 5)
        fifth = [p.boot for p in monitor.presences("oven-1") if p.online][-1]
        assert fifth not in {identity[3] for identity in monitor.identities()}
        monitor.answering = True
        await monitor.answer("oven-1")
        assert (await task).delivery.covered


async def test_a_new_run_of_the_monitor_gets_what_the_old_one_did_not_confirm(
    make_setup: MakeSetup, port: int
) -> None:
    setup, options = make_setup(1, 1, 2, interval_s=60.0), Options(1, 0.2)
    sent = expected(setup, options)
    async with monitor_of(port) as monitor:
        monitor.withheld = lambda identity: identity[4] >= 3
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), resend_after_s=0.3))
        await monitor.until(lambda: len(monitor.identities()) >= len(sent))
        monitor.run = "run-2"
        before = len(monitor.identities())
        await monitor.until(lambda: set(sent[3:]) <= set(monitor.identities()[before:]))
        monitor.withheld = lambda _identity: False
        await monitor.answer("oven-1")
        assert (await task).delivery.covered


async def test_nothing_is_sent_before_it_is_due(make_setup: MakeSetup, port: int) -> None:
    setup, options = make_setup(1, 1, 1), Options(1, 0.02)
    last_ms = list(Scenario(setup, options, START_MS).events())[-1].arrive_ms
    loop = asyncio.get_running_loop()
    begin_s = loop.time()
    await play(setup, options, Broker("127.0.0.1", port), speed=200.0, await_receipts=False)
    assert last_ms > 60_000
    assert loop.time() - begin_s >= last_ms / 1000 / 200.0


async def test_stop_ends_it_cleanly(make_setup: MakeSetup, port: int) -> None:
    stop = asyncio.Event()
    setup, options = small(make_setup), Options(1, 100.0)
    async with monitor_of(port) as monitor:
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", port), speed=600.0, stop=stop))
        await monitor.until(lambda: len(monitor.identities()) >= 5)
        stop.set()
        async with asyncio.timeout(2):
            truth = await task
        await monitor.until(lambda: all(not monitor.presences(rack)[-1].online for rack in setup.racks))
    assert truth.transport.tallies < len(expected(setup, options))


async def test_a_broker_that_goes_away_is_found_again_and_nothing_is_lost(
    make_setup: MakeSetup, port: int
) -> None:
    setup, options = make_setup(1, 1, 2, interval_s=60.0), Options(1, 0.5)
    async with Detour(port) as detour, monitor_of(port) as monitor:
        task = asyncio.create_task(play(setup, options, Broker("127.0.0.1", detour.port), speed=1800.0))
        await monitor.until(lambda: len(monitor.identities()) >= 5)
        detour.break_all()
        truth = await task
        assert list(dict.fromkeys(monitor.identities())) == expected(setup, options)
        assert detour.connections >= 2
        assert [p.online for p in monitor.presences("oven-1")][:3] == [True, False, True]
    assert truth.delivery.covered


async def test_no_broker_is_an_error_only_if_asked_for(make_setup: MakeSetup) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        broker = Broker("127.0.0.1", nobody.getsockname()[1])
        with pytest.raises(UnavailableError, match="no broker at 127"):
            await play(make_setup(1, 1, 1), Options(1, 0.1), broker, give_up_s=0.0)
        stop = asyncio.Event()
        task = asyncio.create_task(play(make_setup(1, 1, 1), Options(1, 0.1), broker, stop=stop))
        stop.set()
        assert (await task).delivery.sent == 0


async def test_a_speed_of_nothing_is_refused(make_setup: MakeSetup) -> None:
    with pytest.raises(InputError, match="speed"):
        await play(make_setup(1, 1, 1), Options(1, 0.1), Broker("127.0.0.1", 1), speed=0.0)


def test_a_password_is_not_shown() -> None:
    assert "secret" not in repr(Broker("127.0.0.1", 1883, "rack", "secret"))


@pytest.mark.parametrize(
    ("speed", "report_interval_s", "most"),
    [
        (1.0, 10.0, 3),
        (1.0, 2.0, AHEAD),
        (10.0, 60.0, 5),
        (1.0, 60.0, 1),
        (100.0, 10.0, None),
        (None, 10.0, None),
    ],
)
def test_a_backlog_is_never_further_ahead_of_its_receipt_than_the_monitor_waits(
    speed: float | None, report_interval_s: float, most: int | None
) -> None:
    """Fewer than 16, and within twice 20 s (contract, receipt), unless receipts could not keep up with the play."""
    assert Delivering(speed).ahead(report_interval_s) == most


class Detour:
    """A way to the broker that can be broken: a proxy on a free port of 127.0.0.1."""

    def __init__(self, target: int) -> None:
        self.port = 0
        self.connections = 0
        self._target = target
        self._open: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Detour:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        self.break_all()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    def break_all(self) -> None:
        for writer in self._open:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._target)
        self._open |= {writer, there_writer}
        await asyncio.gather(self._copy(reader, there_writer), self._copy(there_reader, writer))

    async def _copy(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()
