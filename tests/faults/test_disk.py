"""Faults of the disk and the clock under a real service: nothing is acknowledged meanwhile, and nothing is lost.

The faults are made at the system calls of the service's process (``shim.c``), but for the full disk, which is a small
tmpfs wherever one may be mounted. All campaigns run at the same time, once, because most of each is waiting.
"""

from __future__ import annotations

import asyncio
import errno
import signal
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from monitor.campaign import load
from monitor.figures import to_json
from monitor.journal import FILE_NAME, MemoryJournal, Run, SqliteJournal
from monitor.service.account import restore, snapshot_of
from monitor.service.rundir import read_snapshot
from tests.faults.bench import Bench, bench
from tests.faults.feed import Feed
from tests.faults.room import small_disk
from tests.faults.shim import Op, When
from tests.faults.verdict import Ordered, Verdict
from tests.service.running import Service, until

pytestmark = [pytest.mark.asyncio(loop_scope="module"), pytest.mark.timeout(240)]

HOUR_MS = 3_600_000
PLAN = Ordered(hours=2, speed=None)
AT_ONCE = 150  # messages given before each fault, and while it lasts


@dataclass
class Outcome:
    """What a campaign came to; ``notes`` are what was seen while a fault lasted, one for each."""

    verdict: Verdict = field(default_factory=Verdict)
    notes: dict[str, str] = field(default_factory=dict)
    figures: dict[str, bytes] = field(default_factory=dict)  # by the snapshot that they were made with


async def troubled(feed: Feed, service: Service, how: Callable[[], object]) -> str:
    """Begin a trouble while messages come, and wait until every face tells it; the reason told."""
    accepted = feed.given
    await service.accepted(accepted)
    how()
    await feed.give(AT_ONCE)
    told = b""

    async def is_told() -> bool:
        nonlocal told
        answer = await service.get("/readyz")
        told = answer.body
        return answer.status == 503

    await until(is_told, lambda: f"the trouble is not told: {service.program}")
    metrics = (await service.get("/metrics")).body.decode()
    assert "lifebound_journal_writable 0.0" in metrics.splitlines()
    known = (await service.figures())["intake"]["accepted"]
    assert known < feed.given, "nothing is counted that is not on disk"
    await kept_by_the_broker(feed.port, feed.given - known)
    assert (await service.figures())["intake"]["accepted"] == known
    return told.decode()


async def kept_by_the_broker(port: int, count: int) -> None:
    """Wait until the broker says that it holds so many messages, because nobody has acknowledged them."""
    async with aiomqtt.Client("127.0.0.1", port) as client, asyncio.timeout(60):
        await client.subscribe("$SYS/broker/store/messages/count")
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            if int(message.payload) >= count:
                return


async def errors_and_clocks(stand: Bench) -> Outcome:
    """No room, an error of fsync, a read-only file system, and the wall clock hours off, one after the other."""
    outcome, shim, feed = Outcome(), stand.shim, stand.feed(PLAN)
    service = await stand.serve()
    await service.ready()
    troubles: dict[str, Callable[[], None]] = {
        "no room": lambda: shim.leave_room(5000),
        "fsync fails": lambda: shim.refuse(errno.EIO, [Op.SYNC]),
        "read-only": lambda: shim.refuse(errno.EROFS, Op),
    }
    jumps_ms = (HOUR_MS, -HOUR_MS, 24 * HOUR_MS)
    for (name, how), jump_ms in zip(troubles.items(), jumps_ms, strict=True):
        await feed.give(AT_ONCE)
        outcome.notes[name] = await troubled(feed, service, how)
        shim.shift_clock(jump_ms)
        shim.calm()
        await service.ready()
    await feed.give()
    await service.accepted(len(feed.messages))
    assert shim.clock_reads > 100
    await service.stop()
    outcome.verdict = await stand.verdict_on_feed(feed, PLAN)
    return outcome


async def full_disk(stand: Bench) -> Outcome:
    """A small file system runs full, and later has room again."""
    async with small_disk(stand) as room:
        outcome, feed = Outcome(), stand.feed(PLAN)
        service = await stand.serve()
        await service.ready()
        await feed.give(AT_ONCE)
        outcome.notes["real" if room.real else "by the shim"] = await troubled(feed, service, room.fill)
        room.make()
        await feed.give()
        await service.accepted(len(feed.messages))
        await service.stop()
        room.take_out()
        outcome.verdict = await stand.verdict_on_feed(feed, PLAN)
        return outcome


KILLS = (
    (FILE_NAME + "-wal", 9, (Op.WRITE,), When.TORN, "half of a page of the write-ahead log"),
    (FILE_NAME + "-wal", 3, (Op.SYNC,), When.BEFORE, "a commit that is written and not synced"),
    (FILE_NAME, 3, (Op.WRITE,), When.AFTER, "in mid-checkpoint"),
    (FILE_NAME + "-wal", 3, (Op.SYNC,), When.AFTER, "a commit that nobody was told of"),
)


