"""Is a run directory sound: file, tables, chain, contents. Reads only, also while a service records there.

What the chain can show, and what it cannot, stands in ``chain``.
"""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import msgspec

from monitor.campaign import Source, parse
from monitor.journal import chain, schema
from monitor.journal.codec import CorruptError, unpack
from monitor.journal.connection import address, has_log
from monitor.journal.protocol import Head, Run
from monitor.journal.sqlite import DRAFT_NAME, FILE_NAME
from monitor.journal.walk import Batch, Walk
from shared.entries import Refused
from shared.errors import InputError, LifeboundError
from shared.shown import escape

Severity = Literal["wrong", "note"]
_SHOWN = 100  # problems that SQLite is asked for
_UNREADABLE = 1000  # batches that cannot be read, before the rest is given up
_BUSY_MS = 10_000


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong or worth knowing; ``first`` to ``last`` are the batches it is about, if any.

    ``kind`` is one word: "changed", "missing", "swapped", "undecodable", "unreadable", "truncated", "rewritten",
    "counts", "run", "campaign", "file", "schema", "permissions", "leftover" or "snapshot". ``text`` is safe to print.
    """

    severity: Severity
    kind: str
    text: str
    first: int | None = None
    last: int | None = None


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found; ``head`` is None where there is none to speak of. Times are UTC in milliseconds."""

    run: str | None
    head: Head | None
    batches: int
    entries: int
    first_ms: int | None
    last_ms: int | None
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return all(finding.severity != "wrong" for finding in self.findings)


Holds = Callable[[Head], bool]
Look = Callable[[Run, Holds], str | None]
"""Asked about a run, and which heads its journal holds; returns what is worth a note."""


