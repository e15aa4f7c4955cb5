"""One round of the soak: a campaign for real, disturbed by a drawn plan of faults, and the verdict on it."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.faults.bench import Bench, bench
from tests.faults.verdict import Ordered, Verdict
from tests.service.running import until
from tests.soak.injections import INJECTIONS, NotInjectedError
from tests.soak.observer import Observer
from tests.soak.stand import Stand
from tests.soak.table import Injected, Outcome

FAULTS_A_ROUND = 5
_CALM_S = (0.2, 1.5)  # between a fault and the next
_RACKS_BOUND_S = 180.0


@dataclass(frozen=True)
class Tools:
    """What a round needs of the system: mosquitto, and the built shim."""

    mosquitto: str
    faultshim: Path


@dataclass(frozen=True)
class Plan:
    """What is to happen in a round; a pure function of seed and number."""

    number: int
    seed: str
    ordered: Ordered
    faults: Sequence[str]


def plan(seed: int, number: int) -> Plan:
    """Which faults a round has, in which order, and what its racks do."""
    rng = random.Random(f"{seed} {number}")
    fails = tuple(f"{lot}-{rng.randint(1, 77):03}@{rng.uniform(0.3, 4.5):.2f}" for lot in "ABC")
    ordered = Ordered(hours=5, speed=900, fails=fails, seed=rng.randint(1, 10_000))
    first = (number - 1) * FAULTS_A_ROUND
    faults = [_dealt(seed, place) for place in range(first, first + FAULTS_A_ROUND)]
    return Plan(number, f"{seed} {number} faults", ordered, faults)


def _dealt(seed: int, place: int) -> str:
    """The faults of all rounds are dealt from shuffled decks, so that each comes up about as often."""
    deck, card = divmod(place, len(INJECTIONS))
    cards = list(INJECTIONS)
    random.Random(f"{seed} deck {deck}").shuffle(cards)
    return cards[card]


async def run_round(planned: Plan, folder: Path, tools: Tools) -> Outcome:
    """Play the round in ``folder``. Raises AssertionError where a part does not do its duty at all."""
    began_s = time.monotonic()
    async with bench(folder, tools.mosquitto, tools.faultshim) as a_bench, _stand(a_bench, planned) as stand:
        injected = await _disturb(stand, planned.faults)
        await _ended(stand)
        verdict = await a_bench.verdict(stand.racks, planned.ordered)
        check = a_bench.programs.start("check", a_bench.run_dir)
        if await check.ended() != 0:
            verdict.wrong.append(f"lifebound check: {check.stdout().decode()} {check.stderr()}")
    return Outcome(planned.number, injected, verdict, time.monotonic() - began_s)


@asynccontextmanager
async def _stand(a_bench: Bench, planned: Plan, *more: str) -> AsyncIterator[Stand]:
    observer = Observer(a_bench.broker.port)
    listening = asyncio.ensure_future(observer.listen())
    try:
        service = await a_bench.serve()
        await service.ready()
        racks = a_bench.racks(planned.ordered, *more)
        yield Stand(a_bench, service, racks, observer, random.Random(planned.seed))
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


async def _disturb(stand: Stand, faults: Sequence[str]) -> list[Injected]:
    """One fault after the other; sometimes the next comes before the service has recovered from the last."""
    injected = []
    await stand.service.accepted(100)
    for fault in faults:
        await asyncio.sleep(stand.rng.uniform(*_CALM_S))  # part of the plan
        if stand.racks.popen.poll() is not None:
            break
        in_flight = stand.observer.in_flight()
        with contextlib.suppress(NotInjectedError):
            await INJECTIONS[fault](stand)
            injected.append(Injected(fault, in_flight))
        if stand.rng.random() < 0.6:
            await stand.service.ready()
    return injected


async def _ended(stand: Stand) -> None:
    """All is calm; the racks end when receipts cover what they sent, then the service is stopped."""
    racks = stand.racks
    await until(
        lambda: racks.popen.poll() is not None,
        lambda: f"the racks do not end: {racks}\n{stand.service.program}",
        bound_s=_RACKS_BOUND_S,
        every_s=0.1,
    )
    assert racks.popen.returncode == 0, str(racks)
    await stand.service.ready()
    await stand.service.stop()


async def control_without_faults(folder: Path, tools: Tools) -> Outcome:
    """A round in which nothing is injected: it must be sound, or the measure finds faults where there are none."""
    calm = Plan(0, "calm", Ordered(hours=2, speed=900), ())
    return await run_round(calm, folder, tools)


async def control_with_a_loss(folder: Path, tools: Tools) -> Outcome:
    """Racks that keep nothing, and a broker that keeps nothing and is killed with messages in hand: a real loss.

    The measure must see it, or its zeros mean nothing.
    """
    began_s = time.monotonic()
    planned = Plan(0, "loss", Ordered(hours=2, speed=900), ("broker killed (-9)",))
    async with (
        bench(folder, tools.mosquitto, tools.faultshim, persistent=False) as a_bench,
        _stand(a_bench, planned, "--no-receipts") as stand,
    ):
        await stand.service.accepted(100)
        stand.service.program.send(signal.SIGSTOP)
        seen, in_flight = stand.observer.count(), stand.observer.in_flight()
        await until(lambda: stand.observer.count() > seen + 50, lambda: "the racks send nothing")
        await asyncio.to_thread(a_bench.broker.restart, signal.SIGKILL)
        stand.service.program.send(signal.SIGCONT)
        await _ended(stand)
        verdict: Verdict = await a_bench.verdict(stand.racks, planned.ordered, receipts=False)
    injected = [Injected(planned.faults[0], in_flight)]
    return Outcome(planned.number, injected, verdict, time.monotonic() - began_s)
