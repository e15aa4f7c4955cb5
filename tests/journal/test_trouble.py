"""Storage trouble: whatever SQLite raises, wherever, the journal says it in plain words, keeps its promise, and goes
on by itself once the cause is gone; what was committed although it failed is there once."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from monitor.journal import FILE_NAME, JournalError, Run, SqliteJournal, StoredAlert, connection, trouble
from monitor.journal.verify import verify
from shared.entries import Disposed, Disposition, Entry, Refused
from tests.journal.entries import RUN, entry, numbers

CLASSES = {
    "FULL": "no room on the disk",
    "IOERR": "the disk does not read or write",
    "READONLY": "it cannot be written",
    "CORRUPT": "the file is damaged",
    "NOTADB": "the file is damaged",
    "CANTOPEN": "it cannot be opened",
    "PERM": "it may not be written",
    "BUSY": "locked by another process",
    "PROTOCOL": "check the disk",
}
STATEMENTS = ["BEGIN", "SELECT", "INSERT INTO batch", "INSERT INTO refused", "COMMIT"]


def sqlite_error(name: str) -> sqlite3.Error:
    """What SQLite raises, with the code it gives."""
    error = sqlite3.OperationalError(f"invented {name.lower()}")
    error.sqlite_errorcode = getattr(sqlite3, f"SQLITE_{name}")  # type: ignore[attr-defined]
    error.sqlite_errorname = f"SQLITE_{name}"  # type: ignore[attr-defined]
    return error


class Fault:
    """Lets statements fail that begin with ``word``: the first ``times``, before they run or ``after``."""

    def __init__(
        self, journal: SqliteJournal, word: str, error: str, *, times: int = 1, after: bool = False
    ) -> None:
        self.word, self.error, self.left, self.after = word, error, times, after
        self.execute = journal._db.execute
        journal._db.execute = self.run  # type: ignore[method-assign]

    async def run(self, sql: str, *values: Any) -> Any:
        fails = sql.startswith(self.word) and self.left > 0
        self.left -= fails
        if fails and not self.after:
            raise sqlite_error(self.error)
        result = await self.execute(sql, *values)
        if fails:
            raise sqlite_error(self.error)
        return result


async def everything(folder: Path) -> list[int]:
    async with await SqliteJournal.open(folder) as journal:
        return [n async for batch in journal.batches() for n in numbers(batch)]


@pytest.mark.parametrize("word", STATEMENTS)
@pytest.mark.parametrize("name", CLASSES)
async def test_trouble_is_told_changes_nothing_and_passes(tmp_path: Path, name: str, word: str) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(0)], Refused())
        head = journal.head
        Fault(journal, word, name, times=2)
        for _ in range(2):
            with pytest.raises(
                JournalError, match=f"{FILE_NAME}: {CLASSES[name]}|: .*{CLASSES[name]}"
            ) as raised:
                await journal.append([entry(1)], Refused(invalid=1))
            assert f"SQLITE_{name}" in str(raised.value)
            assert journal.head == head
            assert not journal._db.in_transaction
        assert numbers(await journal.append([entry(1)], Refused(invalid=1))) == [1]
        assert await journal.refused() == Refused(invalid=1)
        assert numbers(await journal.append([entry(2)])) == [2]
    assert await everything(tmp_path) == [0, 1, 2]


@pytest.mark.parametrize("name", ["IOERR", "FULL", "CORRUPT"])
@pytest.mark.parametrize("times", [1, 3])
async def test_a_commit_that_was_made_and_failed_is_not_made_again(
    tmp_path: Path, name: str, times: int
) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(0)])
        Fault(journal, "COMMIT", name, times=times, after=True)
        for _ in range(times):
            with pytest.raises(JournalError):
                await journal.append([entry(1), entry(2)], Refused(invalid=1))
            assert journal.position == 1, "nobody was told of it"
        assert numbers(await journal.append([entry(1), entry(2)], Refused(invalid=1))) == [1, 2], "told once"
        assert journal.position == await journal.last() == 2
        assert numbers(await journal.append([entry(1)], Refused(invalid=1))) == [1], (
            "the same again is new then"
        )
    assert await everything(tmp_path) == [0, 1, 2, 1]


async def test_what_others_add_between_a_commit_in_doubt_and_its_retry_is_told_in_order(
    tmp_path: Path,
) -> None:
    async with (
        await SqliteJournal.create(tmp_path, RUN) as journal,
        await SqliteJournal.open(tmp_path) as other,
    ):
        Fault(journal, "COMMIT", "IOERR", after=True)
        with pytest.raises(JournalError):
            await journal.append([entry(1)], Refused(invalid=1))
        await other.append([entry(2)])
        assert numbers(await journal.append([entry(1)], Refused(invalid=2))) == [1, 2]
        assert await journal.refused() == Refused(invalid=2), "counts that changed meanwhile are kept"
    assert await everything(tmp_path) == [1, 2]


async def test_trouble_with_the_counts_of_a_retry_forgets_nothing_of_the_first_commit(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "COMMIT", "IOERR", after=True)
        with pytest.raises(JournalError):
            await journal.append([entry(1)], Refused(invalid=1))
        Fault(journal, "COMMIT", "IOERR")
        with pytest.raises(JournalError):
            await journal.append([entry(1)], Refused(invalid=2))
        assert numbers(await journal.append([entry(1)], Refused(invalid=3))) == [1]
    assert await everything(tmp_path) == [1]


async def test_what_others_add_after_a_commit_that_really_failed_comes_before_its_retry(
    tmp_path: Path,
) -> None:
    async with (
        await SqliteJournal.create(tmp_path, RUN) as journal,
        await SqliteJournal.open(tmp_path) as other,
    ):
        Fault(journal, "COMMIT", "IOERR")
        with pytest.raises(JournalError):
            await journal.append([entry(1)])
        await other.append([entry(2)])
        assert numbers(await journal.append([entry(1)])) == [2, 1]
    assert await everything(tmp_path) == [2, 1]


async def test_who_gives_up_after_a_commit_in_doubt_is_told_of_it_as_news(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "COMMIT", "IOERR", after=True)
        with pytest.raises(JournalError):
            await journal.append([entry(1)])
        assert await journal.has_news()
        assert numbers(await journal.append([entry(2)])) == [1, 2]


async def test_an_alert_in_doubt_waits_once_for_its_sending(tmp_path: Path) -> None:
    alert = StoredAlert("a", "began", cleared=False)
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "COMMIT", "IOERR", after=True)
        with pytest.raises(JournalError):
            await journal.save_alerts([alert], send=True)
        await journal.save_alerts([alert], send=True)
        assert [each.alert_id for each in await journal.outgoing()] == ["a"]


async def test_an_alert_and_its_sending_are_kept_together_or_not_at_all(tmp_path: Path) -> None:
    alert = StoredAlert("a", "began", cleared=False)
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "INSERT INTO outbox", "FULL")
        with pytest.raises(JournalError):
            await journal.save_alerts([alert], send=True)
        assert (await journal.alerts(), await journal.outgoing()) == ([], [])


@pytest.mark.parametrize("name", ["IOERR", "CORRUPT"])
async def test_looking_goes_on_too(tmp_path: Path, name: str) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(1)], Refused(invalid=1))
        for look in (journal.last, journal.refused, journal.alerts, journal.outgoing):
            Fault(journal, "SELECT", name)
            with pytest.raises(JournalError):
                await look()
            await look()
        Fault(journal, "SELECT", name)
        with pytest.raises(JournalError):
            [batch async for batch in journal.batches()]
        assert [numbers(batch) async for batch in journal.batches()] == [[1]]


async def test_a_rollback_that_fails_leaves_no_transaction_behind(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "COMMIT", "FULL")
        Fault(journal, "ROLLBACK", "IOERR")
        with pytest.raises(JournalError, match="no room"):
            await journal.append([entry(1)])
        async with await SqliteJournal.open(tmp_path) as other:
            assert await other.last() == 0
        assert numbers(await journal.append([entry(1)])) == [1]
    assert await everything(tmp_path) == [1]


async def test_an_error_on_a_disk_without_room_is_told_as_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where SQLite cannot make room for its index it says "disk I/O error"."""
    real = os.statvfs(tmp_path)
    full = os.statvfs_result((*real[:4], 0, *real[5:]))
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        Fault(journal, "COMMIT", "IOERR", times=2)
        with pytest.raises(JournalError, match="the disk does not read or write"):
            await journal.append([entry(1)])
        monkeypatch.setattr(trouble.os, "statvfs", lambda path: full)
        with pytest.raises(JournalError, match="no room on the disk"):
            await journal.append([entry(1)])


