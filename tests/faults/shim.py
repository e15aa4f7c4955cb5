"""Faults of disk and clock for a process of a test: builds ``shim.c`` and steers it while the process runs."""

from __future__ import annotations

import mmap
import os
import struct
import subprocess
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

SOURCE = Path(__file__).with_name("shim.c")
_CONTROL_BYTES = 4096
_FIELD = struct.Struct("<q")
_MATCH_BYTES = 256
_RECORD = struct.Struct("<qqqq")


class Op(IntEnum):
    """Kinds of calls, as ``shim.c`` numbers them."""

    WRITE = 0
    SYNC = 1
    OPEN = 2
    TRUNCATE = 3
    UNLINK = 4
    RENAME = 5


class When(IntEnum):
    """When a process is killed at a call: before it, after it, or after half of it (a write)."""

    BEFORE = 0
    AFTER = 1
    TORN = 2


_KINDS = len(Op)
_FIELDS = {
    "room": _KINDS,
    "sync_delay_ms": _KINDS + 1,
    "kill_at": _KINDS + 2,
    "kill_ops": _KINDS + 3,
    "kill_when": _KINDS + 4,
    "clock_ms": _KINDS + 5,
    "refused": 2 * _KINDS + 6,
    "clock_reads": 2 * _KINDS + 7,
}
_SEEN = _KINDS + 6
_MATCH = 2 * _KINDS + 8


def build(gcc: str, folder: Path) -> Path:
    """Compile the library into ``folder``."""
    library = folder / "faultshim.so"
    command = [gcc, "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", str(library), str(SOURCE), "-ldl"]
    subprocess.run([*command, "-lpthread"], check=True, timeout=60)
    return library


class Shim:
    """What one process is to suffer. ``folder`` is the run directory whose files are touched."""

    def __init__(self, library: Path, folder: Path, control: Path, log: Path | None = None) -> None:
        self._library, self._folder, self._log = library, folder, log
        self._control = control
        if not control.exists():
            control.write_bytes(bytes(_CONTROL_BYTES))
        with control.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _CONTROL_BYTES)
        self.calm()

    def environment(self) -> dict[str, str]:
        """What the process has to be started with."""
        found = {
            "LD_PRELOAD": str(self._library),
            "FAULT_SHIM_PREFIX": str(self._folder.resolve()),
            "FAULT_SHIM_CONTROL": str(self._control),
        }
        return found | ({"FAULT_SHIM_LOG": str(self._log)} if self._log else {})

    def calm(self) -> None:
        """No disk fault from now on. The shifted clock and the counts stay."""
        for op in Op:
            self._put(op, 0)
        self._put(_FIELDS["room"], -1)
        for name in ("sync_delay_ms", "kill_at"):
            self._put(_FIELDS[name], 0)

    def refuse(self, error: int, ops: Iterable[Op], match: str = "") -> None:
        """Calls of these kinds get ``error`` (an errno), on paths that end in ``match``."""
        self._put_match(match)
        for op in ops:
            self._put(op, error)

    def leave_room(self, size: int) -> None:
        """After so many bytes more the disk is full."""
        self._put(_FIELDS["room"], size)

    def slow_sync(self, delay_ms: int) -> None:
        """Each fsync takes so long."""
        self._put(_FIELDS["sync_delay_ms"], delay_ms)

    def kill_at(self, count: int, ops: Iterable[Op], when: When, match: str = "") -> None:
        """Kill the process at the ``count``-th call of these kinds from now on, on paths that end in ``match``."""
        self._put_match(match)
        self._put(_FIELDS["kill_ops"], sum(1 << op for op in ops))
        self._put(_FIELDS["kill_when"], when)
        self._put(_FIELDS["kill_at"], count)

    def shift_clock(self, ms: int) -> None:
        """The wall clock is off by so much from now on."""
        self._put(_FIELDS["clock_ms"], ms)

    def seen(self, op: Op) -> int:
        """How many calls of a kind came by."""
        return self._get(_SEEN + op)

    @property
    def refused(self) -> int:
        """How many calls got an error."""
        return self._get(_FIELDS["refused"])

    @property
    def clock_reads(self) -> int:
        """How often a shifted clock was read."""
        return self._get(_FIELDS["clock_reads"])

    def _put(self, field: int, value: int) -> None:
        _FIELD.pack_into(self._map, 8 * field, value)

    def _get(self, field: int) -> int:
        return int(_FIELD.unpack_from(self._map, 8 * field)[0])

    def _put_match(self, match: str) -> None:
        encoded = match.encode()
        assert len(encoded) < _MATCH_BYTES
        self._map[8 * _MATCH : 8 * _MATCH + _MATCH_BYTES] = encoded.ljust(_MATCH_BYTES, b"\0")


@dataclass(frozen=True, slots=True)
class Effect:
    """One entry of the shim's log; ``offset`` is the new length of a truncation, ``data`` the new name of a rename."""

    op: Op
    path: str
    offset: int
    data: bytes


def effects(log: Path) -> Iterator[Effect]:
    """What happened to the files, in order."""
    text = log.read_bytes()
    at = 0
    while at < len(text):
        op, offset, length, path_bytes = _RECORD.unpack_from(text, at)
        at += _RECORD.size
        path = os.fsdecode(text[at : at + path_bytes])
        at += path_bytes
        yield Effect(Op(op), path, offset, text[at : at + length])
        at += length
