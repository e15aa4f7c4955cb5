"""The journal on disk: one SQLite file in the run directory, written through aiosqlite.

``synchronous=FULL`` makes a commit durable before it returns; that is what an acknowledgement to the broker rests
on. One object owns one connection, which only one piece of work uses at a time. Every write is one explicit
transaction, never cancelled half-way: a cancelled caller waits until its transaction has ended.

A commit can fail after it has become durable. So an append remembers the hash of the batch that it could not vouch
for, and the next one looks whether that batch is there before it adds the same entries again.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TypeVar

import msgspec

from monitor.campaign import Source
from monitor.journal import chain, schema
from monitor.journal.codec import CorruptError, pack, unpack
from monitor.journal.connection import BUSY_MS, PRAGMAS, Connection, address, finished, only_readable
from monitor.journal.protocol import CLEARED_KEPT, Head, JournalError, Outgoing, Run, StoredAlert, facts_of
from monitor.journal.trouble import trouble
from shared.entries import Entry, Refused
from shared.errors import InputError

T = TypeVar("T")
FILE_NAME = "journal.db"
DRAFT_NAME = "journal.draft"
# of the service, which locks the folder before it begins a run, and of a token made before that
_OUR_OWN = {"serve.lock", "token.sha256", "token.sha256.partial"}
_CHUNK = 256
_READ_ON = (
    "SELECT id, entries, refused, hash, CASE WHEN id > ? THEN body END FROM batch WHERE id >= ?"
    " ORDER BY id LIMIT ?"
)


class _Row(NamedTuple):
    number: int
    entries: int
    counts: bytes
    digest: bytes
    body: bytes


@dataclass(frozen=True, slots=True)
class _Place:
    """The last batch that was looked at; ``counts`` is None as long as nobody has read it."""

    number: int
    digest: bytes
    counts: bytes | None = None


class SqliteJournal:
    """The journal of the run in one directory; use it as an asynchronous context manager."""

    def __init__(self, db: Connection, run: Run, genesis: bytes) -> None:
        self.path = db.path
        self._db = db
        self._run = run
        self._genesis = genesis
        self._place = _Place(0, genesis, chain.NO_COUNTS)
        self._in_doubt: tuple[bytes, bytes] | None = None  # hash and body of an append that failed
        self._lock = asyncio.Lock()
        db.check = self._check_same

    @classmethod
    async def create(cls, folder: Path, run: Run) -> Self:
        """Begin a run in ``folder``, which is made. Raises InputError when one is there already, JournalError.

        The file is made under another name and gets its own when it is whole, so that a crash leaves none or all.
        """
        path, draft = folder / FILE_NAME, folder / DRAFT_NAME
        if path.exists():
            raise InputError(f"{path}: a run is recorded here already; choose another run directory")
        try:
            _make_private(folder, draft)
            await asyncio.to_thread(_begin, draft, run)
            draft.replace(path)
            _sync_folder(folder)
            _sync_folder(folder.parent)
        except OSError as error:
            raise JournalError(f"{folder}: cannot make the run directory ({error.strerror})") from error
        except sqlite3.Error as error:
            raise trouble(path, error) from error
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
            await asyncio.to_thread(_bring_up_to_date, path)
        except sqlite3.Error as error:
            raise trouble(path, error) from error
        db = await Connection.open(path)
        try:
            return cls(db, *await db.run(lambda: _read_run(db), write=False))
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
        return self._place.number

    @property
    def head(self) -> Head:
        """The last batch that was looked at, with its hash."""
        return Head(self._place.number, self._place.digest.hex())

    async def secure(self) -> None:
        """Make sure that everything which can be read is on the disk. Raises JournalError."""

        async def whole() -> None:
            async with self._lock:
                await self._db.secure()

        await finished(whole())

    async def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        """The entries of the batches after ``after``, a batch at a time. Raises JournalError."""
        await self._alone(lambda: self._go_to(after), write=False)
        while rows := await self._alone(lambda: self._rows_ahead(_CHUNK), write=False):
            for row in rows:
                self._follow(row)
                if row.entries:
                    yield self._unpack(row)

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        """Make entries durable in one commit; returns what is new since the last look. Raises JournalError."""
        body = pack(entries) if entries else None

        async def work() -> list[Entry]:
            rows = await self._rows_ahead(-1)
            for row in rows:
                self._follow(row)
            news = [entry for row in rows if row.entries for entry in self._unpack(row)]
            written = self._in_doubt is not None and any(
                (row.digest, body) == self._in_doubt for row in rows
            )  # the commit that failed was made: the entries are among the news
            new = None if written else body
            counts = await self._new_counts(refused, also=new is not None)
            if new is None and counts is None:
                return news
            if new is None:
                await self._add(0, pack([]), counts)
                return news
            await self._add(len(entries), new, counts)
            return [*news, *entries]

        before = self._place
        try:
            news = await self._alone(work, write=True)
        except asyncio.CancelledError:
            self._place = before  # it may be on disk, but nobody was told of it
            raise
        self._in_doubt = None
        return news

    async def last(self) -> int:
        """Number of the last batch there is."""
        rows = await self._read("SELECT coalesce(max(id), 0) FROM batch")
        return int(rows[0][0])

    async def holds(self, head: Head) -> bool:
        """Whether the batch that ``head`` names is there, with the hash it names."""
        if head.number == 0:
            return head.digest == self._genesis.hex()
        rows = await self._read("SELECT hash FROM batch WHERE id = ?", (head.number,))
        return bool(rows) and rows[0][0] == bytes.fromhex(head.digest)

    async def has_news(self) -> bool:
        """Whether somebody else has added entries since the last look."""
        return self._place.number < await self.last()

    async def refused(self) -> Refused:
        """The counts of refused messages, as last committed. Raises JournalError."""
        return self._counts_of(await self._read("SELECT value FROM refused"))

    async def save_alerts(self, alerts: Sequence[StoredAlert], *, send: bool) -> None:
        """Add or replace alerts; a sending that waits already is not put out a second time."""

        async def work() -> None:
            for alert in alerts:
                await self._db.execute(
                    "INSERT INTO alert (id, body, cleared)"
                    " SELECT ?, ?, CASE WHEN ? THEN coalesce(max(cleared), 0) + 1 ELSE 0 END FROM alert WHERE true"
                    " ON CONFLICT (id) DO UPDATE SET body = excluded.body, cleared = CASE WHEN"
                    " excluded.cleared AND alert.cleared THEN alert.cleared ELSE excluded.cleared END",
                    (alert.id, alert.body, alert.cleared),
                )
                if send:
                    await self._db.execute(
                        "INSERT INTO outbox (alert, body) SELECT ?1, ?2"
                        " WHERE NOT EXISTS (SELECT 1 FROM outbox WHERE alert = ?1 AND body = ?2)",
                        (alert.id, alert.body),
                    )
            await self._db.execute(
                "DELETE FROM alert WHERE cleared > 0 AND cleared NOT IN"
                " (SELECT cleared FROM alert ORDER BY cleared DESC LIMIT ?)",
                (CLEARED_KEPT,),
            )

        await self._alone(work, write=True)

    async def alerts(self) -> list[StoredAlert]:
        """Every alert kept."""
        rows = await self._read("SELECT id, body, cleared FROM alert ORDER BY number")
        return [StoredAlert(id, body, bool(cleared)) for id, body, cleared in rows]

    async def outgoing(self, after: int = 0, limit: int = 100) -> list[Outgoing]:
        """What is still to be sent, oldest first."""
        rows = await self._read(
            "SELECT number, alert, body FROM outbox WHERE number > ? ORDER BY number LIMIT ?", (after, limit)
        )
        return [Outgoing(*row) for row in rows]

    async def sent(self, numbers: Sequence[int]) -> None:
        """Take what was delivered out of the outbox."""

        async def work() -> None:
            for number in numbers:
                await self._db.execute("DELETE FROM outbox WHERE number = ?", (number,))

        if numbers:
            await self._alone(work, write=True)

    # ---------------------------------------------------------------- the chain

    async def _go_to(self, number: int) -> None:
        """Look on from the batch ``number``, whose hash is taken as it stands."""
        if number == 0:
            self._place = _Place(0, self._genesis, chain.NO_COUNTS)
        elif number != self._place.number:
            rows = await self._db.select("SELECT hash FROM batch WHERE id = ?", (number,))
            if not rows or not isinstance(rows[0][0], bytes):
                raise self._wrong(f"batch {number} is missing")
            self._place = _Place(number, rows[0][0])

    async def _rows_ahead(self, limit: int) -> list[_Row]:
        """The batches after the last one looked at, once that one is seen to be as it was. Raises JournalError."""
        place = self._place
        wanted = limit + 1 if limit >= 0 else limit
        rows = [
            self._row(*row) for row in await self._db.select(_READ_ON, (place.number, place.number, wanted))
        ]
        if place.number == 0:
            return rows
        if not rows or rows[0].number != place.number:
            raise self._wrong(f"batch {place.number} is missing, which was there before")
        if rows[0].digest != place.digest:
            raise self._wrong(f"batch {place.number} was changed since it was last looked at")
        self._place = _Place(place.number, place.digest, rows[0].counts)
        return rows[1:]

    def _row(self, number: int, entries: Any, counts: Any, digest: Any, body: Any) -> _Row:
        """A row of the table, whose types a damaged page may have changed. Raises JournalError."""
        body = b"" if body is None else body
        if not isinstance(entries, int) or not all(
            isinstance(each, bytes) for each in (counts, digest, body)
        ):
            raise self._wrong(f"batch {number} is damaged")
        return _Row(number, entries, counts, digest, body)

    def _follow(self, row: _Row) -> None:
        """Go on to the next batch. Raises JournalError that names the one which does not follow."""
        place = self._place
        if row.number <= place.number:
            raise self._wrong(f"batch {row.number} was put in: there is no such number")
        if row.number != place.number + 1:
            raise self._wrong(f"batch {place.number + 1} is missing")
        if row.digest != chain.link(place.digest, row.number, row.entries, row.counts, row.body):
            raise self._wrong(
                f"batch {row.number} was changed, swapped or damaged: it does not follow batch {place.number}"
            )
        self._place = _Place(row.number, row.digest, row.counts)

    async def _add(self, entries: int, body: bytes, counts: str | None) -> None:
        """Put a batch at the end, and the refused counts with it where they are given."""
        place = self._place
        digest = place.counts if counts is None else chain.counts_digest(counts)
        assert digest is not None  # the rows ahead were read
        link = chain.link(place.digest, place.number + 1, entries, digest, body)
        if entries:
            self._in_doubt = (link, body)
        await self._db.execute(
            "INSERT INTO batch VALUES (?, ?, ?, ?, ?)", (place.number + 1, entries, digest, link, body)
        )
        if counts is not None:
            await self._db.execute(
                "INSERT INTO refused VALUES (1, ?) ON CONFLICT (id) DO UPDATE SET value = excluded.value",
                (counts,),
            )
        self._place = _Place(place.number + 1, link, digest)

    async def _new_counts(self, refused: Refused | None, *, also: bool) -> str | None:
        """The text of counts to be kept; None where none are given, or nothing but the same again and not ``also``."""
        if refused is None:
            return None
        counts = msgspec.json.encode(refused).decode()
        if also or chain.counts_digest(counts) != self._place.counts:
            if not also and refused == self._counts_of(await self._db.select("SELECT value FROM refused")):
                return None
            return counts
        return None

    def _counts_of(self, rows: list[Any]) -> Refused:
        try:
            return msgspec.json.decode(rows[0][0], type=Refused) if rows else Refused()
        except msgspec.MsgspecError as error:
            raise self._wrong(f"the counts of refused messages are damaged ({error})") from error

    def _unpack(self, row: _Row) -> list[Entry]:
        try:
            return unpack(row.body)
        except CorruptError as error:
            raise self._wrong(f"batch {row.number} is damaged ({error})") from error

    def _wrong(self, what: str) -> JournalError:
        return JournalError(
            f"{self.path}: {what}; restore the run directory from a copy, and see lifebound check {self.path.parent}"
        )

    async def _read(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        return await self._alone(lambda: self._db.select(sql, values), write=False)

    async def _alone(self, work: Callable[[], Awaitable[T]], *, write: bool) -> T:
        """Do ``work`` with the connection to itself; what fails has looked at nothing. Raises JournalError."""

        async def whole() -> T:
            async with self._lock:
                before = self._place
                try:
                    return await self._db.run(work, write=write)
                except BaseException:
                    self._place = before
                    raise

        return await finished(whole())

    async def _check_same(self, db: Connection) -> None:
        """Raises JournalError when the file is another run's now."""
        run, genesis = await _read_run(db)
        if genesis != self._genesis:
            raise JournalError(f"{self.path}: it is the journal of another run now ({run.id!r}); put it back")


