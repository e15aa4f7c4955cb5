"""A process that appends batches to a journal and notes each that was acknowledged: it is recorded for crash images.

``python -m tests.faults.appender FOLDER BATCHES SYNCHRONOUS``: the note is a byte written to FOLDER/acknowledged after
each append that returned, so that the shim's log has it in its place among the effects on the disk.
"""

from __future__ import annotations

import asyncio
import os
import sys
from functools import cache
from pathlib import Path

from monitor import campaign
from monitor.campaign import Source
from monitor.journal import JournalError, Run, SqliteJournal
from shared.entries import Entry, Received, Refused
from shared.messages import Tally
from shared.topics import Kind, Topic

NOTE = "acknowledged"
EXAMPLE = Path(campaign.__file__).parent / "examples" / "tern-a1.toml"
_PAGES = 12  # of the write-ahead log before a checkpoint: few, so that crashes fall into many of them
_SIZES = (1, 3, 12, 1, 90, 5)  # messages in a batch, in turn: from a part of a page to many pages


@cache
def batch(number: int) -> list[Entry]:
    """The ``number``-th batch, from 0; no two are alike and none packs to nothing."""
    topic = Topic("oven-1", 1, Kind.TALLY)
    size = _SIZES[number % len(_SIZES)]
    return [
        Received(
            1_800_000_000_000 + number,
            topic,
            Tally(
                v=1,
                boot=f"boot {number}",
                seq=i,
                t_ms=i,
                up_ms=i,
                temp_c=125.0,
                supply_v=1.98,
                reads=[number * 2654435761 + i * socket * 40503 for socket in range(20)],
                errors=[0] * 20,
            ),
        )
        for i in range(size)
    ]


async def append(folder: Path, first: int, last: int, note: int, synchronous: str) -> None:
    """Open the journal, append the batches from ``first`` to before ``last``, and close it."""
    async with await SqliteJournal.open(folder) as journal:
        await journal._db.execute(f"PRAGMA wal_autocheckpoint={_PAGES}")
        await journal._db.execute(f"PRAGMA synchronous={synchronous}")
        async for _ in journal.batches():
            pass
        for number in range(first, last):
            await _append_at_last(journal, number)
            os.write(note, b"+")


async def _append_at_last(journal: SqliteJournal, number: int) -> None:
    """Try until the disk takes it, as the service does."""
    while True:
        try:
            await journal.append(batch(number), Refused(duplicates=number))
            return
        except JournalError:
            await asyncio.sleep(0.002)  # the disk is in trouble for a while


async def main(folder: Path, batches: int, synchronous: str) -> None:
    """Begin a run and append; half-way the journal is closed and opened again, as by a clean restart."""
    run = Run("appended", 1_800_000_000_000, Source(EXAMPLE.name, EXAMPLE.read_text(), None))
    async with await SqliteJournal.create(folder, run):
        pass
    note = os.open(folder / NOTE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    await append(folder, 0, batches // 2, note, synchronous)
    await append(folder, batches // 2, batches, note, synchronous)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]))
