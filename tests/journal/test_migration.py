"""A run recorded before batches were chained is taken up as it was: nothing lost, chained, alerts still to be sent."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from importlib import resources
from pathlib import Path

import msgspec
import pytest

from monitor.journal import FILE_NAME, JournalError, Outgoing, SqliteJournal, StoredAlert, chain, schema
from monitor.journal.codec import pack
from monitor.journal.protocol import facts_of
from monitor.journal.verify import verify
from shared.entries import Refused
from shared.errors import InputError
from tests.journal.entries import RUN, entry, numbers

COUNTS = msgspec.json.encode(Refused(duplicates=3, invalid=1)).decode()
ALERTS = [
    ("gone", "gone began and ended", 1, 1),
    ("open", "open began", 0, 1),
    ("late", "late ended", 1, 0),
    ("new", "new began", 0, 0),
]


def version_1(folder: Path, *, batches: int = 3, counts: str | None = COUNTS) -> Path:
    """A run as the first version wrote it."""
    folder.mkdir(mode=0o700)
    script = (resources.files("monitor.journal") / "migrations" / "0001_run.sql").read_text(encoding="utf-8")
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY) STRICT, WITHOUT ROWID")
        db.executescript(script)
        db.execute("INSERT INTO migration VALUES ('0001_run.sql')")
        db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        db.executemany("INSERT INTO run VALUES (?, ?)", list(facts_of(RUN).items()))
        for number in range(batches):
            held = [entry(10 * number), entry(10 * number + 1)]
            db.execute("INSERT INTO batch (entries, body) VALUES (?, ?)", (len(held), pack(held)))
        if counts is not None:
            db.execute("INSERT INTO refused VALUES (1, ?)", (counts,))
        db.executemany("INSERT INTO alert VALUES (?, ?, ?, ?)", ALERTS)
        db.commit()
    return folder


async def test_everything_is_taken_up(tmp_path: Path) -> None:
    folder = version_1(tmp_path / "run")
    async with await SqliteJournal.open(folder) as journal:
        assert journal.run == RUN
        assert [numbers(batch) async for batch in journal.batches()] == [[0, 1], [10, 11], [20, 21]]
        assert await journal.refused() == Refused(duplicates=3, invalid=1)
        assert await journal.alerts() == [StoredAlert(id, body, bool(over)) for id, body, over, _ in ALERTS]
        assert await journal.outgoing() == [
            Outgoing(1, "late", "late ended"),
            Outgoing(2, "new", "new began"),
        ]
        digest = chain.genesis(facts_of(RUN))
        for number in range(3):
            held = pack([entry(10 * number), entry(10 * number + 1)])
            digest = chain.link(digest, number + 1, 2, chain.counts_digest(COUNTS), held)
        assert (journal.head.number, journal.head.digest) == (3, digest.hex())
        assert numbers(await journal.append([entry(30)], Refused(duplicates=4))) == [30]
        await journal.save_alerts([StoredAlert("open", "open ended", cleared=True)], send=True)
    found = {f.kind for f in verify(folder).findings if f.severity == "wrong"}
    assert found == {"campaign"}, "the invented campaign is none; all else is as of a run begun today"
    async with await SqliteJournal.open(folder) as journal:
        assert [len(batch) async for batch in journal.batches()] == [2, 2, 2, 1]
        assert len(await journal.outgoing()) == 3, "a second opening takes nothing up again"


async def test_the_order_of_clearing_goes_on(tmp_path: Path) -> None:
    version_1(tmp_path / "run")
    with closing(sqlite3.connect(tmp_path / "run" / FILE_NAME, isolation_level=None)) as db:
        schema.migrate(db, tmp_path)
        assert db.execute("SELECT id, cleared FROM alert ORDER BY number").fetchall() == [
            ("gone", 1),
            ("open", 0),
            ("late", 2),
            ("new", 0),
        ]
        assert schema.steps_done(db) == {"0001_run.sql", "0002_chain.sql"}
        assert schema.tables(db) == schema.expected_tables(), "as of a run begun today"


async def test_counts_without_a_batch_get_one(tmp_path: Path) -> None:
    async with await SqliteJournal.open(version_1(tmp_path / "run", batches=0)) as journal:
        assert [batch async for batch in journal.batches()] == []
        assert journal.position == 1
        assert await journal.refused() == Refused(duplicates=3, invalid=1)


async def test_an_empty_run_is_taken_up(tmp_path: Path) -> None:
    async with await SqliteJournal.open(version_1(tmp_path / "run", batches=0, counts=None)) as journal:
        assert (await journal.last(), journal.head.digest) == (0, chain.genesis(facts_of(RUN)).hex())


@pytest.mark.parametrize("broken", ["DELETE FROM batch WHERE id = 2", "DROP TABLE refused"])
async def test_a_step_that_fails_leaves_the_file_as_it_was(tmp_path: Path, broken: str) -> None:
    folder = version_1(tmp_path / "run")
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        db.execute(broken)
    before = list(sqlite3.connect(folder / FILE_NAME).iterdump())
    with pytest.raises(JournalError, match="batch 2 is missing" if "DELETE" in broken else "no such table"):
        await SqliteJournal.open(folder)
    assert list(sqlite3.connect(folder / FILE_NAME).iterdump()) == before


def test_a_run_that_is_not_chained_yet_is_told_and_left_alone(tmp_path: Path) -> None:
    folder = version_1(tmp_path / "run")
    before = (folder / FILE_NAME).read_bytes()
    (finding,) = verify(folder).findings
    assert (finding.severity, finding.kind) == ("wrong", "schema")
    assert "older lifebound" in finding.text
    assert (folder / FILE_NAME).read_bytes() == before


async def test_another_program_s_database_is_not_brought_up_to_date(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as db, db:
        db.execute("CREATE TABLE batch (id, entries, body)")
    with pytest.raises(InputError, match="not a journal of lifebound"):
        await SqliteJournal.open(tmp_path)
