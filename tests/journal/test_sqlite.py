"""What only a journal on disk can promise: durable, private, whole or not there, and plain words when it is none."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.journal import FILE_NAME, JournalError, Run, SqliteJournal, chain
from shared.entries import Disposed, Disposition, Entry, Refused
from shared.errors import InputError
from tests.journal.entries import RUN, entry, numbers

ROOT = Path(__file__).parents[2]
CHILD_BOUND_S = 60
FULL = 2  # PRAGMA synchronous, SQLite's documentation: 0 OFF, 1 NORMAL, 2 FULL, 3 EXTRA


async def make(folder: Path, *batches: list[Entry]) -> None:
    """A run with these batches, closed again."""
    async with await SqliteJournal.create(folder, RUN) as journal:
        for batch in batches:
            await journal.append(batch)


async def everything(folder: Path) -> list[int]:
    async with await SqliteJournal.open(folder) as journal:
        return [n async for batch in journal.batches() for n in numbers(batch)]


def alter(folder: Path, *statements: str) -> None:
    """What somebody does to the file behind our back."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        for statement in statements:
            db.execute(statement)


async def pragma(journal: SqliteJournal, name: str) -> Any:
    async with journal._db.execute(f"PRAGMA {name}") as cursor:
        row = await cursor.fetchone()
    assert row is not None
    return row[0]


@pytest.mark.parametrize("way", ["create", "open"])
async def test_a_commit_is_on_disk_when_it_returns(tmp_path: Path, way: str) -> None:
    """With WAL, synchronous=FULL syncs the log at each commit; NORMAL would not (SQLite, "PRAGMA synchronous")."""
    if way == "open":
        await make(tmp_path / "run")
    made = (
        SqliteJournal.create(tmp_path / "run", RUN)
        if way == "create"
        else SqliteJournal.open(tmp_path / "run")
    )
    async with await made as journal:
        assert await pragma(journal, "synchronous") == FULL
        assert await pragma(journal, "journal_mode") == "wal"
        assert await pragma(journal, "busy_timeout") >= 5000