# ---------------------------------------------------------------- for real


@pytest.fixture
def _no_long_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_MS", 20)


@pytest.mark.usefixtures("_no_long_waits")
async def test_a_locked_journal_is_told_and_passes(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as holder:
            holder.execute("BEGIN IMMEDIATE")
            for _ in range(3):
                with pytest.raises(
                    JournalError, match=r"locked by another process for too long .*end that one"
                ):
                    await journal.append([entry(1)])
            assert await journal.last() == 0, "who only looks is not kept out"
            holder.execute("ROLLBACK")
        assert numbers(await journal.append([entry(1)])) == [1]


async def test_a_connection_that_may_not_write_is_replaced(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal._db.execute("PRAGMA query_only=ON")
        with pytest.raises(JournalError, match=r"it cannot be written .*READONLY"):
            await journal.append([entry(1)])
        assert numbers(await journal.append([entry(1)])) == [1]
        assert await journal._db.select("PRAGMA synchronous") == [(2,)], "as durable as the first"


async def test_a_folder_that_goes_away_and_comes_back(tmp_path: Path) -> None:
    """As a disk that is unmounted; without a look at the name SQLite would go on writing where nobody finds it."""
    run, away = tmp_path / "run", tmp_path / "away"
    async with await SqliteJournal.create(run, RUN) as journal:
        await journal.append([entry(1)])
        run.rename(away)
        for _ in range(2):
            with pytest.raises(JournalError, match=f"{FILE_NAME}: it is not there any more; put it back"):
                await journal.append([entry(2)])
            with pytest.raises(JournalError, match="put it back"):
                await journal.has_news()
        assert not run.exists(), "nothing is made in its place"
        away.rename(run)
        assert numbers(await journal.append([entry(2)])) == [2]
    assert await everything(run) == [1, 2]


async def test_a_journal_that_is_replaced_is_told(tmp_path: Path) -> None:
    run, old, foreign = tmp_path / "run", tmp_path / "old", tmp_path / "foreign"
    async with await SqliteJournal.create(foreign, Run("another", 0, RUN.source)):
        pass
    async with await SqliteJournal.create(run, RUN) as journal:
        await journal.append([entry(1)])
    shutil.copytree(run, old)
    async with await SqliteJournal.open(run) as journal:
        _ = [batch async for batch in journal.batches()]
        await journal.append([entry(2)])
        run.rename(tmp_path / "true")
        shutil.copytree(foreign, run)
        with pytest.raises(JournalError, match="journal of another run now"):
            await journal.append([entry(3)])
        shutil.rmtree(run)
        old.rename(run)
        with pytest.raises(JournalError, match="batch 2 is missing, which was there before"):
            await journal.append([entry(3)])
        shutil.rmtree(run)
        (tmp_path / "true").rename(run)
        assert numbers(await journal.append([entry(3)])) == [3]
    assert await everything(run) == [1, 2, 3]


def alter(folder: Path, statement: str) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        db.execute(statement)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        (
            "UPDATE batch SET hash = zeroblob(32) WHERE id = 2",
            "batch 2 was changed since it was last looked at",
        ),
        ("DELETE FROM batch WHERE id = 2", "batch 2 is missing, which was there before"),
        (
            "INSERT INTO batch SELECT 3, entries, refused, hash, body FROM batch WHERE id = 2",
            "batch 3 was changed",
        ),
        (
            "INSERT INTO batch SELECT 4, entries, refused, hash, body FROM batch WHERE id = 2",
            "batch 3 is missing",
        ),
    ],
)
async def test_who_appends_looks_at_the_chain(tmp_path: Path, statement: str, says: str) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(1)])
        await journal.append([entry(2)])
        alter(tmp_path, statement)
        head = journal.head
        for entries in ([entry(3)], []):
            with pytest.raises(JournalError, match=f"{FILE_NAME}: {says}.*lifebound check {tmp_path}"):
                await journal.append(entries)
        assert journal.head == head
        assert not journal._db.in_transaction


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE batch SET entries = 2 WHERE id = 2", "batch 2 was changed"),
        ("UPDATE batch SET refused = zeroblob(32) WHERE id = 3", "batch 3 was changed"),
        ("DELETE FROM batch WHERE id = 2", "batch 2 is missing"),
        ("UPDATE batch SET id = 0 WHERE id = 3", "batch 0 was put in"),
        ("UPDATE batch SET id = 9 WHERE id = 3", "batch 3 is missing"),
        (
            "UPDATE batch SET body = (SELECT body FROM batch AS b WHERE b.id = 3 - batch.id),"
            " hash = (SELECT hash FROM batch AS b WHERE b.id = 3 - batch.id) WHERE id IN (1, 2)",
            "batch 1 was changed, swapped",
        ),
    ],
)
async def test_who_reads_looks_at_the_chain(tmp_path: Path, statement: str, says: str) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        for number in range(1, 5):
            await journal.append([entry(number)], Refused(invalid=number))
    alter(tmp_path, statement)
    async with await SqliteJournal.open(tmp_path) as journal:
        with pytest.raises(JournalError, match=f"{FILE_NAME}: {says}"):
            [batch async for batch in journal.batches()]