async def kills_at_calls(stand: Bench) -> Outcome:
    """Killed in mid-commit and in mid-checkpoint, and started again each time."""
    outcome, feed = Outcome(), stand.feed(PLAN)
    service = await stand.serve()
    for match, count, ops, when, words in KILLS:
        await service.ready()
        await feed.give(AT_ONCE)
        stand.shim.kill_at(count, ops, when, match)
        await feed.give(AT_ONCE)
        if match == FILE_NAME:
            service.program.send(signal.SIGTERM)  # closing the journal is a checkpoint that surely comes
        assert await service.program.ended() == -signal.SIGKILL, str(service.program)
        outcome.notes[words] = "killed"
        stand.shim.calm()
        older = read_snapshot(stand.run_dir) or b""
        service = await stand.serve()
    if feed.given < len(feed.messages):
        await feed.give()
    await service.accepted(len(feed.messages))
    await service.stop()
    outcome.verdict = await stand.verdict_on_feed(feed, PLAN)
    outcome.figures = await by_snapshot(stand, older)
    return outcome


async def by_snapshot(stand: Bench, older: bytes) -> dict[str, bytes]:
    """The figures of the run after a start with each of several snapshots, "none" among them."""
    campaign, whole = load(stand.campaign), read_snapshot(stand.run_dir)
    assert whole is not None
    assert older not in {b"", whole}
    async with await SqliteJournal.open(stand.run_dir) as journal:
        account = await restore(campaign, journal)
        another = snapshot_of(account, MemoryJournal(Run("another", 0, journal.run.source)))
        snapshots = {
            "none": None,
            "whole": whole,
            "older": older,
            "cut off": whole[: len(whole) // 2],
            "changed": whole[:-9] + bytes([whole[-9] ^ 1]) + whole[-8:],
            "garbage": bytes(range(256)) * 40,
            "empty": b"",
            "of another run": another,
        }
        return {
            name: to_json((await restore(campaign, journal, snapshot)).figures())
            for name, snapshot in snapshots.items()
        }


async def stopped_in_trouble(stand: Bench) -> Outcome:
    """Told to stop while a message is in hand that cannot be written."""
    feed = stand.feed(PLAN)
    service = await stand.serve()
    await service.ready()
    stand.shim.refuse(errno.ENOSPC, [Op.WRITE, Op.TRUNCATE])
    await feed.give(20)

    async def is_told() -> bool:
        return (await service.get("/readyz")).status == 503

    await until(is_told, lambda: f"the trouble is not told: {service.program}")
    await service.stop(code=3)
    stand.shim.calm()
    again = await stand.serve()
    await again.accepted(20)  # the broker had kept them
    await again.stop()
    return Outcome(notes={"stopped": service.program.stderr()})


SCENARIOS: dict[str, Callable[[Bench], Coroutine[Any, Any, Outcome]]] = {
    "errors": errors_and_clocks,
    "full": full_disk,
    "kills": kills_at_calls,
    "stopped": stopped_in_trouble,
}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def outcomes(
    tool: Callable[[str], str], faultshim: Path, tmp_path_factory: pytest.TempPathFactory
) -> AsyncIterator[dict[str, Outcome | BaseException]]:
    folder, mosquitto = tmp_path_factory.mktemp("disk"), tool("mosquitto")

    async def one(name: str) -> Outcome:
        async with bench(folder / name, mosquitto, faultshim, more="sys_interval 1\n") as stand:
            return await SCENARIOS[name](stand)

    found = await asyncio.gather(*map(one, SCENARIOS), return_exceptions=True)
    yield dict(zip(SCENARIOS, found, strict=True))


def come_to(outcomes: dict[str, Outcome | BaseException], name: str) -> Outcome:
    outcome = outcomes[name]
    if isinstance(outcome, BaseException):
        raise outcome
    return outcome


@pytest.mark.parametrize("name", ["errors", "full", "kills"])
async def test_the_figures_equal_the_truth(outcomes: dict[str, Outcome | BaseException], name: str) -> None:
    outcome = come_to(outcomes, name)
    assert outcome.verdict.sound, outcome.verdict
    assert outcome.verdict.sent > 1400


async def test_each_trouble_is_told_with_its_reason(outcomes: dict[str, Outcome | BaseException]) -> None:
    notes = come_to(outcomes, "errors").notes | come_to(outcomes, "full").notes
    assert len(notes) == 4
    for name, told in notes.items():
        assert FILE_NAME in told, f"{name}: {told}"


async def test_each_kill_came_at_its_call(outcomes: dict[str, Outcome | BaseException]) -> None:
    assert len(come_to(outcomes, "kills").notes) == len(KILLS)


async def test_a_snapshot_of_any_kind_changes_no_figure(outcomes: dict[str, Outcome | BaseException]) -> None:
    figures = come_to(outcomes, "kills").figures
    assert len(figures) == 8
    for name, document in figures.items():
        assert document == figures["none"], name


async def test_a_stop_in_trouble_says_why(outcomes: dict[str, Outcome | BaseException]) -> None:
    last = come_to(outcomes, "stopped").notes["stopped"].splitlines()[-1]
    assert FILE_NAME in last or "journal" in last
