"""Secrets come from the environment, or from a file that it names; never from the command line, which all can read."""

from __future__ import annotations

import os
from pathlib import Path

from shared.errors import InputError

_MOST_BYTES = 64 * 1024


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
        with Path(path).open("rb") as file:
            text = file.read(_MOST_BYTES).decode()
    except OSError as error:
        raise InputError(f"{name} {path}: cannot be read ({error.strerror or error})") from None
    except UnicodeDecodeError:
        raise InputError(f"{name} {path}: is not UTF-8 text") from None
    return text.rstrip("\r\n")
