"""The journal on disk: one SQLite file in the run directory, written through aiosqlite.

``synchronous=FULL`` makes a commit durable before it returns; that is what an acknowledgement to the broker rests
on. One object owns one connection and every write is one explicit transaction, never cancelled half-way: a
cancelled caller waits until its transaction has ended.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar
from urllib.parse import quote

import aiosqlite
import msgspec

from monitor.campaign import Source
from monitor.journal.codec import CorruptError, pack, unpack
from monitor.journal.protocol import JournalError, Run, StoredAlert
from shared.entries import Entry, Refused
from shared.errors import InputError

T = TypeVar("T")
FILE_NAME = "journal.db"
_DRAFT_NAME = "journal.draft"
_OUR_OWN = {"serve.lock"}  # of the service, which locks the folder before it begins a run
_APPLICATION_ID = 0x4C464244  # marks the file as ours
_CHUNK = 256
_BUSY_MS = 10_000


class SqliteJournal:
    """The journal of the run in one directory; use it as an asynchronous context manager."""

    def __init__(self, path: Path, db: aiosqlite.Connection, run: Run) -> None:
        self.path = path
        self._db = db
        self._run = run
        self._looked = 0
        self._writing = asyncio.Lock()

    @classmethod
    async def create(cls, folder: Path, run: Run) -> Self:
        """Begin a run in ``folder``, which is made. Raises InputError when one is there already, JournalError.

        The file is made under another name and gets its own when it is whole, so that a crash leaves none or all.
        """
        path, draft = folder / FILE_NAME, folder / _DRAFT_NAME
        if path.exists():
            raise InputError(f"{path}: a run is recorded here already; choose another run directory")
        try:
            _make_private(folder, draft)
            db = await _connect(draft)
            try:
                await _make_durable(db)
                await _migrate(db, draft)
                await _write_run(db, run)
            finally:
                await db.close()
            draft.replace(path)
        except OSError as error:
            raise JournalError(f"{folder}: cannot make the run directory ({error.strerror})") from error
        except sqlite3.Error as error:
            raise _trouble(path, error) from error
        return await cls.open(folder)

    @classmethod
    async def open(cls, folder: Path) -> Self:
        """Open the run in ``folder``. Raises InputError when there is none, JournalError when it is damaged.

        A run that lies where nothing can be written (an archive, another person's folder) opens for reading.
        """
        path = folder / FILE_NAME
        if not path.is_file():
            raise InputError(
                f"{folder}: no run is recorded here ({FILE_NAME} is missing); give a run directory"
            )
        try:
            db = await _connect(path)
        except sqlite3.Error as error:
            raise _trouble(path, error) from error
        try:
            await _check_ours(db, path)  # before anything is written: a foreign file stays as it is
            if not _only_readable(path):
                await _make_durable(db)
                await _migrate(db, path)
            return cls(path, db, await _read_run(db, path))
        except sqlite3.Error as error:
            await db.close()
            raise _trouble(path, error) from error
        except BaseException:
            await db.close()
            raise

    @property
    def run(self) -> Run:
        """The run that is recorded."""
        return self._run

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._db.close()

    @property
    def position(self) -> int:
        """Number of the last batch that was looked at."""
        return self._looked

    async def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time."""
        self._looked = after
        while rows := await self._new_rows(_CHUNK):
            for number, body in rows:
                yield self._unpack(number, body)

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Make entries durable in one commit; returns what is new since the last look."""
        body = pack(entries) if entries else None

        async def work() -> list[Entry]:
            foreign = [
                entry for number, row in await self._new_rows(-1) for entry in self._unpack(number, row)
            ]
            if body is not None:
                cursor = await self._db.execute(
                    "INSERT INTO batch (entries, body) VALUES (?, ?)", (len(entries), body)
                )
                assert cursor.lastrowid is not None
                self._looked = cursor.lastrowid
            if refused is not None:
                await self._db.execute(
                    "INSERT INTO refused VALUES (1, ?) ON CONFLICT (id) DO UPDATE SET value = excluded.value",
                    (msgspec.json.encode(refused).decode(),),
                )
            return foreign

        looked = self._looked
        try:
            foreign = await self._transaction(work)
        except asyncio.CancelledError:
            self._looked = looked  # it may be on disk, but nobody was told of it
            raise
        return [*foreign, *entries]

    async def last(self) -> int:
        """Number of the last batch there is."""
        async with self._reading(), self._db.execute("SELECT coalesce(max(id), 0) FROM batch") as cursor:
            row = await cursor.fetchone()
        return int(row[0]) if row is not None else 0

    async def has_news(self) -> bool:
        """Whether somebody else has added entries since the last look."""
        return self._looked < await self.last()

    async def refused(self) -> Refused:
        """The counts of refused messages, as last committed."""
        async with self._reading(), self._db.execute("SELECT value FROM refused") as cursor:
            row = await cursor.fetchone()
        return msgspec.json.decode(row[0], type=Refused) if row else Refused()

    async def save_alerts(self, alerts: Sequence[StoredAlert]) -> None:
        """Add or replace alerts."""

        async def work() -> None:
            await self._db.executemany(
                "INSERT INTO alert VALUES (?, ?, ?, ?) ON CONFLICT (id) DO UPDATE"
                " SET body = excluded.body, cleared = excluded.cleared, delivered = excluded.delivered",
                [(a.id, a.body, a.cleared, a.delivered) for a in alerts],
            )

        await self._transaction(work)

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept."""
        async with self._reading(), self._db.execute("SELECT * FROM alert ORDER BY rowid") as cursor:
            return [StoredAlert(i, body, bool(c), bool(d)) for i, body, c, d in await cursor.fetchall()]

    async def _new_rows(self, limit: int) -> list[tuple[int, bytes]]:
        async with (
            self._reading(),
            self._db.execute(
                "SELECT id, body FROM batch WHERE id > ? ORDER BY id LIMIT ?", (self._looked, limit)
            ) as cursor,
        ):
            rows = [(int(number), bytes(body)) for number, body in await cursor.fetchall()]
        if rows:
            self._looked = rows[-1][0]
        return rows

    def _unpack(self, number: int, body: bytes) -> list[Entry]:
        try:
            return unpack(body)
        except CorruptError as error:
            raise JournalError(
                f"{self.path}: batch {number} is damaged ({error}); restore the run directory from a copy"
            ) from error

    async def _transaction(self, work: Callable[[], Awaitable[T]]) -> T:
        """Run ``work`` in one transaction that a cancelled caller cannot break; what fails has looked at nothing."""

        async def whole() -> T:
            async with self._writing:
                looked = self._looked
                try:
                    return await self._begin_and_commit(work)
                except BaseException:
                    self._looked = looked
                    raise

        task = asyncio.ensure_future(whole())
        try:
            return await asyncio.shield(task)
        except asyncio.CancelledError:
            await asyncio.wait([task])
            raise

    async def _begin_and_commit(self, work: Callable[[], Awaitable[T]]) -> T:
        try:
            await self._db.execute("BEGIN IMMEDIATE")
            try:
                result = await work()
                await self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    await self._db.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise _trouble(self.path, error) from error
        return result

    @asynccontextmanager
    async def _reading(self) -> AsyncIterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise _trouble(self.path, error) from error


def _make_private(folder: Path, draft: Path) -> None:
    """Make the folder for its owner alone; one that holds something already is somebody's, and stays as it is."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for left in folder.glob(f"{draft.name}*"):
        left.unlink()
    if all(each.name in _OUR_OWN for each in folder.iterdir()):
        folder.chmod(0o700)


def _trouble(path: Path, error: sqlite3.Error) -> JournalError:
    return JournalError(
        f"{path}: {error}; check the disk (space, permissions) and that the file is a journal"
    )


def _only_readable(path: Path) -> bool:
    """Whether the journal is there but nobody can write beside it."""
    return path.exists() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


async def _connect(path: Path) -> aiosqlite.Connection:
    if _only_readable(path):
        # Nobody can be writing there, and SQLite may not make the side files it would use to find out.
        db = await aiosqlite.connect(f"file:{quote(str(path))}?immutable=1", isolation_level=None, uri=True)
    else:
        db = await aiosqlite.connect(path, isolation_level=None)
    try:
        await db.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
    except BaseException:
        await db.close()
        raise
    return db


async def _make_durable(db: aiosqlite.Connection) -> None:
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "journal_size_limit=67108864"):
        async with db.execute(f"PRAGMA {pragma}"):
            pass


async def _check_ours(db: aiosqlite.Connection, path: Path) -> None:
    async with db.execute("PRAGMA application_id") as cursor:
        row = await cursor.fetchone()
    if row is None or row[0] != _APPLICATION_ID:
        raise InputError(f"{path}: not a journal of lifebound; give the directory of a run")


async def _migrate(db: aiosqlite.Connection, path: Path) -> None:
    """Bring the schema up to date: named steps, each in one transaction, each recorded."""
    await db.execute("CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY) STRICT, WITHOUT ROWID")
    async with db.execute("SELECT name FROM migration") as cursor:
        done = {name for (name,) in await cursor.fetchall()}
    folder = resources.files("monitor.journal") / "migrations"
    steps = {step.name: step for step in folder.iterdir() if step.name.endswith(".sql")}
    if unknown := done - steps.keys():
        raise JournalError(
            f"{path}: written by a newer lifebound ({', '.join(sorted(unknown))}); update the one that reads it"
        )
    for name in sorted(steps.keys() - done):
        script = steps[name].read_text(encoding="utf-8")
        await db.executescript(
            f"BEGIN IMMEDIATE; {script}; INSERT INTO migration VALUES ('{name}');"
            f" PRAGMA application_id = {_APPLICATION_ID}; COMMIT;"
        )


async def _write_run(db: aiosqlite.Connection, run: Run) -> None:
    facts = {
        "id": run.id,
        "began_ms": str(run.began_ms),
        "campaign_name": run.source.name,
        "campaign_toml": run.source.toml,
        "campaign_sha256": run.source.sha256,
    }
    if run.source.chips_csv is not None:
        facts["chips_csv"] = run.source.chips_csv
    await db.execute("BEGIN IMMEDIATE")
    await db.executemany("INSERT INTO run VALUES (?, ?)", list(facts.items()))
    await db.execute("COMMIT")


async def _read_run(db: aiosqlite.Connection, path: Path) -> Run:
    async with db.execute("SELECT key, value FROM run") as cursor:
        facts = {str(key): str(value) for key, value in await cursor.fetchall()}
    try:
        source = Source(facts["campaign_name"], facts["campaign_toml"], facts.get("chips_csv"))
        return Run(facts["id"], int(facts["began_ms"]), source)
    except (KeyError, ValueError) as error:
        raise JournalError(f"{path}: does not say what the run is ({error}); begin a new run") from error
