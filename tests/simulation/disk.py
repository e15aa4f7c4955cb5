"""A virtual disk: SQLite for real, called in the loop's own thread, with faults and crashes between its statements.

``Disk.connect`` stands in for ``aiosqlite.connect``. Every statement waits a drawn virtual time before and after it
takes effect; in either wait the process may be killed. A fault raises what SQLite raises, before or after the
statement took effect, also where a COMMIT happened but reports that it did not. A killed process's connection is
closed without a commit. Under ``synchronous=FULL`` what is committed is on disk, so a power loss costs no more.

``Files`` keeps the snapshot, which is written without sync: a power loss may leave it old, empty, torn or gone.
"""

from __future__ import annotations

import asyncio
import random
import sqlite3
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from tests.simulation.loop import Life, life

T = TypeVar("T")
WRITES = ("INSERT", "UPDATE", "DELETE", "BEGIN", "COMMIT", "CREATE", "PRAGMA USER_VERSION")
BUSY_S = 10.0  # how long a statement waits for another writer, as the journal asks of SQLite


class DeadError(BaseException):
    """A killed process tried to do something; it has no effect."""


@dataclass
class Trouble:
    """A disk in trouble: the kind, and how likely a statement meets it."""

    kind: str
    text: str
    share: float
    only_writes: bool


TROUBLES = {
    "disk full": Trouble("disk full", "database or disk is full", 1.0, True),
    "input/output error": Trouble("input/output error", "disk I/O error", 0.5, False),
    "locked": Trouble("locked", "database is locked", 0.7, True),
    "read-only": Trouble("read-only", "attempt to write a readonly database", 1.0, True),
    "false report": Trouble("false report", "disk I/O error", 0.5, True),
}


class _Call:
    """What ``execute`` gives: to be awaited, or entered for a cursor that is closed in the end."""

    def __init__(self, work: Callable[[], Any]) -> None:
        self._work = work
        self._cursor: Cursor | None = None

    def __await__(self) -> Generator[Any, None, Cursor]:
        return self._work().__await__()  # type: ignore[no-any-return]

    async def __aenter__(self) -> Cursor:
        self._cursor = await self._work()
        return self._cursor

    async def __aexit__(self, *_: object) -> None:
        if self._cursor is not None:
            await self._cursor.close()


def _is_busy_checkpoint(sql: str, result: Cursor) -> bool:
    """Whether a checkpoint found another at the file; it says so in its answer, once it has waited in vain."""
    return "wal_checkpoint" in sql and result.rows[0][0] == 1


class Cursor:
    """A cursor whose rows were read at once."""

    def __init__(self, cursor: sqlite3.Cursor) -> None:
        self.lastrowid = cursor.lastrowid
        self.rowcount = cursor.rowcount
        self.description = cursor.description
        self._rows = cursor.fetchall() if cursor.description else []
        cursor.close()
        self._next = 0

    @property
    def rows(self) -> list[Any]:
        """All rows, read or not."""
        return self._rows

    async def fetchone(self) -> Any:
        """The next row, or None."""
        if self._next >= len(self._rows):
            return None
        self._next += 1
        return self._rows[self._next - 1]

    async def fetchall(self) -> list[Any]:
        """All rows that are left."""
        rows, self._next = self._rows[self._next :], len(self._rows)
        return rows

    async def fetchmany(self, size: int = 1) -> list[Any]:
        """Some rows."""
        rows = self._rows[self._next : self._next + size]
        self._next += len(rows)
        return rows

    def __aiter__(self) -> Cursor:
        return self

    async def __anext__(self) -> Any:
        row = await self.fetchone()
        if row is None:
            raise StopAsyncIteration
        return row

    async def close(self) -> None:
        """Nothing is held."""


