"""Secrets come from the environment, or from a file that it names; never from the command line, which all can read."""

from __future__ import annotations

import os
import select
import stat

from shared.errors import InputError

_MOST_BYTES = 64 * 1024
_PATIENCE_S = 5.0  # with a pipe


def secret(name: str) -> str | None:
    """What ``NAME_FILE`` names the file of, or else ``NAME`` holds; None without either.

    A line end behind it does not belong to it. Raises InputError, which never shows the secret.
    """
    path = os.environ.get(f"{name}_FILE")
    if not path:
        return os.environ.get(name) or None
    return secret_in(f"{name}_FILE", path)


def secret_in(name: str, path: str) -> str:
    """The secret in the file that the variable ``name`` names. Raises InputError."""
    try:
        text = _read(path).decode()
    except TimeoutError:
        raise InputError(f"{name} {path}: is a pipe that nobody writes to; give a file") from None
    except OSError as error:
        raise InputError(f"{name} {path}: cannot be read ({error.strerror or error})") from None
    except UnicodeDecodeError:
        raise InputError(f"{name} {path}: is not UTF-8 text") from None
    return text.rstrip("\r\n")


def _read(path: str) -> bytes:
    """What a file holds, or a pipe (as of a shell's process substitution). Raises OSError, TimeoutError."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        if not stat.S_ISFIFO(os.fstat(handle).st_mode):
            return os.read(handle, _MOST_BYTES)
        os.set_blocking(handle, False)
        found = b""
        while len(found) < _MOST_BYTES:
            if not select.select([handle], [], [], _PATIENCE_S)[0]:
                raise TimeoutError
            piece = os.read(handle, _MOST_BYTES)
            if not piece:
                break
            found += piece
        if not found:
            raise TimeoutError
        return found
    finally:
        os.close(handle)