def _make_private(folder: Path, draft: Path) -> None:
    """Make the folder for its owner alone; one that holds something already is somebody's, and stays as it is."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for left in folder.glob(f"{draft.name}*"):
        left.unlink()
    if all(each.name in _OUR_OWN for each in folder.iterdir()):
        folder.chmod(0o700)


def _sync_folder(folder: Path) -> None:
    """Make the name of a new file in it durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _begin(draft: Path, run: Run) -> None:
    with closing(sqlite3.connect(draft, isolation_level=None)) as db:
        for pragma in PRAGMAS:
            db.execute(f"PRAGMA {pragma}").fetchall()
        schema.migrate(db, draft)
        schema.write_run(db, facts_of(run))


def _bring_up_to_date(path: Path) -> None:
    with closing(sqlite3.connect(address(path), isolation_level=None, uri=True)) as db:
        db.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        schema.check_ours(db, path)  # before anything is written: a foreign file stays as it is
        if not only_readable(path):
            schema.migrate(db, path)
        elif schema.pending(db, path):
            raise JournalError(
                f"{path}: recorded by an older lifebound, and nothing can be written here; copy the run directory to "
                "where it can, and open it there once"
            )


async def _read_run(db: Connection) -> tuple[Run, bytes]:
    """What the run is, and the hash that the chain begins with. Raises JournalError, sqlite3.Error."""
    path = db.path
    facts = {str(key): str(value) for key, value in await db.select("SELECT key, value FROM run")}
    kept = facts.pop(schema.GENESIS, None)
    try:
        source = Source(facts["campaign_name"], facts["campaign_toml"], facts.get("chips_csv"))
        run = Run(facts["id"], int(facts["began_ms"]), source)
    except (KeyError, ValueError) as error:
        raise JournalError(f"{path}: does not say what the run is ({error}); begin a new run") from error
    genesis = chain.genesis(facts)
    if kept is not None and kept != genesis.hex():
        raise JournalError(
            f"{path}: what it says of the run (id, begin, campaign) was changed; restore the run directory from a"
            f" copy, and see lifebound check {path.parent}"
        )
    return run, genesis
