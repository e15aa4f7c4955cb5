"""Memory stays bounded: a slow disk under a flood, a thousand strangers, and a board whose chips fail at every read.

Each floods a real service over a broker that lets everything through at once (no limit of its own on what is in
flight), and looks at the resident memory of the service's process meanwhile. The bounds are a multiple of what was
measured, and far below what the flood itself would take if it were kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from pathlib import Path

import pytest

from monitor.campaign import load
from monitor.cli.simulate import setup_of
from monitor.figures import to_json
from monitor.service.account import Account
from shared.messages import ReadError, Tally, encode
from shared.topics import Kind
from simulator.scenario import Options, Scenario, payload
from tests.faults.bench import Bench, bench
from tests.faults.feed import START_MS, Message, flood
from tests.service.running import Document, Service, until

pytestmark = pytest.mark.timeout(240)

NO_LIMITS = "max_inflight_messages 0\nmax_queued_bytes 0\n"
PADDING = (
    b'"padding":"' + 12_000 * b"x" + b'",'
)  # a field that the contract does not know, which is left alone
SLOW_GROWTH_MIB = 80  # of the resident memory; the flood has 140 MiB
GROWTH_MIB = 10  # likewise; the flood is about 17 MiB as it comes, and more as objects


def resident_mib(service: Service) -> float:
    """Resident memory of the service's process."""
    status = Path(f"/proc/{service.program.pid}/status").read_text()
    kib = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
    return int(kib) / 1024


async def most_mib(service: Service, over: Callable[[], bool]) -> float:
    """The most memory seen until ``over``."""
    most = 0.0

    def looked() -> bool:
        nonlocal most
        most = max(most, resident_mib(service))
        return over()

    await until(looked, lambda: f"it does not end: {service.program}", bound_s=120)
    return most


@contextlib.asynccontextmanager
async def warm_service(stand: Bench, messages: Iterator[Message]) -> AsyncIterator[Service]:
    """A service that has seen some messages of every kind, so that what it needs anyway is there."""
    service = await stand.serve(stand.url)
    await service.ready()
    await asyncio.to_thread(flood, stand.broker.port, itertools.islice(messages, 3000))
    await told(service, 3000)
    yield service


async def told(service: Service, count: int) -> None:
    """Wait until it has taken so many messages, whatever it thought of them."""

    async def enough() -> bool:
        intake = (await service.figures())["intake"]
        kinds = ("accepted", "duplicates", "conflicts", "invalid", "strangers")
        return sum(int(intake[kind]) for kind in kinds) >= count

    await until(enough, lambda: f"fewer than {count} messages: {service.program}", bound_s=120, every_s=0.2)


def tallies(stand: Bench, hours: float) -> Iterator[Message]:
    """Ordinary tallies of the campaign."""
    scenario = Scenario(setup_of(load(stand.campaign)), Options(seed=1, hours=hours), START_MS)
    for event in scenario.events():
        if event.kind is Kind.TALLY:
            yield scenario.topic(event), payload(event)


async def test_a_slow_disk_slows_the_acknowledgements(
    tool: Callable[[str], str], faultshim: Path, tmp_path: Path
) -> None:
    count = 12_000
    async with bench(tmp_path, tool("mosquitto"), faultshim, more=NO_LIMITS) as stand:
        messages = tallies(stand, hours=count / 12 / 60 + 10)
        async with warm_service(stand, messages) as service:
            before = resident_mib(service)
            stand.shim.slow_sync(4000)
            rest = [(topic, b"{" + PADDING + body[1:]) for topic, body in itertools.islice(messages, count)]
            flooding = asyncio.ensure_future(asyncio.to_thread(flood, stand.broker.port, rest))
            most = await most_mib(service, flooding.done)
            flooding.result()
            behind = count + 3000 - (await service.figures())["intake"]["accepted"]
            assert behind > 6000, "the disk was too quick for this test"
            stand.shim.calm()
            await told(service, count + 3000)
            most = max(most, resident_mib(service))
            figures = await service.figures()
            await service.stop()
    assert most - before < SLOW_GROWTH_MIB
    intake = figures["intake"]
    assert intake["gaps"] == intake["late"] == intake["waiting"] == 0, "nothing was dropped on the way"


def strangers(number: int) -> Iterator[Message]:
    """Sound tallies and garbage, from a thousand racks and boards that the campaign does not name."""
    for i in range(number):
        tally = Tally(
            v=1,
            boot=f"boot-{i}",
            seq=i,
            t_ms=i,
            up_ms=i,
            temp_c=125.0,
            supply_v=1.98,
            reads=[i] * 20,
            errors=[0] * 20,
        )
        yield f"lifebound/stranger-{i % 1000}/{i % 40 + 1}/tally", encode(tally) if i % 3 else b"\xff" * 2000


def failing_board(number: int, boot: str) -> Iterator[Message]:
    """Every chip of a board fails at every read: ten error messages a second, each of another address."""
    for n in range(number):
        error = ReadError(
            v=1,
            boot=boot,
            n=n,
            t_ms=START_MS + 100 * n,
            up_ms=100 * n,
            socket=n % 20 + 1,
            address=n,
            expected="a5" * 16,
            observed="5a" * 16,
            read_index=n + 1,
            count=9,
        )
        yield "lifebound/oven-1/1/error", encode(error)


async def test_strangers_and_a_failing_board_take_no_memory(
    tool: Callable[[str], str], faultshim: Path, tmp_path: Path
) -> None:
    count = 30_000
    async with bench(tmp_path, tool("mosquitto"), faultshim, more=NO_LIMITS) as stand:
        sound = list(itertools.islice(tallies(stand, hours=3), 1500))
        noise = (
            message
            for pair in zip(strangers(count), failing_board(count, "failing"), strict=True)
            for message in pair
        )
        async with warm_service(stand, noise) as service:
            before = resident_mib(service)
            flooding = asyncio.ensure_future(
                asyncio.to_thread(
                    flood, stand.broker.port, itertools.chain(itertools.islice(noise, count), sound)
                )
            )
            most = await most_mib(service, flooding.done)
            flooding.result()
            await told(service, count + 3000 + len(sound))
            most = max(most, resident_mib(service))
            figures = await service.figures()
            await service.stop()
    assert most - before < GROWTH_MIB
    intake = figures["intake"]
    assert intake["strangers"] == (count + 3000) // 2
    assert intake["accepted"] == (count + 3000) // 2 + len(sound)
    assert {failure["serial"] for failure in figures["failures"]} == {f"A-{n:03}" for n in range(1, 21)}
    assert [lot for lot in figures["lots"] if lot["lot"] != "A"] == lots_beside_a(stand.campaign, sound)


def lots_beside_a(campaign: Path, messages: Iterable[Message]) -> list[Document]:
    """What the figures say of the lots that have no chip on the failing board, from these messages alone."""
    account = Account(load(campaign))
    for topic, message in messages:
        entry = account.session.judge(START_MS, topic, message).entry
        assert entry is not None
        account.apply([entry])
    lots: list[Document] = json.loads(to_json(account.figures()))["lots"]
    assert all(lot["credited_h"] > 0 for lot in lots)
    return [lot for lot in lots if lot["lot"] != "A"]