@pytest.mark.parametrize("column", ["entries", "refused", "hash", "body"])
async def test_a_column_of_another_type_is_damage_and_no_crash(tmp_path: Path, column: str) -> None:
    """As a damaged page may have it, whatever the table says of its columns."""
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(1)])
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as db, db:
        db.execute("PRAGMA writable_schema=ON")
        db.execute("UPDATE sqlite_master SET sql = replace(sql, 'STRICT', '') WHERE name = 'batch'")
    alter(tmp_path, f"UPDATE batch SET {column} = 'text'")
    async with await SqliteJournal.open(tmp_path) as journal:
        with pytest.raises(JournalError, match="batch 1 is damaged"):
            [batch async for batch in journal.batches()]
        with pytest.raises(JournalError, match="batch 1 is damaged"):
            await journal.append([entry(2)])
    assert not verify(tmp_path).sound


@pytest.mark.parametrize("fact", ["id", "began_ms", "campaign_toml", "chips_csv"])
async def test_facts_of_the_run_that_were_changed_are_told_at_the_opening(tmp_path: Path, fact: str) -> None:
    async with await SqliteJournal.create(tmp_path, RUN):
        pass
    alter(tmp_path, f"UPDATE run SET value = '7' WHERE key = '{fact}'")
    with pytest.raises(JournalError, match=f"{FILE_NAME}: what it says of the run .* was changed"):
        await SqliteJournal.open(tmp_path)


