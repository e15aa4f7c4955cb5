"""The tables of a journal and how they came about: named steps, each recorded, all in one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from importlib import resources
from pathlib import Path

from monitor.journal import chain
from monitor.journal.codec import pack
from monitor.journal.protocol import JournalError
from shared.errors import InputError

APPLICATION_ID = 0x4C464244  # marks the file as ours
GENESIS = "genesis"  # beside the facts of a run: the hash over them, so that a change of them is told from any other


def check_ours(db: sqlite3.Connection, path: Path) -> None:
    """Raises InputError when the file is another program's."""
    if db.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,):
        raise InputError(f"{path}: not a journal of lifebound; give the directory of a run")


def migrate(db: sqlite3.Connection, path: Path) -> None:
    """Bring the tables up to date; ``db`` must be in autocommit mode. Raises JournalError, sqlite3.Error."""
    if not pending(db, path):
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        db.execute("CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY) STRICT, WITHOUT ROWID")
        for name, script in pending(db, path).items():  # somebody else may have been first
            for statement in _statements(script):
                db.execute(statement)
            if name in _THEN:
                _THEN[name](db, path)
            db.execute("INSERT INTO migration VALUES (?)", (name,))
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def write_run(db: sqlite3.Connection, facts: Mapping[str, str]) -> None:
    """Say in an empty journal what the run is."""
    rows = {**facts, GENESIS: chain.genesis(facts).hex()}
    db.execute("BEGIN IMMEDIATE")
    db.executemany("INSERT INTO run VALUES (?, ?)", list(rows.items()))
    db.execute("COMMIT")


def tables(db: sqlite3.Connection) -> dict[str, str]:
    """Everything that a database defines: the text of each definition by its kind and name."""
    rows = db.execute("SELECT type || ' ' || name, coalesce(sql, '') FROM sqlite_master")
    return {str(name): str(text) for name, text in rows}


def expected_tables() -> dict[str, str]:
    """What :func:`tables` gives of a journal that is up to date."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        migrate(db, Path(":memory:"))
        return tables(db)


def known_steps() -> dict[str, str]:
    """The steps there are: their SQL by name, in order."""
    folder = resources.files("monitor.journal") / "migrations"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return {file.name: file.read_text(encoding="utf-8") for file in files}


def steps_done(db: sqlite3.Connection) -> set[str]:
    """Names of the steps that a database has behind it."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migration'").fetchone():
        return set()
    return {str(name) for (name,) in db.execute("SELECT name FROM migration")}


def pending(db: sqlite3.Connection, path: Path) -> dict[str, str]:
    """The steps that a database has still to take. Raises JournalError when it is of a newer lifebound."""
    steps, done = known_steps(), steps_done(db)
    if unknown := done - steps.keys():
        raise JournalError(
            f"{path}: written by a newer lifebound ({', '.join(map(ascii, sorted(unknown)))}); "
            "update the one that reads it"
        )
    return {name: script for name, script in steps.items() if name not in done}


def _statements(script: str) -> Iterator[str]:
    """The statements of a script one by one: run as a whole it would first commit what is open."""
    statement = ""
    for part in script.split(";")[:-1]:
        statement += part + ";"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _chain(db: sqlite3.Connection, path: Path) -> None:
    """Chain the batches of a run that has none yet. All of them get the refused counts that stand now."""
    facts = {str(key): str(value) for key, value in db.execute("SELECT key, value FROM run")}
    value = db.execute("SELECT value FROM refused").fetchone()
    counts = chain.counts_digest(value[0]) if value else chain.NO_COUNTS
    before, last = chain.genesis(facts), 0
    if facts:
        db.execute("INSERT INTO run VALUES (?, ?)", (GENESIS, before.hex()))
    for number, entries, body in db.execute("SELECT id, entries, body FROM batch_1 ORDER BY id"):
        if number != last + 1:
            raise JournalError(f"{path}: batch {last + 1} is missing; restore the run directory from a copy")
        before, last = chain.link(before, number, entries, counts, body), number
        db.execute("INSERT INTO batch VALUES (?, ?, ?, ?, ?)", (number, entries, counts, before, body))
    if value and not last:
        body = pack([])
        row = (1, 0, counts, chain.link(before, 1, 0, counts, body), body)
        db.execute("INSERT INTO batch VALUES (?, ?, ?, ?, ?)", row)
    db.execute("DROP TABLE batch_1")


_THEN: dict[str, Callable[[sqlite3.Connection, Path], None]] = {"0002_chain.sql": _chain}