def verify(folder: Path, noted: Head | None = None, *, look: Look | None = None) -> Verification:
    """Check the run in ``folder``, against a head that was noted earlier if one is given.

    ``look`` is asked about what lies beside the journal, if the run can be told. Raises InputError when no run is
    recorded there.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        raise InputError(f"{folder}: no run is recorded here ({FILE_NAME} is missing); give a run directory")
    if has_log(path):
        return _verify(path, noted, look, "ro")
    before = _state(path)
    found = _verify(path, noted, look, "immutable")  # otherwise SQLite would make files beside it
    return (
        found if _state(path) == before else _verify(path, noted, look, "ro")
    )  # a service has begun to write


def _verify(path: Path, noted: Head | None, look: Look | None, mode: str) -> Verification:
    check = _Check(_surroundings(path.parent))
    try:
        with closing(sqlite3.connect(address(path, mode), isolation_level=None, uri=True)) as db:
            db.text_factory = lambda data: data.decode("utf-8", "replace")
            for pragma in (f"busy_timeout={_BUSY_MS}", "query_only=ON", "trusted_schema=OFF"):
                db.execute(f"PRAGMA {pragma}").fetchall()
            if _file(db, check):
                db.execute("BEGIN")  # one state of the journal for all that follows
                _contents(db, check, noted, look)
    except sqlite3.Error as error:
        check.wrong("file", f"{FILE_NAME} cannot be read any further: {escape(str(error))}")
    return check.result()


def _state(path: Path) -> tuple[int, int, bool]:
    found = path.stat()
    return found.st_size, found.st_mtime_ns, has_log(path)


@dataclass
class _Check:
    findings: list[Finding]
    run: str | None = None
    walk: Walk | None = None
    entries: int = 0
    times: list[int] = field(default_factory=list)  # the first and the last

    def wrong(self, kind: str, text: str, first: int | None = None, last: int | None = None) -> None:
        self.findings.append(Finding("wrong", kind, text, first, first if last is None else last))

    def result(self) -> Verification:
        first, last = self.times or (None, None)
        head = self.walk.head if self.walk is not None and self.walk.head.digest else None
        batches = self.walk.count if self.walk is not None else 0
        return Verification(self.run, head, batches, self.entries, first, last, tuple(self.findings))


# ---------------------------------------------------------------- the folder and the file


def _surroundings(folder: Path) -> list[Finding]:
    found = []
    mode = stat.S_IMODE(folder.stat().st_mode)
    if mode & 0o077:
        found.append(Finding("note", "permissions", f"the folder has mode {mode:04o}; 0700 keeps others out"))
    for each in sorted(folder.iterdir()):
        with suppress(FileNotFoundError):  # a service may be writing
            if mode & 0o077 and stat.S_IMODE(each.lstat().st_mode) & 0o022 and not each.is_symlink():
                text = f"others than its owner can write {escape(each.name)}"
                found.append(Finding("note", "permissions", text))
        if each.name.endswith(".partial") or each.name.startswith(DRAFT_NAME):
            text = f"{escape(each.name)} was left half-written, unless a service is just writing it; it is of no use"
            found.append(Finding("note", "leftover", text))
    return found


def _file(db: sqlite3.Connection, check: _Check) -> bool:
    """Whether the file is one whose contents can be looked at."""
    if db.execute("PRAGMA application_id").fetchone() != (schema.APPLICATION_ID,):
        check.wrong("file", f"{FILE_NAME} is not marked as a journal of lifebound")
    for (says,) in db.execute(f"PRAGMA integrity_check({_SHOWN})"):
        if says != "ok":
            check.wrong("file", f"{FILE_NAME} is damaged: {escape(str(says))}")
    return _tables(db, check)


def _tables(db: sqlite3.Connection, check: _Check) -> bool:
    steps, done = schema.known_steps().keys(), schema.steps_done(db)
    if done < steps:
        check.wrong(
            "schema",
            "recorded by an older lifebound, whose journals have no chain; open the run once (as with lifebound "
            "figures --run) and check again",
        )
        return False
    expected, found = schema.expected_tables(), schema.tables(db)
    for name in sorted(expected.keys() | found.keys()):
        if expected.get(name) != found.get(name):
            how = (
                "is missing"
                if name not in found
                else "does not belong"
                if name not in expected
                else "was changed"
            )
            check.wrong("schema", f"{escape(name)} {how}")
    for name in sorted(done - steps):
        check.wrong("schema", f"step {escape(name)} is not known; a newer lifebound may have written it")
    needed = ("table run", "table batch", "table refused")
    return all(found.get(name) == expected[name] for name in needed)


# ---------------------------------------------------------------- what it holds


def _contents(db: sqlite3.Connection, check: _Check, noted: Head | None, look: Look | None) -> None:
    facts = {str(key): str(value) for key, value in db.execute("SELECT key, value FROM run")}
    kept = facts.pop(schema.GENESIS, "")
    check.run = facts.get("id")
    check.walk = walk = Walk(chain.genesis(facts), kept, noted)
    undecodable = _batches(db, check, walk)
    walk.end()
    for problem in walk.problems:
        check.wrong(problem.kind, problem.text, problem.first, problem.last)
    for number, text in undecodable.items():
        if not any(p.first is not None and p.first <= number <= (p.last or p.first) for p in walk.problems):
            check.wrong("undecodable", f"batch {number}: {text}", number)
    run = _run(facts, check)
    _counts(db, check, walk)

    def holds(head: Head) -> bool:
        if head.number == 0:
            return head.digest == chain.genesis(facts).hex()
        return db.execute("SELECT hash FROM batch WHERE id = ?", (head.number,)).fetchall() == [
            (bytes.fromhex(head.digest),)
        ]

    says = look(run, holds) if look is not None and run is not None else None
    if says is not None:
        check.findings.append(Finding("note", "snapshot", escape(says)))


def _batches(db: sqlite3.Connection, check: _Check, walk: Walk) -> dict[int, str]:
    """Walk through all batches; returns what is wrong with the inside of some."""
    undecodable: dict[int, str] = {}
    for row in _rows(db):
        if isinstance(row, int):
            walk.unreadable(row)
            continue
        number, entries, counts, digest, body = row
        walk.see(Batch(number, entries, counts, digest, chain.body_digest(body)))
        try:
            inside = unpack(body)
        except CorruptError as error:
            undecodable[number] = f"cannot be decoded ({escape(str(error))})"
            continue
        if len(inside) != entries:
            undecodable[number] = f"has {len(inside)} entries and says {entries}"
        check.entries += len(inside)
        if inside:
            times = [entry.t_recv_ms for entry in inside]
            check.times = [min(times + check.times), max(times + check.times)]
    return undecodable


def _rows(db: sqlite3.Connection) -> Iterator[tuple[int, int, bytes, bytes, bytes] | int]:
    """The batches in order; of one that cannot be read the number that it must have."""
    last, failed = None, 0
    while failed < _UNREADABLE:
        try:
            where = "" if last is None else f"WHERE id > {last}"
            for row in db.execute(f"SELECT id, entries, refused, hash, body FROM batch {where} ORDER BY id"):
                last = row[0]
                yield row if tuple(map(type, row)) == (int, int, bytes, bytes, bytes) else last
            return
        except sqlite3.DatabaseError as error:
            if not _is_damage(error):
                raise
            failed, last = failed + 1, (last or 0) + 1
            yield last


def _is_damage(error: sqlite3.Error) -> bool:
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_IOERR}


def _run(facts: dict[str, str], check: _Check) -> Run | None:
    """What the run is, where it says; its campaign must be the one whose hash was kept, and of use."""
    try:
        source = Source(facts["campaign_name"], facts["campaign_toml"], facts.get("chips_csv"))
        run, kept = Run(facts["id"], int(facts["began_ms"]), source), facts["campaign_sha256"]
    except (KeyError, ValueError) as error:
        check.wrong("run", f"it does not say what the run is: {escape(str(error))}")
        return None
    return run if check_campaign(source, kept, check.wrong) else None


def check_campaign(source: Source, kept: str, wrong: Callable[[str, str], None]) -> bool:
    """Whether a campaign is of use; ``wrong`` is told so, and where its text is not the one whose hash was kept."""
    if source.sha256 != kept:
        wrong("campaign", "the campaign's text is not the one whose hash was kept")
    try:
        parse(source)
    except LifeboundError as error:
        wrong("campaign", f"the campaign cannot be used: {escape(str(error).splitlines()[0])}")
        return False
    return True


def _counts(db: sqlite3.Connection, check: _Check, walk: Walk) -> None:
    """The refused counts must be those that the last batch was committed with."""
    rows = db.execute("SELECT value FROM refused").fetchall()
    if rows:
        try:
            msgspec.json.decode(rows[0][0], type=Refused)
        except (msgspec.MsgspecError, RecursionError) as error:
            check.wrong("undecodable", f"the counts of refused messages: {escape(str(error))}")
    if walk.last_is_sound and chain.counts_digest(rows[0][0] if rows else "") != walk.counts:
        check.wrong(
            "counts",
            f"the counts of refused messages are not those of batch {walk.head.number}: they were changed, or batches "
            "after it are missing",
        )
