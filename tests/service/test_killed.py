"""Killed without warning in mid-campaign: the monitor, or the broker. The figures must still be the truth.

Both campaigns run at the same time, once, because most of the second is waiting.
"""

from __future__ import annotations

import asyncio
import json
import signal
import socket
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

import aiomqtt
import pytest
import pytest_asyncio

from tests.conftest import Broker
from tests.service.running import (
    BOUND_S,
    Document,
    Programs,
    equals_truth,
    identities,
    programs_in,
    until,
    write_campaign,
)

pytestmark = [pytest.mark.asyncio(loop_scope="module"), pytest.mark.timeout(180)]


@dataclass
class Outcome:
    """What a campaign came to."""

    run_dir: Path
    truth: Document
    figures: bytes
    monitor_log: str
    replayed: bytes = b""


@dataclass
class Outcomes:
    monitor_killed: Outcome | BaseException
    broker_killed: Outcome | BaseException


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def outcomes(
    tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory
) -> AsyncIterator[Outcomes]:
    mosquitto, folder = tool("mosquitto"), tmp_path_factory.mktemp("killed")
    both = await asyncio.gather(
        kill_the_monitor(mosquitto, folder), kill_the_broker(mosquitto, folder), return_exceptions=True
    )
    yield Outcomes(*both)


async def kill_the_monitor(mosquitto: str, parent: Path) -> Outcome:
    """Twice. The broker keeps what was not acknowledged; the racks go on and send again what no receipt covers."""
    folder = made(parent / "monitor")
    campaign = write_campaign(folder, report_interval_s=60, max_gap_s=180, reorder_hold_s=360)
    how = ("--hours", "6", "--speed", "2400", "--fail", "A-007@2", "--fail", "C-001@4", "--json")
    broker = broker_in(mosquitto, folder)
    broker.start()
    try:
        async with programs_in(folder) as programs:
            run_dir, url = folder / "run", f"mqtt://127.0.0.1:{broker.port}"
            service = await programs.serve(campaign, run_dir, url)
            await service.ready()
            racks = programs.start("simulate", campaign, "--broker", url, *how)
            for accepted in (600, 2000):
                await service.accepted(accepted)
                assert racks.popen.poll() is None, "too late to be in mid-campaign"
                await service.kill()
                service = await programs.serve(campaign, run_dir, url)
                known = (await service.figures())["intake"]["accepted"]
                assert known >= accepted, "what was accepted is still there"
            assert await racks.ended() == 0, str(racks)
            await service.stop()
            outcome = await outcome_of(programs, racks.stdout(), run_dir, service.program.stderr())
            outcome.replayed = await replay_of(programs, campaign, run_dir)
            return outcome
    finally:
        broker.stop()


async def kill_the_broker(mosquitto: str, parent: Path) -> Outcome:
    """It keeps nothing on disk: messages in hand, sessions and retained receipts are gone; racks are back first.

    The campaign is shorter than 16 tallies and than the reorder hold: nothing is given up as a gap while the racks
    wait to send again (20 s), as little as with real racks, whose tallies come every 10 s.
    """
    folder = made(parent / "broker")
    campaign = write_campaign(folder, report_interval_s=60, max_gap_s=180, reorder_hold_s=1200)
    how = ("--hours", "0.2", "--speed", "60", "--fail", "A-007@0.03", "--fail", "C-001@0.15", "--json")
    broker = broker_in(mosquitto, folder)
    broker.start()
    try:
        async with programs_in(folder) as programs:
            run_dir, url = folder / "run", f"mqtt://127.0.0.1:{broker.port}"
            service = await programs.serve(campaign, run_dir, url)
            await service.ready()
            racks = programs.start("simulate", campaign, "--broker", url, *how)
            await service.accepted(40)
            assert racks.popen.poll() is None, "too late to be in mid-campaign"
            service.program.send(signal.SIGSTOP)  # so that it surely comes back after the racks
            await a_tally(broker.port)  # which no receipt covers
            broker.restart(signal.SIGKILL)
            await a_tally(broker.port)  # sent again, to nobody
            service.program.send(signal.SIGCONT)
            log = service.program.stderr
            await until(lambda: "broker lost" in log(), lambda: "the monitor did not notice the loss")
            await service.ready()
            assert await racks.ended() == 0, str(racks)
            await service.stop()
            return await outcome_of(programs, racks.stdout(), run_dir, log())
    finally:
        broker.stop()


async def outcome_of(programs: Programs, truth: bytes, run_dir: Path, monitor_log: str) -> Outcome:
    figures = await programs.run("figures", "--run", run_dir, "--json")
    return Outcome(run_dir, json.loads(truth), figures.stdout(), monitor_log)


async def replay_of(programs: Programs, campaign: Path, run_dir: Path) -> bytes:
    await programs.run("export", run_dir, run_dir / "run.jsonl")
    replay = await programs.run("replay", run_dir / "run.jsonl", "--campaign", campaign, "--json")
    return replay.stdout()


async def a_tally(port: int) -> None:
    """Wait until some rack sends one."""
    async with aiomqtt.Client("127.0.0.1", port) as listener, asyncio.timeout(BOUND_S):
        await listener.subscribe("lifebound/+/+/tally", qos=1)
        await anext(aiter(listener.messages))


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def broker_in(mosquitto: str, folder: Path) -> Broker:
    """A broker that queues much and keeps nothing on disk."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 200000\n"
    )
    return Broker(mosquitto, config, port, folder / "mosquitto.log")


@pytest.fixture(params=["monitor_killed", "broker_killed"])
def outcome(outcomes: Outcomes, request: pytest.FixtureRequest) -> Outcome:
    found: Outcome | BaseException = getattr(outcomes, request.param)
    if isinstance(found, BaseException):
        raise found
    return found


async def test_the_figures_equal_the_truth(outcome: Outcome) -> None:
    equals_truth(json.loads(outcome.figures), outcome.truth)
    assert {f["serial"] for f in json.loads(outcome.figures)["failures"]} == {"A-007", "C-001"}


async def test_each_message_is_on_disk_exactly_once(outcome: Outcome) -> None:
    on_disk = identities(outcome.run_dir)
    assert len(set(on_disk)) == len(on_disk)
    assert len(on_disk) == outcome.truth["transport"]["tallies"] + outcome.truth["transport"]["errors"]
    assert outcome.truth["delivery"]["covered"], "and the racks were told so"


async def test_a_replay_of_the_export_gives_the_same_bytes(outcomes: Outcomes) -> None:
    assert isinstance(outcomes.monitor_killed, Outcome)
    assert outcomes.monitor_killed.replayed == outcomes.monitor_killed.figures


async def test_the_broker_s_death_did_cost_something(outcomes: Outcomes) -> None:
    assert isinstance(outcomes.broker_killed, Outcome)
    assert outcomes.broker_killed.truth["delivery"]["resent"] > 0, "the racks had something to make good"
    assert outcomes.broker_killed.monitor_log.count('"event":"broker connected"') >= 2
