"""What a disk may hold after the power went: images made from the shim's log of a real recording.

The model is the one that SQLite and POSIX give: bytes of a file are safe once an fsync of it returned. What was
written since may be there, be missing, or be there in some of its 512-byte sectors, each write for itself, so also a
later one without an earlier one. Names (creating, renaming, deleting) are kept by the file system in their order, safe
once the folder was synced; of those since then some first ones are there.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.shim import Effect, Op

SECTOR_BYTES = 512


@dataclass
class _File:
    """One file, whatever its name: what is safe, and the writes and truncations since."""

    safe: bytearray = field(default_factory=bytearray)
    since: list[tuple[Op, int, bytes]] = field(default_factory=list)


@dataclass
class Disk:
    """The disk while a recording is played again, effect by effect."""

    folder: str
    note: str
    acknowledged: int = 0
    _names: dict[str, _File] = field(default_factory=dict)
    _safe_names: dict[str, _File] = field(default_factory=dict)
    _names_since: list[dict[str, _File]] = field(default_factory=list)

    def play(self, effect: Effect) -> None:
        """Take the next effect."""
        if effect.path == f"{self.folder}/{self.note}":
            self.acknowledged += effect.op is Op.WRITE
            return
        if effect.path == self.folder:
            assert effect.op is Op.SYNC
            self._safe_names, self._names_since = dict(self._names), []
            return
        name = effect.path.removeprefix(f"{self.folder}/")
        match effect.op:
            case Op.OPEN:
                self._renamed({**self._names, name: _File()})
            case Op.UNLINK:
                self._renamed({n: file for n, file in self._names.items() if n != name})
            case Op.RENAME:
                others = {n: file for n, file in self._names.items() if n != name}
                target = effect.data.decode().removeprefix(f"{self.folder}/")
                self._renamed({**others, target: self._names[name]})
            case Op.SYNC:
                file = self._names[name]
                file.safe, file.since = _with(file.safe, file.since), []
            case _:
                self._names[name].since.append((effect.op, effect.offset, effect.data))

    def _renamed(self, names: dict[str, _File]) -> None:
        self._names = names
        self._names_since.append(names)

    def killed(self) -> dict[str, bytes]:
        """What is there after a kill: the system lives on, so everything that was done."""
        return {name: bytes(_with(file.safe, file.since)) for name, file in self._names.items()}

    def powerless(self, rng: random.Random) -> dict[str, bytes]:
        """What may be there after a loss of power."""
        names = rng.choice([self._safe_names, *self._names_since])
        lost = rng.choice((0.1, 0.5, 0.9, 1.0))
        return {name: bytes(_with(file.safe, _left(file.since, lost, rng))) for name, file in names.items()}


def _left(
    since: Iterable[tuple[Op, int, bytes]], lost: float, rng: random.Random
) -> Iterable[tuple[Op, int, bytes]]:
    """Some of what was done: a share ``lost`` is not there, and of the rest some is torn."""
    for op, offset, data in since:
        if rng.random() < lost:
            continue
        if op is Op.TRUNCATE or rng.random() < 0.5:
            yield op, offset, data
            continue
        for start in _sectors(offset, len(data)):
            if rng.random() < 0.5:
                end = min((start // SECTOR_BYTES + 1) * SECTOR_BYTES, offset + len(data))
                yield op, start, data[start - offset : end - offset]


def _sectors(offset: int, length: int) -> list[int]:
    """Where the pieces of a write begin that a disk writes as one."""
    first = (offset // SECTOR_BYTES + 1) * SECTOR_BYTES
    return [offset, *range(first, offset + length, SECTOR_BYTES)] if length else []


def _with(safe: bytearray, since: Iterable[tuple[Op, int, bytes]]) -> bytearray:
    content = bytearray(safe)
    for op, offset, data in since:
        if op is Op.TRUNCATE:
            del content[offset:]
            content.extend(bytes(offset - len(content)))
        else:
            content.extend(bytes(max(offset - len(content), 0)))
            content[offset : offset + len(data)] = data
    return content


def write_image(image: dict[str, bytes], folder: Path) -> None:
    """Put an image into ``folder``, which is emptied."""
    folder.mkdir(exist_ok=True, mode=0o700)
    for old in folder.iterdir():
        old.unlink()
    for name, content in image.items():
        path = folder / name
        path.write_bytes(content)
        path.chmod(0o600)