async def test_it_does_not_open_where_a_commit_would_not_be_durable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with await SqliteJournal.create(tmp_path, RUN):
        pass
    for pragmas in (("synchronous=NORMAL",), ("journal_mode=DELETE", "synchronous=FULL")):
        monkeypatch.setattr(connection, "PRAGMAS", pragmas)
        with pytest.raises(JournalError, match="a commit would not be durable here"):
            await SqliteJournal.open(tmp_path)


def long_entry(number: int) -> Entry:
    """One that takes more than a page."""
    why = random.Random(number).randbytes(1900).hex()
    return Disposed(number, Disposition(serial="A", cls="relevant", who="R. Tern", why=why, when_ms=number))


async def test_a_damaged_page_is_told_by_whoever_reads_it(tmp_path: Path) -> None:
    """Bytes of each page of a real file are overwritten in turn; no entry is read that is not as it was written."""
    run = tmp_path / "run"
    async with await SqliteJournal.create(run, RUN) as journal:
        for number in range(12):
            await journal.append(
                [entry(number), *(long_entry(10 * number + n) for n in range(4))], Refused(invalid=number)
            )
    whole, sound = (run / FILE_NAME).read_bytes(), await everything(run)
    said = []
    for page in range(len(whole) // 4096):
        data = bytearray(whole)
        data[page * 4096 + 3000 : page * 4096 + 3300] = b"\xa5" * 300
        (run / FILE_NAME).write_bytes(data)
        try:
            assert await everything(run) == sound
        except JournalError as error:
            said.append(str(error))
    assert all(
        str(run / FILE_NAME) in text and "restore the run directory from a copy" in text for text in said
    )
    assert len(said) > 12, "most pages hold batches"


async def test_a_log_that_is_taken_away_loses_nothing(tmp_path: Path) -> None:
    """By a clean-up, say: SQLite goes on writing into a file that no longer has a name."""
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(0)])
        (tmp_path / f"{FILE_NAME}-wal").unlink()
        for number in range(1, 20):
            with suppress(JournalError):
                await journal.append([entry(number)])
                break
        await journal.append([entry(20)])
        shutil.copytree(tmp_path, tmp_path / "copy")  # what a kill would leave
    async with await SqliteJournal.open(tmp_path / "copy") as copy:
        found = [each for batch in [b async for b in copy.batches()] for each in batch]
    assert found[0] == entry(0)
    assert found[-1] == entry(20)
    assert len(found) == 3, "each that was not refused, once"


async def test_a_reader_does_not_keep_a_writer_out(tmp_path: Path) -> None:
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        await journal.append([entry(0)])
        with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            assert reader.execute("SELECT count(*) FROM batch").fetchone() == (1,)
            async with await SqliteJournal.open(tmp_path) as second:
                await second.secure()
                await second.append([entry(1)])
            await journal.append([entry(2)])
            assert await journal.last() == 3
