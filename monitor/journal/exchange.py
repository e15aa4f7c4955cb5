"""Runs as JSON lines: how a run is archived, and how one from elsewhere comes in.

One object per line: ``{"t_recv_ms", "topic", "payload"}`` for a message, ``{"t_recv_ms", "disposition"}`` for a
disposition, ``{"t_recv_ms", "readpoint"}`` for measurements at a read point, and last ``{"intake": {...}}`` with the
counts of what was refused, the campaign's texts and the head of the journal. ``.zst`` files are compressed.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Annotated, Any

import msgspec
import zstandard
from msgspec import Meta

from monitor.campaign import Source
from monitor.campaign.texts import open_regular
from monitor.journal.protocol import Run
from shared.entries import Disposed, Disposition, Entry, Measured, ReadPointFile, Refused
from shared.errors import InputError
from shared.quantities import Instant
from shared.topics import format_topic

MAX_LINE_BYTES = 1024 * 1024  # a payload of the contract has at most 16 KiB; the rest is a foreign file's
MAX_LAST_LINE_BYTES = 40 * 1024 * 1024  # it holds the texts of the campaign, in JSON
MAX_BLANK_LINES = 1000  # in a row
_LAST_LINE = b'{"intake":'
_PACKED_BYTES = 256  # unpacked at a time: at most 32 thousand times as much comes out
_MOST_GROWTH = 1000  # a run unpacks to some ten times its size
_SMALL = 64 * 1024 * 1024  # what unpacks to no more may have any size


class ArchivedCampaign(msgspec.Struct, frozen=True):
    """The texts of the campaign a run was recorded under; they stand beside the counts in the last line."""

    name: str
    toml: str
    chips_csv: str | None
    sha256: str
    run: str

    @property
    def source(self) -> Source:
        """The texts; their hash is made from them, not taken from the file."""
        return Source(self.name, self.toml, self.chips_csv)


class ArchivedJournal(msgspec.Struct, frozen=True):
    """The journal that an export was made from: its head, and the SHA-256 of all bytes before the last line."""

    batches: Annotated[int, Meta(ge=0)]
    head: Annotated[str, Meta(max_length=100)]
    lines_sha256: Annotated[str, Meta(max_length=64)]


class Line(msgspec.Struct, omit_defaults=True):
    """One line of an exported run."""

    t_recv_ms: Instant | msgspec.UnsetType = msgspec.UNSET
    topic: str | msgspec.UnsetType = msgspec.UNSET
    payload: msgspec.Raw | msgspec.UnsetType = msgspec.UNSET
    disposition: Disposition | msgspec.UnsetType = msgspec.UNSET
    readpoint: ReadPointFile | msgspec.UnsetType = msgspec.UNSET
    intake: Refused | msgspec.UnsetType = msgspec.UNSET
    campaign: ArchivedCampaign | msgspec.UnsetType = msgspec.UNSET
    journal: ArchivedJournal | msgspec.UnsetType = msgspec.UNSET


_LOOSE = re.compile(
    rb'\s*\{\s*"t_recv_ms"\s*:\s*(-?[0-9]{1,18})\s*,\s*"topic"\s*:\s*"([^"\\]{0,512})"\s*,\s*"payload"\s*:(.*)\}\s*\n',
    re.DOTALL,
)
_decoder = msgspec.json.Decoder(Line)
_encode = msgspec.json.Encoder().encode


def entry_line(entry: Entry, prefix: str) -> bytes:
    """A journal entry as one line, with its line end."""
    if isinstance(entry, Disposed):
        line = Line(t_recv_ms=entry.t_recv_ms, disposition=entry.disposition)
    elif isinstance(entry, Measured):
        line = Line(t_recv_ms=entry.t_recv_ms, readpoint=entry.readpoint)
    else:
        line = Line(
            t_recv_ms=entry.t_recv_ms,
            topic=format_topic(prefix, entry.topic),
            payload=msgspec.Raw(_encode(entry.message)),
        )
    return _encode(line) + b"\n"


def last_line(refused: Refused, run: Run, journal: ArchivedJournal | None = None) -> bytes:
    """The last line of an export: the counts of what was refused, and the campaign, so that an archive is whole.

    ``journal`` is there where the export comes from one, so that a changed file can be told (``lifebound check``).
    """
    source = run.source
    campaign = ArchivedCampaign(source.name, source.toml, source.chips_csv, source.sha256, run.id)
    return _encode(Line(intake=refused, campaign=campaign, journal=journal or msgspec.UNSET)) + b"\n"


def archived_campaign(path: Path) -> Source | None:
    """The texts of the campaign that an exported file was recorded under, if it says. Raises InputError."""
    for line in read_lines(path):
        if not isinstance(line.campaign, msgspec.UnsetType):
            return line.campaign.source
    return None


def read_lines(path: Path, changed: Callable[[str], None] = lambda sentence: None) -> Iterator[Line]:
    """The lines of an exported run. Raises InputError that names the line which is none.

    ``changed`` is told where the last line says what those before it hash to, and they do not.
    """
    number = blank = 0
    digest = hashlib.sha256()
    try:
        with _open_reader(path) as stream:
            while text := _read_line(stream):
                number += 1
                if len(text) > (MAX_LAST_LINE_BYTES if text.startswith(_LAST_LINE) else MAX_LINE_BYTES):
                    raise InputError(
                        f"{path} line {number}: longer than {MAX_LINE_BYTES} bytes; not an exported run"
                    )
                if not text.isspace():
                    blank = 0
                    line = _line(path, number, text)
                    if line.journal and line.journal.lines_sha256 != digest.hexdigest():
                        changed(
                            f"{path} line {number}: the lines before it are not those that were exported; the figures "
                            f"are not those of the recorded run (see lifebound check {path})"
                        )
                    yield line
                elif (blank := blank + 1) > MAX_BLANK_LINES:
                    raise InputError(
                        f"{path} line {number}: more than {MAX_BLANK_LINES} empty lines; not an exported run"
                    )
                digest.update(text)
    except (OSError, zstandard.ZstdError, EOFError) as error:
        raise InputError(f"{path} after line {number}: cannot be read ({error})") from None


def _read_line(stream: IO[bytes]) -> bytes:
    """The next line, or as much of it as tells that it is too long."""
    text = stream.readline(MAX_LINE_BYTES + 1)
    if len(text) > MAX_LINE_BYTES and text.startswith(_LAST_LINE):
        text += stream.readline(MAX_LAST_LINE_BYTES - MAX_LINE_BYTES)
    return text


@contextmanager
def open_writer(path: Path) -> Iterator[IO[bytes]]:
    """Write an export; the file appears under its name only when it is whole. Raises InputError."""
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as raw:
            if path.suffix == ".zst":
                with zstandard.ZstdCompressor(level=6).stream_writer(raw, closefd=False) as packed:
                    yield packed
            else:
                yield raw
            raw.flush()
            os.fsync(raw.fileno())
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error})") from error
    finally:
        partial.unlink(missing_ok=True)


@contextmanager
def _open_reader(path: Path) -> Iterator[IO[bytes]]:
    with open_regular(path) as raw:
        if path.suffix == ".zst":
            with io.BufferedReader(_Unpacked(raw), 1 << 18) as unpacked:
                yield unpacked  # typeshed tells BufferedReader and IO apart
        else:
            yield raw


class _Unpacked(io.RawIOBase):
    """What compressed frames hold, a little at a time, whatever the file claims.

    A file cut off within a frame raises EOFError: it is no shorter run. One that unpacks to very many times its size
    raises OSError: it was made to fill a memory or a day.
    """

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw = raw
        self._frame: zstandard.ZstdDecompressionObj | None = None
        self._left = b""
        self._ready = memoryview(b"")
        self._read = 0
        self._unpacked = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._ready and self._unpack_more():
            pass
        taken = self._ready[: len(buffer)]
        buffer[: len(taken)] = taken
        self._ready = self._ready[len(taken) :]
        return len(taken)

    def _unpack_more(self) -> bool:
        packed = self._left
        if not packed:
            packed = self._raw.read(_PACKED_BYTES)
            self._read += len(packed)
        if not packed:
            if self._frame is not None:
                raise EOFError("the file is cut off")
            return False
        if self._frame is None:
            self._frame = zstandard.ZstdDecompressor(max_window_size=2**27).decompressobj()
        self._ready = memoryview(self._frame.decompress(packed))
        self._unpacked += len(self._ready)
        if self._unpacked > max(_SMALL, _MOST_GROWTH * self._read):
            raise OSError(f"it unpacks to more than {_MOST_GROWTH} times its size")
        self._left = b""
        if self._frame.eof:
            self._left, self._frame = self._frame.unused_data, None
        return True


def _line(path: Path, number: int, text: bytes) -> Line:
    try:
        line = _decoder.decode(text)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        loose = _LOOSE.fullmatch(text)
        if loose is None:
            raise InputError(f"{path} line {number}: not a line of an exported run ({error})") from None
        # The envelope is sound, so it is the message that is broken: that is for the contract to refuse and count.
        return Line(
            t_recv_ms=int(loose[1]), topic=loose[2].decode("utf-8", "replace"), payload=msgspec.Raw(loose[3])
        )
    unset = msgspec.UNSET
    message = line.topic is not unset and line.payload is not unset and line.t_recv_ms is not unset
    timed = line.t_recv_ms is not unset
    entered = [given is not unset and timed for given in (line.disposition, line.readpoint)]
    if (message, *entered, line.intake is not unset).count(True) != 1:
        raise InputError(
            f"{path} line {number}: needs t_recv_ms with topic and payload, disposition or readpoint, or intake"
        )
    return line
