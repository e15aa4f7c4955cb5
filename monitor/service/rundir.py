"""The run directory: the journal, a lock that keeps a second service out, and a note of where the service listens."""

from __future__ import annotations

import fcntl
import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec

from shared.errors import InputError, UnavailableError

log = logging.getLogger("lifebound.rundir")
_LOCK = "serve.lock"
_NOTE = "service.json"
_SNAPSHOT = "snapshot.bin"


class ServiceNote(msgspec.Struct, frozen=True):
    """Where a running service listens; it stands in the run directory as long as the service runs."""

    pid: int
    http: str
    broker: str
    run: str


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the run directory for one service. Raises UnavailableError when another holds it."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = (folder / _LOCK).open("a+")
    except OSError as error:
        raise InputError(f"{folder}: cannot be used as a run directory ({error.strerror})") from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise UnavailableError(
                f"{folder}: another service is recording here; stop it first, or choose another --run directory"
            ) from None
        yield


def write_note(folder: Path, note: ServiceNote) -> None:
    """Say where the service listens. On a disk in trouble there is no note: that is no reason not to serve."""
    try:
        _write_whole(folder / _NOTE, msgspec.json.encode(note))
    except OSError as error:
        log.warning("the note of where the service listens cannot be written", extra={"detail": str(error)})


def write_snapshot(folder: Path, data: bytes) -> None:
    """Keep a snapshot of the account, in the place of the one before. Raises OSError."""
    _write_whole(folder / _SNAPSHOT, data)


def read_snapshot(folder: Path) -> bytes | None:
    """The snapshot kept last, if any; whether it is of use is for its reader to tell."""
    try:
        return (folder / _SNAPSHOT).read_bytes()
    except OSError:
        return None


def _write_whole(path: Path, data: bytes) -> None:
    """Write a file that is there whole or as it was before."""
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_bytes(data)
        os.replace(partial, path)
    except OSError:
        with suppress(OSError):  # what is left of it must not take the room that the journal needs
            partial.unlink(missing_ok=True)
        raise


def remove_note(folder: Path) -> None:
    """Take the note away."""
    with suppress(OSError):  # where nothing can be written it stays, and is stale
        (folder / _NOTE).unlink(missing_ok=True)


def read_note(folder: Path) -> ServiceNote | None:
    """The note of a running service, or None. A note left by a killed service may be stale."""
    try:
        return msgspec.json.decode((folder / _NOTE).read_bytes(), type=ServiceNote)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
