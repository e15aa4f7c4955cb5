"""Files that a person hands in: regular files, UTF-8 text of a bounded size, CSV of bounded lines."""

from __future__ import annotations

import csv
import io
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from monitor.campaign.model import Problem
from shared.errors import InputError

MAX_EMPTY_LINES = 10_000
MAX_CSV_LINE = 4096  # characters; the longest row that is right has a few hundred


def open_regular(path: Path) -> BinaryIO:
    """Open a regular file for reading, or raise InputError that names it.

    A pipe would keep its reader waiting, and a device has no end.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        if stat.S_ISREG(os.fstat(handle).st_mode):
            return os.fdopen(handle, "rb")
        os.close(handle)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; give the path of an existing file") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from None
    raise InputError(f"{path}: cannot be read (not a regular file); give the path of a file")


def read_text(path: Path, most: int) -> str:
    """The text of a file of at most ``most`` bytes. Raises InputError that names it."""
    try:
        with open_regular(path) as stream:
            data = stream.read(most + 1)
        if len(data) > most:
            raise InputError(f"{path}: larger than {most} bytes; is this the right file?")
        return data.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None


def csv_rows(name: str, text: str, problems: list[Problem]) -> Iterator[tuple[str, list[str]]]:
    """Where each row stands, and its cells; the first is the header. A line that is no CSV is noted and ends them.

    Each line is a row of its own: none of our columns can hold a line break, and a quote that is never closed must
    not swallow the rest of the file.
    """
    empty = 0
    for number, line in enumerate(io.StringIO(text.removeprefix("\ufeff")), 1):
        where = f"{name} line {number}"
        if len(line) > MAX_CSV_LINE:
            allowed = f"at most {MAX_CSV_LINE} are read"
            problems.append(Problem(where, f"a line of {len(line)} characters", allowed))
            return
        if line.isspace():
            empty += 1
            if empty > MAX_EMPTY_LINES:
                problems.append(Problem(where, f"more than {MAX_EMPTY_LINES} empty lines", "take them out"))
                return
        try:
            cells = next(csv.reader([line], strict=True), [])
        except csv.Error as error:
            problems.append(Problem(where, str(error), "correct the quoting"))
            return
        if cells or number == 1:
            yield where, cells
