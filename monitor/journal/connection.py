"""The connection to the file of a journal: every commit durable, every trouble a sentence, and none for ever.

After an error that may have broken the connection the next work opens a new one, and so does a file that is no
longer the one which was opened: without that, a service would go on writing into a file that has been taken away.

What a new connection finds in the log need not be on the disk: the process before it may have been killed between
the write and the sync, or the sync may have failed, after which the system takes the pages for written. So before a
connection is written to, all of the log is copied into the file and that is synced (:meth:`Connection.secure`).
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Self, TypeVar
from urllib.parse import quote

import aiosqlite

from monitor.journal.protocol import JournalError
from monitor.journal.trouble import locked, may_break_the_connection, passes_by_itself, trouble

T = TypeVar("T")
PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "journal_size_limit=67108864")
BUSY_MS = 10_000  # how long to wait for another process
_FULL = 2  # PRAGMA synchronous: each commit is synced to the disk


class Connection:
    """One connection after another to the same file. ``check`` is asked whether a new one is still the same journal.

    Whoever uses it sees to it that only one piece of work does at a time.
    """

    def __init__(self, path: Path, db: aiosqlite.Connection) -> None:
        self.path = path
        self.check: Callable[[Connection], Awaitable[None]] | None = None
        self._db = db
        self._file = _identity(path)
        self._broken = False  # the next work opens a new one
        self._failed = False  # the last work
        self._log: tuple[int, int] | None = None  # which file the log was when it was last written to
        self._secure = only_readable(path)  # nothing that is not on the disk comes where nobody writes
        self._distrusted = False  # it took the place of one that failed

    @classmethod
    async def open(cls, path: Path) -> Self:
        """A connection on which a commit is durable when it returns. Raises JournalError."""
        try:
            return cls(path, await _connect(path))
        except sqlite3.Error as error:
            raise trouble(path, error) from error

    async def close(self) -> None:
        """Close it, whatever state it is in."""
        with suppress(sqlite3.Error):
            await self._db.close()

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return self._db.in_transaction

    def execute(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """Run a statement: await it, or enter it for its cursor."""
        return self._db.execute(sql, values)

    async def select(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a query."""
        cursor = await self.execute(sql, values)
        rows = list(await cursor.fetchall())
        await cursor.close()
        return rows

    async def run(self, work: Callable[[], Awaitable[T]], *, write: bool) -> T:
        """Do ``work``, with ``write`` in a transaction; what fails has changed nothing. Raises JournalError.

        (But a commit that fails may have been made: the disk's answer came too late.)
        """
        try:
            await self._make_ready()
            if write:
                await self._make_secure()
            result = await (self._in_transaction(work) if write else work())
        except sqlite3.Error as error:
            self._take_note(error)
            raise trouble(self.path, error) from error
        self._failed = False
        return result

    async def secure(self) -> None:
        """Make sure that everything which can be read here is on the disk. Raises JournalError."""
        await self.run(self._make_secure, write=False)

    async def _make_secure(self) -> None:
        """Empty the log into the file. Raises JournalError.

        Another that is reading keeps the log from being emptied. Then the log is synced and copied; it is emptied at
        a later write. Only after a failed sync that is not enough, because such a log may never reach the disk.
        """
        if self._secure:
            return
        busy, _, _ = await self._checkpoint("TRUNCATE", BUSY_MS if self._distrusted else 0)
        if not busy:
            self._secure = True
            return
        sync_log(self.path)
        busy, frames, copied = await self._checkpoint("PASSIVE", 0)
        if self._distrusted or busy or frames != copied:
            raise locked(self.path)

    async def _checkpoint(self, mode: str, wait_ms: int) -> tuple[int, int, int]:
        """Whether another stood in the way; frames in the log; how many of them are in the file."""
        await self.select(f"PRAGMA busy_timeout={wait_ms}")
        try:
            [(busy, frames, copied)] = await self.select(f"PRAGMA wal_checkpoint({mode})")
        finally:
            await self.select(f"PRAGMA busy_timeout={BUSY_MS}")
        return busy, frames, copied

    async def _in_transaction(self, work: Callable[[], Awaitable[T]]) -> T:
        await self.execute("BEGIN IMMEDIATE")
        try:
            result = await work()
            await self.execute("COMMIT")
        except BaseException:
            await self._undo()
            raise
        self._same_log()
        return result

    def _same_log(self) -> None:
        """Raises JournalError when a commit went into a log that is no longer in the folder: it would be lost."""
        there = _identity(_log(self.path))
        if self._log is not None and there != self._log:
            raise JournalError(
                f"{_log(self.path)}: it was taken away while it was in use; what it held is saved into "
                f"{self.path.name}, then it goes on by itself"
            )
        self._log = there

    async def _undo(self) -> None:
        try:
            if self.in_transaction:
                await self.execute("ROLLBACK")
            self._broken = self._broken or self.in_transaction
        except sqlite3.Error:
            self._broken = True

    def _take_note(self, error: sqlite3.Error) -> None:
        recurs, self._failed = self._failed, True
        if may_break_the_connection(error) or (recurs and not passes_by_itself(error)):
            self._broken = True

    async def _make_ready(self) -> None:
        there = _identity(self.path)
        if there is None:
            self._broken = True
            raise JournalError(
                f"{self.path}: it is not there any more; put it back, then it goes on by itself"
            )
        if self._log is not None and _identity(_log(self.path)) != self._log and there == self._file:
            await self._save_log()
        if self._broken or there != self._file:
            await self._renew()

    async def _save_log(self) -> None:
        """Copy what only this connection can still read, of a log that was taken away, into the file."""
        if not self._broken:
            await self._checkpoint("PASSIVE", 0)
        self._broken = True

    async def _renew(self) -> None:
        self._broken = True
        self._log, self._distrusted = None, True
        await self.close()
        self._secure = only_readable(self.path)
        self._db, self._file = await _connect(self.path), _identity(self.path)
        if self.check is not None:
            await self.check(self)
        self._broken = False