async def test_the_folder_is_private(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "run"
    folder.mkdir(parents=True)
    folder.chmod(0o755)
    await make(folder)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


async def test_the_run_comes_back(tmp_path: Path) -> None:
    await make(tmp_path / "run")
    async with await SqliteJournal.open(tmp_path / "run") as journal:
        assert journal.run == RUN
        assert journal.run.source.sha256 == RUN.source.sha256


def make_it_fit(folder: Path, number: int) -> None:
    """What somebody does who knows how the chain is made: reckon the hashes from a batch on anew."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        ((before,),) = db.execute("SELECT hash FROM batch WHERE id = ?", (number - 1,)).fetchall()
        for row in db.execute(
            "SELECT id, entries, refused, body FROM batch WHERE id >= ? ORDER BY id", (number,)
        ).fetchall():
            before = chain.link(before, *row)
            db.execute("UPDATE batch SET hash = ? WHERE id = ?", (before, row[0]))


# ---------------------------------------------------------------- what is no journal of ours, or a broken one


async def test_a_run_is_begun_only_once(tmp_path: Path) -> None:
    await make(tmp_path, [entry(1)])
    with pytest.raises(InputError, match=f"{FILE_NAME}: a run is recorded here already"):
        await SqliteJournal.create(tmp_path, Run("run-2", 0, RUN.source))
    assert await everything(tmp_path) == [1]


async def test_a_missing_run_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=rf"{tmp_path}: no run is recorded here \({FILE_NAME} is missing\)"):
        await SqliteJournal.open(tmp_path)
    assert os.listdir(tmp_path) == [], "looking for a run makes none"


async def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(JournalError, match="cannot make the run directory"):
        await SqliteJournal.create(tmp_path / "file" / "run", RUN)


async def test_a_place_without_room_for_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / (FILE_NAME + "-journal")).mkdir()  # where SQLite keeps its notes while it turns WAL on
    with pytest.raises(JournalError, match=f"{FILE_NAME}: .*check the disk"):
        await SqliteJournal.create(tmp_path, RUN)


async def test_another_program_s_database_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    alter(tmp_path, "CREATE TABLE birds (name TEXT)", "INSERT INTO birds VALUES ('tern')")
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(InputError, match=f"{FILE_NAME}: not a journal of lifebound"):
        await SqliteJournal.open(tmp_path)
    assert (tmp_path / FILE_NAME).read_bytes() == before


async def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("a text of more than a hundred characters " * 40)
    with pytest.raises(
        JournalError,
        match=f"{FILE_NAME}: the file is damaged .*not a database.*restore the run directory from a copy",
    ):
        await SqliteJournal.open(tmp_path)


async def test_a_newer_journal_is_refused(tmp_path: Path) -> None:
    await make(tmp_path)
    alter(tmp_path, "INSERT INTO migration VALUES ('9999_of_the_future.sql')")
    with pytest.raises(
        JournalError, match=rf"{FILE_NAME}: written by a newer .*9999_of_the_future.sql.*update"
    ):
        await SqliteJournal.open(tmp_path)


async def test_a_run_without_its_facts_is_refused(tmp_path: Path) -> None:
    await make(tmp_path)
    alter(tmp_path, "DELETE FROM run WHERE key = 'campaign_toml'")
    with pytest.raises(JournalError, match=f"{FILE_NAME}: does not say what the run is .*campaign_toml"):
        await SqliteJournal.open(tmp_path)


@pytest.mark.parametrize(
    "body",
    [
        "x''",
        "x'00'",
        "substr(body, 1, length(body) - 1)",
        "substr(body, 1, length(body) / 2)",
        "CAST('no frame of zstandard' AS BLOB)",
        "CAST(body || x'00' AS BLOB)",
        "x'28b52ffdc0580000000000000010'",  # a frame that says it has 2^60 bytes
    ],
)
async def test_a_damaged_batch_is_named(tmp_path: Path, body: str) -> None:
    await make(tmp_path, [entry(1)], [entry(2)], [entry(3)])
    alter(tmp_path, f"UPDATE batch SET body = {body} WHERE id = 2")
    async with await SqliteJournal.open(tmp_path) as journal:
        batches = journal.batches()
        assert numbers(await anext(batches)) == [1]
        with pytest.raises(
            JournalError, match=f"{FILE_NAME}: batch 2 was changed, .*restore the run directory"
        ):
            await anext(batches)
        assert journal.position == 1
    make_it_fit(tmp_path, 2)
    async with await SqliteJournal.open(tmp_path) as journal:
        batches = journal.batches()
        assert numbers(await anext(batches)) == [1]
        with pytest.raises(
            JournalError, match=f"{FILE_NAME}: batch 2 is damaged .*restore the run directory"
        ):
            await anext(batches)


# ---------------------------------------------------------------- whole or not there


def at_statement(journal: SqliteJournal, word: str, act: Callable[[], object]) -> None:
    """Call ``act`` as the journal is about to run a statement that begins with ``word``."""
    execute = journal._db.execute

    def watched(sql: str, *rest: Any) -> Any:
        if sql.startswith(word):
            act()
        return execute(sql, *rest)

    journal._db.execute = watched  # type: ignore[method-assign]


@pytest.mark.parametrize("word", ["BEGIN", "SELECT", "INSERT INTO batch", "INSERT INTO refused", "COMMIT"])
async def test_a_cancelled_append_is_whole_or_not_there(tmp_path: Path, word: str) -> None:
    batch = [entry(n) for n in range(100)]
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        task = asyncio.create_task(journal.append(batch, Refused(duplicates=7)))
        at_statement(journal, word, task.cancel)
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not journal._db.in_transaction
        there = await everything(tmp_path)
        assert there in ([], list(range(100)))
        assert (await journal.refused()).duplicates == (7 if there else 0), "in one commit with the entries"
        news = await journal.append([entry(100)])
        assert numbers(news) == [*there, 100], "nobody was told of the cancelled append's entries yet"
    assert await everything(tmp_path) == [*there, 100]


async def test_an_append_cancelled_before_it_ran_leaves_nothing(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        task = asyncio.create_task(journal.append([entry(1)]))
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not journal._db.in_transaction
        assert numbers(await journal.append([entry(2)])) == [2]


def big_entry(serial: str) -> Entry:
    why = os.urandom(2000).hex()
    return Disposed(2, Disposition(serial=serial, cls="relevant", who="R. Tern", why=why, when_ms=2))


async def test_a_full_disk_is_an_error_that_leaves_nothing_and_passes(tmp_path: Path) -> None:
    """SQLite's own page limit stands in for the disk: it fails with the same SQLITE_FULL."""
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(1)])
        pages = await pragma(journal, "page_count")
        assert await pragma(journal, f"max_page_count={pages}") == pages
        big: list[Entry] = [big_entry(serial) for serial in "abcdefgh"]
        with pytest.raises(
            JournalError, match=f"{FILE_NAME}: no room on the disk .*make room, then it goes on by itself"
        ):
            await journal.append(big, Refused(duplicates=5))
        assert not journal._db.in_transaction
        assert (await journal.refused()).duplicates == 0
        assert await everything(tmp_path) == [1]
        await pragma(journal, "max_page_count=1000000")
        assert await journal.append(big) == big, "when there is room again it goes on where it was"
    assert await everything(tmp_path) == [1, *[2] * 8]


