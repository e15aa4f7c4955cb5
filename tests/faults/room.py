"""A disk that fills up: a small tmpfs in a mount namespace of its own, or the shim where there may be none."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from tests.faults.bench import Bench

SIZE_BYTES = 12 * 1024 * 1024
LEFT_BYTES = 16 * 1024
_BALLAST = "ballast"


@dataclass(frozen=True)
class Room:
    """``fill`` leaves little room beside what is there, ``make`` gives it back; ``real``: it is a file system.

    ``take_out`` is for after the service has ended: then the run lies where any process finds it.
    """

    real: bool
    fill: Callable[[], None]
    make: Callable[[], None]
    take_out: Callable[[], None]


@contextlib.asynccontextmanager
async def small_disk(stand: Bench) -> AsyncIterator[Room]:
    """Put the run directory of the bench on a small disk, before the service is started."""
    holder = _namespace(stand.folder / "run")
    if holder is None:
        yield Room(False, lambda: stand.shim.leave_room(LEFT_BYTES), stand.shim.calm, lambda: None)
        return
    inside = Path(f"/proc/{holder.pid}/root{stand.run_dir}")
    enter = ("nsenter", f"--target={holder.pid}", "--user", "--mount", "--preserve-credentials")
    stand.through, stand.served_dir, stand.run_dir = enter, stand.run_dir, inside
    try:
        yield Room(True, lambda: _fill(inside), (inside / _BALLAST).unlink, lambda: _take_out(stand))
    finally:
        holder.kill()
        holder.communicate()


def _namespace(run_dir: Path) -> subprocess.Popen[bytes] | None:
    """A process that holds a mount namespace with a tmpfs at ``run_dir``; None where that is not allowed."""
    if not (shutil.which("unshare") and shutil.which("nsenter")):
        return None
    run_dir.mkdir(mode=0o700)
    script = f"mount -t tmpfs -o size={SIZE_BYTES},mode=0700 none '{run_dir}' && echo mounted && exec cat"
    holder = subprocess.Popen(
        ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", script],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert holder.stdout is not None
    if holder.stdout.readline() == b"mounted\n":
        return holder
    holder.kill()
    holder.communicate()
    run_dir.rmdir()
    return None


def _fill(folder: Path) -> None:
    """Write until the disk is full, then give a little back."""
    with (folder / _BALLAST).open("wb", buffering=0) as ballast:
        size = 0
        with contextlib.suppress(OSError):
            while written := ballast.write(bytes(65536)):
                size += written
        ballast.truncate(size - LEFT_BYTES)


def _take_out(stand: Bench) -> None:
    copy = stand.folder / "taken-out"
    shutil.copytree(stand.run_dir, copy)
    stand.run_dir = copy
