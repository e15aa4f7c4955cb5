"""Trouble with the file of a journal in plain words: what is wrong, and what to do."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from monitor.journal.protocol import JournalError

_ROOM_BYTES = 64 * 1024  # with less left on a disk, an I/O error there is taken for want of room
_LATER = "then it goes on by itself"
_DAMAGED = "the file is damaged ({}); restore the run directory from a copy, and see lifebound check {}"
_SAYS = {
    sqlite3.SQLITE_FULL: f"no room on the disk ({{}}); make room, {_LATER}",
    sqlite3.SQLITE_READONLY: f"it cannot be written ({{}}); make file, folder and disk writable, {_LATER}",
    sqlite3.SQLITE_PERM: f"it may not be written ({{}}); give the permission, {_LATER}",
    sqlite3.SQLITE_IOERR: f"the disk does not read or write what it should ({{}}); check the disk, {_LATER}",
    sqlite3.SQLITE_BUSY: f"locked by another process for too long ({{}}); end that one, {_LATER}",
    sqlite3.SQLITE_LOCKED: f"locked by another process for too long ({{}}); end that one, {_LATER}",
    sqlite3.SQLITE_CANTOPEN: f"it cannot be opened ({{}}); check that it is there and may be read, {_LATER}",
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
}
_HARMLESS = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_PASSING = {*_HARMLESS, sqlite3.SQLITE_FULL}


def trouble(path: Path, error: sqlite3.Error) -> JournalError:
    """The error of a journal for one of SQLite."""
    code = primary_code(error)
    if code == sqlite3.SQLITE_IOERR and _is_full(path.parent):
        code = sqlite3.SQLITE_FULL
    says = _SAYS.get(code, "{}; check the disk (space, permissions) and that the file is a journal")
    return JournalError(f"{path}: {says.format(_named(error), path.parent)}")


def locked(path: Path) -> JournalError:
    """The error for a journal that another process holds, where SQLite says so without one."""
    return JournalError(f"{path}: {_SAYS[sqlite3.SQLITE_BUSY].format('database is locked')}")


def primary_code(error: sqlite3.Error) -> int:
    """SQLite's code for a class of errors; 1, the unspecific one, where it gives none."""
    return (getattr(error, "sqlite_errorcode", None) or sqlite3.SQLITE_ERROR) & 0xFF


def may_break_the_connection(error: sqlite3.Error) -> bool:
    """Whether a connection should not be used any more after an error, although the file may be sound."""
    return primary_code(error) not in _PASSING


def passes_by_itself(error: sqlite3.Error) -> bool:
    """Whether an error says nothing about the connection, however often it recurs."""
    return primary_code(error) in _HARMLESS


def _named(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", None)
    return f"{error}, {name}" if name else str(error)


def _is_full(folder: Path) -> bool:
    try:
        room = os.statvfs(folder)
    except OSError:
        return False
    return room.f_bavail * room.f_frsize < _ROOM_BYTES
