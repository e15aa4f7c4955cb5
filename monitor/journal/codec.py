"""Journal entries as bytes: a batch is a MessagePack list of rows, compressed by zstandard.

A row is ``[t_recv_ms, kind, rack, board, fields]`` with the message's fields in the order of the contract, without
their names; presence, which has optional fields, keeps its names. A disposition is ``[t_recv_ms, "disposition",
"", 0, fields by name]``, and so are
measurements at a read point ("readpoint"). Only the contract's fields are kept, each exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import msgspec
import zstandard

from shared.entries import Disposed, Disposition, Entry, Measured, ReadPointFile, Received
from shared.messages import Presence, ReadError, Tally
from shared.quantities import MAX_BOARD
from shared.topics import Kind, Topic, is_rack_name

MAX_BATCH_BYTES = (
    256 * 1024 * 1024
)  # of an unpacked batch: more than any commit makes, and a bound for foreign files
_DISPOSITION = "disposition"
_READPOINT = "readpoint"
_LEVEL = 3
_TALLY_FIELDS = Tally.__struct_fields__
_ERROR_FIELDS = ReadError.__struct_fields__
_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(list[tuple[int, str, str, int, Any]]).decode


class CorruptError(Exception):
    """A batch cannot be read back."""


def pack(entries: Sequence[Entry]) -> bytes:
    """Entries as the body of one batch."""
    return zstandard.ZstdCompressor(level=_LEVEL).compress(_encode([_row(entry) for entry in entries]))


def unpack(body: bytes) -> list[Entry]:
    """The entries of a batch's body. Raises CorruptError."""
    try:
        if zstandard.frame_content_size(body) > MAX_BATCH_BYTES:  # it would be believed, and the room made
            raise CorruptError("it is too large")
        raw = zstandard.ZstdDecompressor().decompress(
            body, max_output_size=MAX_BATCH_BYTES, allow_extra_data=False
        )
        return [_entry(*row) for row in _decode(raw)]
    except (zstandard.ZstdError, msgspec.MsgspecError, TypeError, ValueError, RecursionError) as error:
        raise CorruptError(str(error)) from error


def _row(entry: Entry) -> tuple[int, str, str, int, Any]:
    if isinstance(entry, Disposed):
        return entry.t_recv_ms, _DISPOSITION, "", 0, entry.disposition
    if isinstance(entry, Measured):
        return entry.t_recv_ms, _READPOINT, "", 0, entry.readpoint
    topic, message = entry.topic, entry.message
    fields = message if isinstance(message, Presence) else msgspec.structs.astuple(message)
    return entry.t_recv_ms, topic.kind.value, topic.rack, topic.board, fields


def _entry(t_recv_ms: int, kind: str, rack: str, board: int, fields: Any) -> Entry:
    if kind == _DISPOSITION:
        return Disposed(t_recv_ms, msgspec.convert(fields, Disposition))
    if kind == _READPOINT:
        return Measured(t_recv_ms, msgspec.convert(fields, ReadPointFile))
    topic = _topic(rack, board, kind)
    match topic.kind:
        case Kind.TALLY:
            return Received(t_recv_ms, topic, msgspec.convert(_named(_TALLY_FIELDS, fields), Tally))
        case Kind.ERROR:
            return Received(t_recv_ms, topic, msgspec.convert(_named(_ERROR_FIELDS, fields), ReadError))
        case _:
            return Received(t_recv_ms, topic, msgspec.convert(fields, Presence))


def _named(names: Sequence[str], values: Sequence[Any]) -> dict[str, Any]:
    return dict(zip(names, values, strict=True))


@lru_cache(maxsize=16_384)  # a floor has few topics, and each comes every few seconds
def _topic(rack: str, board: int, kind: str) -> Topic:
    """The topic of a row. Raises ValueError when the contract has no such topic."""
    topic = Topic(rack, board, Kind(kind))
    whole = topic.kind is Kind.PRESENCE
    if (
        topic.kind is Kind.RECEIPT
        or not is_rack_name(rack)
        or not (board == 0 if whole else 0 < board <= MAX_BOARD)
    ):
        raise ValueError("no topic of the contract")
    return topic
