"""The monitor's host: one life of the real service after another, on the virtual disk, network and clocks."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal
from unittest import mock

import aiosqlite

from monitor.intake.link import Address
from monitor.journal import FILE_NAME, Run, SqliteJournal
from monitor.service import service
from monitor.service.account import restore
from monitor.service.service import Settings, make_service
from shared.entries import Disposed, Disposition

if TYPE_CHECKING:
    from tests.simulation.world import World


@contextlib.contextmanager
def in_the_world(world: World) -> Iterator[None]:
    """Put the virtual disk in the place of the real one, and let the service look and keep at the story's pace."""
    every_s = world.story.look_every_s
    with contextlib.ExitStack() as stack:
        for target, name, value in (
            (aiosqlite, "connect", world.disk.connect),
            (service, "LOOK_EVERY_S", every_s),
            (service, "LOOK_LEAST_OFTEN_S", every_s),
            (service, "NEWS_EVERY_S", world.story.news_every_s),
            (service, "SNAPSHOT_EVERY_S", world.story.snapshot_every_s),
        ):
            stack.enter_context(mock.patch.object(target, name, value))
        yield


async def serve(world: World) -> None:
    """One life of the monitor, from its start to its clean stop."""
    async with await _open(world) as journal:
        made = await make_service(
            journal,
            Settings(Address("broker.invalid", 1883), "lifebound-simulated"),
            world.story.campaign,
            world.wall_ms,
            snapshot=world.files.seen,
            steady=world.steady_ms,
            send=world.receiver.take,
            rng=world.backoff_rng,
        )
        made.connect = world.broker.connect_for(world.witness)
        made.keep_snapshot = world.keep_snapshot
        world.service = made
        await made.run()
        world.account = made.recorder.account


async def enter(world: World, serial: str, cls: Literal["relevant", "not-relevant"]) -> bool:
    """Enter a disposition as the command line does, beside the service; False if the chip has not failed yet."""
    async with await SqliteJournal.open(world.folder) as journal:
        account = await restore(world.story.campaign, journal, world.files.seen)
        chips = [chip.serial for chip in account.campaign.chips]
        if account.ledger.witnesses[chips.index(serial)].failure is None:
            return False
        now_ms = world.wall_ms()
        judged = Disposition(serial=serial, cls=cls, who="A. Person", why="looked at it", when_ms=now_ms)
        await journal.append([Disposed(now_ms, judged)])
        return True


async def _open(world: World) -> SqliteJournal:
    """Begin the run or go on with it."""
    if (world.folder / FILE_NAME).exists():
        return await SqliteJournal.open(world.folder)
    world.runs += 1
    run = Run(f"run-{world.story.seed}-{world.runs}", world.wall_ms(), world.story.campaign.source)
    return await SqliteJournal.create(world.folder, run)
