"""Files that a person hands in: UTF-8 text of a bounded size."""

from __future__ import annotations

from pathlib import Path

from shared.errors import InputError


def read_text(path: Path, most: int) -> str:
    """The text of a file of at most ``most`` bytes. Raises InputError that names it."""
    try:
        with path.open("rb") as stream:
            data = stream.read(most + 1)
        if len(data) > most:
            raise InputError(f"{path}: larger than {most} bytes; is this the right file?")
        return data.decode("utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; give the path of an existing file") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not UTF-8 text; save it as UTF-8") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from None