class Connection:
    """A connection of one process; after its death nothing it is asked for has an effect."""

    def __init__(self, disk: Disk, db: sqlite3.Connection, path: str) -> None:
        self._disk = disk
        self._db = db
        self._owner = life()
        self._closed = False
        self.path = path

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return not self._closed and self._db.in_transaction

    @property
    def total_changes(self) -> int:
        """Rows changed so far."""
        return self._db.total_changes

    def execute(self, sql: str, parameters: Iterable[Any] | None = None) -> _Call:
        """Run one statement."""
        values = tuple(parameters) if parameters is not None else ()
        return _Call(lambda: self._statement(sql, lambda: self._db.execute(sql, values)))

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]]) -> _Call:
        """Run one statement for each row."""
        rows = [tuple(row) for row in parameters]
        return _Call(lambda: self._statement(sql, lambda: self._db.executemany(sql, rows)))

    def executescript(self, sql: str) -> _Call:
        """Run several statements."""
        return _Call(lambda: self._statement(sql, lambda: self._db.executescript(sql)))

    async def execute_fetchall(self, sql: str, parameters: Iterable[Any] | None = None) -> list[Any]:
        """All rows of one statement."""
        return await (await self.execute(sql, parameters)).fetchall()

    async def commit(self) -> None:
        """Commit."""
        await self.execute("COMMIT")

    async def rollback(self) -> None:
        """Roll back."""
        if self.in_transaction:
            await self.execute("ROLLBACK")

    async def close(self) -> None:
        """Close; what is not committed is gone."""
        await asyncio.sleep(self._disk.latency_s())
        self.drop()

    def drop(self) -> None:
        """What becomes of the connection of a killed process."""
        if not self._closed:
            self._closed = True
            self._db.close()
            self._disk.connections.remove(self)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def _statement(self, sql: str, work: Callable[[], sqlite3.Cursor]) -> Cursor:
        words = sql.split(None, 2)
        verb = words[0].upper() if words else ""
        if verb == "PRAGMA" and words[1].lower().startswith("busy_timeout"):
            return Cursor(self._db.execute("PRAGMA application_id"))  # here it is virtual time that is waited
        waited_s = 0.0
        await self._step(verb, "before")
        while True:
            self._disk.meet_trouble(self, verb, "before")
            try:
                result = Cursor(work())
                if not _is_busy_checkpoint(sql, result) or waited_s >= BUSY_S:
                    break
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or waited_s >= BUSY_S:
                    raise
            pause_s = self._disk.rng.uniform(0.005, 0.1)
            waited_s += pause_s
            await asyncio.sleep(pause_s)
            self._alive()
        if not self._db.in_transaction and verb not in {"SELECT", "PRAGMA"}:
            self._disk.committed(self)
        await self._step(verb, "after")
        self._disk.meet_trouble(self, verb, "after")
        return result

    async def _step(self, verb: str, when: str) -> None:
        self._alive()
        if verb in {"SELECT", "PRAGMA"} and when == "after":
            return
        await asyncio.sleep(self._disk.latency_s() * (4 if verb == "COMMIT" and when == "before" else 1))
        self._alive()
        if self._disk.reached(self._owner, verb, when):
            await asyncio.Event().wait()  # killed right here: it never goes on

    def _alive(self) -> None:
        if self._closed or (self._owner is not None and self._owner.dead):
            raise DeadError

    def read(self, sql: str, *values: Any) -> list[Any]:
        """Rows as they stand for this connection, at once (for the harness)."""
        return self._db.execute(sql, values).fetchall()


@dataclass
class Disk:
    """The disk of the monitor's host.

    ``kill_at`` kills the process that reaches so many more statements (``verb`` first, where it is given).
    ``on_commit`` is told after each statement that made something durable.
    """

    rng: random.Random
    on_commit: Callable[[], None] = lambda: None
    on_fault: Callable[[str], None] = lambda kind: None
    trouble: Trouble | None = None
    slow: float = 1.0
    kill_in: int | None = None
    kill_verb: str | None = None
    kill_when: str = "before"
    kill: Callable[[Life], None] = lambda owner: None
    connections: list[Connection] = field(default_factory=list)

    async def connect(self, database: str | Path, **options: Any) -> Connection:
        """As ``aiosqlite.connect``."""
        await asyncio.sleep(self.latency_s())
        db = sqlite3.connect(
            database, isolation_level=options.get("isolation_level"), uri=options.get("uri", False), timeout=0
        )
        connection = Connection(self, db, str(database))
        self.connections.append(connection)
        return connection

    def latency_s(self) -> float:
        """A drawn virtual time for one step of a statement."""
        return self.rng.uniform(0.0001, 0.004) * self.slow

    def committed(self, connection: Connection) -> None:
        """Something became durable."""
        self.on_commit()

    def meet_trouble(self, connection: Connection, verb: str, when: str) -> None:
        """Raise the error of the present trouble where a statement meets it."""
        trouble = self.trouble
        if trouble is None or verb == "ROLLBACK" or connection._owner is None:
            return
        if trouble.only_writes and verb not in WRITES:
            return
        if trouble.kind == "false report":
            if (verb, when) != ("COMMIT", "after"):
                return
        elif when == "after" and verb == "COMMIT":
            return
        if self.rng.random() >= trouble.share / (1 if trouble.share == 1.0 else 2):
            return
        self.on_fault(trouble.kind)
        if connection.in_transaction and self.rng.random() < 0.3:
            connection._db.execute("ROLLBACK")  # as SQLite itself does after some errors
        raise sqlite3.OperationalError(trouble.text)

    def reached(self, owner: Life | None, verb: str, when: str) -> bool:
        """Whether the process is killed at this statement."""
        if self.kill_in is None or owner is None or when != self.kill_when:
            return False
        if self.kill_verb is not None and verb != self.kill_verb:
            return False
        self.kill_in -= 1
        if self.kill_in > 0:
            return False
        self.kill_in = None
        self.kill(owner)
        return owner.dead

    def drop_connections(self, owner: Life) -> None:
        """Close what a killed process had open."""
        for connection in [each for each in self.connections if each._owner is owner]:
            connection.drop()

    def close(self) -> None:
        """Close whatever is open."""
        for connection in list(self.connections):
            connection.drop()


@dataclass
class Files:
    """The snapshot's file: ``durable`` is what surely survives a power loss, ``seen`` what processes read."""

    rng: random.Random
    seen: bytes | None = None
    durable: bytes | None = None
    writes: int = 0

    def write(self, data: bytes) -> None:
        """Replace the file; the data are in the cache of the system."""
        self.seen = data
        self.writes += 1

    def sync(self) -> None:
        """The system has got round to writing its cache."""
        self.durable = self.seen

    def lose_power(self) -> str:
        """What a power loss makes of a file that was renamed into place without sync."""
        if self.seen is None or self.seen is self.durable:
            return "kept"
        fate = self.rng.choice(("old", "empty", "torn", "gone", "kept"))
        data = self.seen
        self.seen = {
            "old": self.durable,
            "empty": b"",
            "torn": data[: self.rng.randrange(len(data))],
            "gone": None,
            "kept": data,
        }[fate]
        self.durable = self.seen
        return fate