async def test_alerts_and_appends_at_the_same_time_do_not_share_a_transaction(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await asyncio.gather(
            *[journal.append([entry(n)]) for n in range(20)],
            *[journal.save_alerts([], send=False) for _ in range(20)],
        )
        assert not journal._db.in_transaction
    assert sorted(await everything(tmp_path)) == list(range(20))


async def test_a_disposition_of_another_process_is_seen(tmp_path: Path) -> None:
    judged = Disposed(
        5, Disposition(serial="A-001", cls="not-relevant", who="R. Tern", why="contact", when_ms=5)
    )
    async with await SqliteJournal.create(tmp_path, RUN) as service:
        await service.append([entry(1)])
        async with await SqliteJournal.open(tmp_path) as command_line:
            await command_line.append([judged])
        assert await service.has_news()
        assert await service.append([entry(2)]) == [judged, entry(2)]


# ---------------------------------------------------------------- killed

APPEND_FOR_EVER = """
import asyncio, sys
from pathlib import Path
from monitor.journal import SqliteJournal
from tests.journal.entries import RUN, entry

async def main():
    async with await SqliteJournal.create(Path(sys.argv[1]), RUN) as journal:
        number = 0
        while True:
            await journal.append([entry(number), entry(number)])
            print(number, flush=True)
            number += 1

asyncio.run(main())
"""

EXIT_AT_COMMIT = """
import asyncio, os, sys
from pathlib import Path
from monitor.journal import SqliteJournal
from tests.journal.entries import RUN, entry

async def main():
    journal = await SqliteJournal.create(Path(sys.argv[1]), RUN)
    await journal.append([entry(0)])
    execute = journal._db.execute

    async def dying(sql, *rest):
        if sql == "COMMIT" and sys.argv[2] == "before":
            os._exit(9)
        result = await execute(sql, *rest)
        if sql == "COMMIT":
            os._exit(9)
        return result

    journal._db.execute = dying
    await journal.append([entry(1), entry(2)])

asyncio.run(main())
"""


def killed_in_mid_append(run_dir: Path) -> list[int]:
    """Kill a process that appends without end; returns what it said it had appended."""
    command = [sys.executable, "-c", APPEND_FOR_EVER, str(run_dir)]
    # Unbuffered: communicate() does not see what a buffer has read ahead.
    child = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, bufsize=0)
    try:
        assert child.stdout is not None
        said = [int(child.stdout.readline()) for _ in range(150)]
    finally:
        os.kill(child.pid, signal.SIGKILL)
        rest, _ = child.communicate(timeout=CHILD_BOUND_S)
    return said + [int(line) for line in rest.splitlines()]


async def test_everything_said_to_be_appended_survives_kill_9(tmp_path: Path) -> None:
    said = killed_in_mid_append(tmp_path / "run")
    there = await everything(tmp_path / "run")
    assert there[::2] == there[1::2], "each append is whole"
    assert there[::2][: len(said)] == said == list(range(len(said)))
    assert len(there[::2]) - len(said) in (0, 1), "at most the one in hand was not said yet"


def dead_at_the_commit(run_dir: Path, moment: str) -> int:
    """Exit code of a process that dies without further ado before or after its second commit."""
    command = [sys.executable, "-c", EXIT_AT_COMMIT, str(run_dir), moment]
    return subprocess.run(command, cwd=ROOT, timeout=CHILD_BOUND_S, check=False).returncode


@pytest.mark.parametrize(("moment", "there"), [("before", [0]), ("after", [0, 1, 2])])
async def test_a_death_at_the_commit_leaves_all_or_nothing(
    tmp_path: Path, moment: str, there: list[int]
) -> None:
    assert dead_at_the_commit(tmp_path / "run", moment) == 9
    assert await everything(tmp_path / "run") == there
    async with await SqliteJournal.open(tmp_path / "run") as journal:
        await journal.append([entry(7)])
    assert await everything(tmp_path / "run") == [*there, 7]


async def test_a_run_where_nothing_can_be_written_opens_for_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An archive on read-only media. No mode stops root, as whom tests may run: the system's answer is put on."""
    folder = tmp_path / "a run"
    async with await SqliteJournal.create(folder, RUN) as journal:
        await journal.append([entry(1), entry(2)])
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    monkeypatch.setattr("os.access", lambda path, mode: False)
    async with await SqliteJournal.open(folder) as journal:
        assert journal.run == RUN
        assert [len(batch) async for batch in journal.batches()] == [2]
        with pytest.raises(JournalError):
            await journal.append([entry(3)])
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


async def test_a_run_that_was_not_closed_is_whole_where_nothing_can_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands in the log beside the file belongs to the run."""
    async with await SqliteJournal.create(tmp_path / "run", RUN) as journal:
        await journal.append([entry(1), entry(2)])
        archive = shutil.copytree(tmp_path / "run", tmp_path / "archive")
    monkeypatch.setattr("os.access", lambda path, mode: False)
    assert await everything(Path(archive)) == [1, 2]


async def test_who_is_cancelled_again_and_again_still_waits_for_the_commit(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        task = asyncio.create_task(journal.append([entry(n) for n in range(100)]))
        at_statement(journal, "INSERT INTO batch", task.cancel)
        at_statement(journal, "COMMIT", task.cancel)
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not journal._db.in_transaction
        assert await everything(tmp_path) == list(range(100))