async def finished(work: Coroutine[Any, Any, T]) -> T:
    """Do ``work`` to its end even if the caller is cancelled; only then is it."""
    task = asyncio.ensure_future(work)
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        while not task.done():
            with suppress(asyncio.CancelledError):  # cancelled once more
                await asyncio.wait([task])
        if not task.cancelled():
            task.exception()  # nobody is left to be told
        raise


def only_readable(path: Path) -> bool:
    """Whether the journal is there but nobody can write beside it."""
    return path.exists() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def address(path: Path, mode: str = "rw") -> str:
    """The URI of a journal that is there, so that SQLite never makes a new file in the place of one that is gone.

    Where nobody can write, SQLite may not make the side files by which it would find out who else is there. Nobody
    can be writing then, so it may take the file as it is; unless a log stands beside it, which belongs to it.
    """
    if only_readable(path):
        mode = "ro" if has_log(path) else "immutable"
    return f"file:{quote(str(path))}?{'immutable=1' if mode == 'immutable' else f'mode={mode}'}"


def has_log(path: Path) -> bool:
    """Whether a log stands beside the file that holds what the file does not hold yet."""
    log = _log(path)
    return log.exists() and log.stat().st_size > 0


def sync_log(path: Path) -> None:
    """Bring the log of a journal to the disk. Raises sqlite3.OperationalError, as of SQLite itself."""
    try:
        handle = os.open(_log(path), os.O_RDONLY)
    except FileNotFoundError:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        raise sqlite3.OperationalError(f"disk I/O error ({error.strerror})") from error
    finally:
        os.close(handle)


def _log(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


async def _connect(path: Path) -> aiosqlite.Connection:
    db = await aiosqlite.connect(address(path), isolation_level=None, uri=True)
    try:
        await db.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        if not only_readable(path):
            await _make_durable(db, path)
    except BaseException:
        await db.close()
        raise
    return db


async def _make_durable(db: aiosqlite.Connection, path: Path) -> None:
    for pragma in PRAGMAS:
        await db.execute_fetchall(f"PRAGMA {pragma}")
    asked = ("synchronous", "journal_mode")
    found = [value for name in asked for (value,) in await db.execute_fetchall(f"PRAGMA {name}")]
    if found != [_FULL, "wal"]:
        raise JournalError(
            f"{path}: a commit would not be durable here (synchronous {found[0]}, journal mode {found[1]}); "
            "put the run directory on a local disk"
        )
