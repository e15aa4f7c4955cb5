"""Every fault of the network between service and broker, and between racks and broker, against a real mosquitto.

The figures must be those of an undisturbed run, and each message on disk exactly once.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import pytest_asyncio

from tests.faults.bench import Bench, bench
from tests.faults.proxy import Proxy, Way
from tests.faults.verdict import Ordered, Verdict
from tests.service.running import Program, until

pytestmark = pytest.mark.asyncio(loop_scope="module")

PLAN = Ordered(hours=3, speed=900)
PAUSE_S = 0.7  # how long a fault lasts


async def cut(proxy: Proxy) -> None:
    proxy.cut()


async def half_open(proxy: Proxy) -> None:
    proxy.half_open()


async def frozen_then_on(proxy: Proxy) -> None:
    proxy.freeze()
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.thaw()


async def deaf_then_cut(proxy: Proxy) -> None:
    """The client is heard but hears nothing."""
    proxy.freeze(Way.TO_CLIENT)
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.cut()
    proxy.thaw()


async def mute_then_cut(proxy: Proxy) -> None:
    """The client hears but is not heard: acknowledgements do not arrive."""
    proxy.freeze(Way.TO_SERVER)
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.cut()
    proxy.thaw()


async def sliced(proxy: Proxy) -> None:
    proxy.shape(slice_bytes=7)
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.shape()


async def slow(proxy: Proxy) -> None:
    proxy.shape(latency_s=0.15)
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.shape()


async def dripping(proxy: Proxy) -> None:
    proxy.shape(latency_s=0.002, slice_bytes=40)
    await asyncio.sleep(PAUSE_S)  # the length of the fault
    proxy.shape()


async def cut_in_mid_packet(proxy: Proxy) -> None:
    proxy.cut_after(31)
    before = proxy.connections
    await until(lambda: proxy.connections > before, lambda: "nobody came back after the cut")


FAULTS: tuple[Callable[[Proxy], Awaitable[None]], ...] = (
    cut,
    half_open,
    sliced,
    frozen_then_on,
    deaf_then_cut,
    slow,
    mute_then_cut,
    dripping,
    cut_in_mid_packet,
)


@dataclass
class Outcome:
    """What a disturbed campaign came to; ``log`` is the service's."""

    verdict: Verdict
    connections: int
    injected: list[str]
    log: str


async def campaign(stand: Bench, *, service_url: str, racks_url: str) -> Outcome:
    """One campaign with every fault in it."""
    service = await stand.serve(service_url)
    await service.ready()
    racks = stand.racks(PLAN, url=racks_url)
    await service.accepted(50)
    injected = await disturb(stand.proxy, racks, clients=1 if service_url == stand.proxy.url else 2)
    assert await racks.ended() == 0, str(racks)
    await service.stop()
    verdict = await stand.verdict(racks, PLAN)
    return Outcome(verdict, stand.proxy.connections, injected, service.program.stderr())


async def disturb(proxy: Proxy, racks: Program, clients: int) -> list[str]:
    """Each fault once, and after each a connection for everybody."""
    injected = []
    for fault in FAULTS:
        await until(lambda: proxy.settled() == clients, lambda: f"no connection: {racks}")
        assert racks.popen.poll() is None, "too late to be in mid-campaign"
        await fault(proxy)
        injected.append(fault.__name__)
    return injected


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def outcomes(
    tool: Callable[[str], str], faultshim: Path, tmp_path_factory: pytest.TempPathFactory
) -> AsyncIterator[dict[str, Outcome | BaseException]]:
    folder, mosquitto = tmp_path_factory.mktemp("network"), tool("mosquitto")

    async def one(name: str) -> Outcome:
        async with bench(folder / name, mosquitto, faultshim) as stand:
            if name == "service":
                return await campaign(stand, service_url=stand.proxy.url, racks_url=stand.url)
            return await campaign(stand, service_url=stand.url, racks_url=stand.proxy.url)

    names = ("service", "racks")
    yield dict(zip(names, await asyncio.gather(*map(one, names), return_exceptions=True), strict=True))


@pytest.mark.parametrize("behind", ["service", "racks"])
async def test_nothing_is_lost_or_counted_twice(
    outcomes: dict[str, Outcome | BaseException], behind: str
) -> None:
    outcome = outcomes[behind]
    if isinstance(outcome, BaseException):
        raise outcome
    assert outcome.verdict.sound, outcome.verdict
    assert outcome.verdict.sent > 1900
    assert len(outcome.injected) == len(FAULTS)
    assert outcome.connections > 5, "the faults did break connections"
    if behind == "service":
        assert outcome.verdict.duplicates > 0, "and the broker had to deliver again"
        assert outcome.log.count('"event":"broker lost"') >= 5
