"""The token of a run: who shows it may read beyond loopback, and write.

Only its SHA-256 is kept, in the run directory. A fast hash is right here: a password needs a slow one because it can
be guessed, but the token has 256 random bits, and no speed goes through 2^256 of them. Whoever reads the file learns
nothing that opens the service.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import stat
from pathlib import Path

from shared.errors import InputError

FILE_NAME = "token.sha256"
_DRAFT_NAME = "token.sha256.partial"
_DIGEST = re.compile(rb"[0-9a-f]{64}\n")
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


def make_token(folder: Path) -> str:
    """Make the token of a run, in the place of the one before, which is revoked by that. Raises InputError.

    The directory of a run that has not begun is made, for its owner alone.
    """
    token = secrets.token_urlsafe(32)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write_whole(folder, f"{_digest(token)}\n".encode())
    except OSError as error:
        raise InputError(f"{folder}: the token cannot be kept there ({error.strerror})") from error
    return token


def revoke_token(folder: Path) -> bool:
    """Take the token away; whether there was one. Raises InputError."""
    try:
        (folder / FILE_NAME).unlink()
        _sync(folder)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise InputError(f"{folder / FILE_NAME}: cannot be removed ({error.strerror})") from error
    return True


class TokenStore:
    """The token of the run in one directory.

    The file is read at every question, so that a new token or a revocation holds at once; it is 65 bytes long.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE_NAME

    def exists(self) -> bool:
        """Whether the run has a token."""
        return self._kept() is not None

    def admits(self, token: str) -> bool:
        """Whether this is the token; how long the answer takes does not say how near it was."""
        kept = self._kept()
        return kept is not None and hmac.compare_digest(kept, _digest(token))

    def _kept(self) -> str | None:
        """The digest on disk; None where there is none, or where others than its owner could have written it."""
        try:
            with open(self._path, "rb", opener=_open_plainly) as file:
                facts = os.fstat(file.fileno())
                text = file.read(66)
        except OSError:
            return None
        trusted = facts.st_uid in {os.geteuid(), 0} and not facts.st_mode & _OTHERS_WRITE
        return text[:64].decode() if trusted and _DIGEST.fullmatch(text) else None


def _open_plainly(path: str, flags: int) -> int:
    """Open what is really there: not through a link, and without waiting for a pipe."""
    return os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _write_whole(folder: Path, data: bytes) -> None:
    """Write a file that only its owner reads, and that is there whole or as it was before, also after a power cut."""
    draft = folder / _DRAFT_NAME
    draft.unlink(missing_ok=True)
    with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(folder / FILE_NAME)
    _sync(folder)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
