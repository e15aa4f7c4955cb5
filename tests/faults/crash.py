"""Record a journal at work, make images of crashes from it, and judge what the journal finds in each."""

from __future__ import annotations

import asyncio
import errno
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from monitor.journal import FILE_NAME, SqliteJournal
from monitor.journal.verify import verify
from shared.entries import Entry
from tests.faults.appender import NOTE, batch
from tests.faults.images import Disk, write_image
from tests.faults.shim import Effect, Op, Shim, effects

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Recording:
    """What a journal did to its files."""

    folder: str
    batches: int
    effects: list[Effect]
    refused: int  # calls that failed


@dataclass
class Findings:
    """Over many images: how many, and what was wrong with which (an empty list is the claim)."""

    images: int = 0
    acknowledged: int = 0  # batches that had to be there, over all images
    unacknowledged: int = 0  # images that held the batch in the making as well
    checkpoints: int = 0  # crashes between two writes to the database file itself
    losses: list[str] = field(default_factory=list)


def record(
    library: Path, folder: Path, batches: int, synchronous: str = "FULL", *, failing_syncs: bool = False
) -> Recording:
    """Let a process append ``batches`` under the shim; with ``failing_syncs`` fsync fails (EIO) every now and then."""
    name = f"{synchronous}{'-failing' if failing_syncs else ''}"
    run, log = folder / f"recorded-{name}", folder / f"effects-{name}"
    shim = Shim(library, run, folder / f"control-{name}", log)
    command = [sys.executable, "-m", "tests.faults.appender", str(run), str(batches), synchronous]
    process = subprocess.Popen(command, cwd=ROOT, env=os.environ | shim.environment())
    try:
        if failing_syncs:
            _fail_now_and_then(process, shim, run / NOTE)
        assert process.wait(120) == 0
    finally:
        process.kill()
        process.wait()
    return Recording(str(run.resolve()), batches, list(effects(log)), shim.refused)


def _fail_now_and_then(process: subprocess.Popen[bytes], shim: Shim, note: Path) -> None:
    """Once something was acknowledged: let some fsyncs fail, then some succeed, until the process has ended."""
    while process.poll() is None and not (note.exists() and note.stat().st_size):
        time.sleep(0.001)  # the pause of a poll that ends with the process
    while process.poll() is None:
        for fails in (True, False):
            seen = shim.seen(Op.SYNC)
            shim.refuse(errno.EIO, [Op.SYNC]) if fails else shim.calm()
            while process.poll() is None and shim.seen(Op.SYNC) < seen + 3:
                time.sleep(0.001)  # the pause of a poll that ends with the process


def judge(recording: Recording, folder: Path, seed: int, kills: int, powercuts: int) -> Findings:
    """Crash at ``kills`` and at ``powercuts`` drawn points, open what is left, and compare.

    A kill leaves all that was done, a power cut what ``images`` says.
    """
    rng, findings = random.Random(seed), Findings()
    points = sorted(
        [(rng.randint(1, len(recording.effects)), False) for _ in range(kills)]
        + [(rng.randint(1, len(recording.effects)), True) for _ in range(powercuts)]
    )
    asyncio.run(_judge_all(recording, folder, points, rng, findings))
    return findings


async def _judge_all(
    recording: Recording,
    folder: Path,
    points: list[tuple[int, bool]],
    rng: random.Random,
    findings: Findings,
) -> None:
    for number, powercut, disk, last in _at(recording, points):
        image = disk.powerless(rng) if powercut else disk.killed()
        write_image(image, folder)
        trouble = await _trouble(folder, disk.acknowledged, findings)
        findings.images += 1
        findings.acknowledged += disk.acknowledged
        findings.checkpoints += last.path.endswith(FILE_NAME)
        if trouble:
            how = "power cut" if powercut else "kill"
            findings.losses.append(
                f"{how} after effect {number}, {disk.acknowledged} acknowledged: {trouble}"
            )


def _at(recording: Recording, points: list[tuple[int, bool]]) -> Iterator[tuple[int, bool, Disk, Effect]]:
    disk, played = Disk(recording.folder, NOTE), 0
    for number, powercut in points:
        while played < number:
            disk.play(recording.effects[played])
            played += 1
        yield number, powercut, disk, recording.effects[played - 1]


async def _trouble(folder: Path, acknowledged: int, findings: Findings) -> str | None:
    """What is wrong with an image: None if it holds what was acknowledged, whole and in order, and at most the next."""
    if not (folder / FILE_NAME).exists():
        return "no journal" if acknowledged else None
    try:
        async with await SqliteJournal.open(folder) as journal:
            found: list[list[Entry]] = [entries async for entries in journal.batches()]
            refused = (await journal.refused()).duplicates
    except Exception as error:  # what a damaged page makes of a row is no concern of this judge
        return f"it cannot be read: {type(error).__name__} {error}"
    if len(found) not in {acknowledged, acknowledged + 1}:
        return f"{len(found)} batches"
    findings.unacknowledged += len(found) > acknowledged
    if found != [batch(number) for number in range(len(found))]:
        return "another content"
    if found and refused != len(found) - 1:
        return "the counts of another batch"
    verification = verify(folder)
    return None if verification.sound else f"not sound: {[f.text for f in verification.findings]}"
