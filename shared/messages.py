"""Typed messages of the wire contract and their decoding.

Decoding is strict: a missing or ill-typed field makes the message invalid, and so does one of the contract's that
stands twice (whichever counted, somebody else might take the other); unknown fields are ignored. An integer written
as a float (``1.0``), a negative counter, NaN and a number that no double holds are ill-typed. It works in bounded time
and memory: the size is looked at before anything is parsed.
"""

from __future__ import annotations

import json
from typing import Annotated, Literal, TypeVar

import msgspec
from msgspec import Meta

from shared.errors import ContractError, Refusal
from shared.quantities import (
    MAX_PAYLOAD_BYTES,
    MAX_SOCKETS,
    BootId,
    Counter,
    Instant,
    Positive,
    Word,
)
from shared.topics import Kind

PerSocket = Annotated[list[Counter | None], Meta(max_length=MAX_SOCKETS)]


class Presence(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A rack says that it is there (retained), or its last will says that it is gone."""

    v: Literal[1]
    online: bool
    boot: BootId
    t_ms: Instant
    boards: list[Instant] | msgspec.UnsetType = msgspec.UNSET
    software: str | msgspec.UnsetType = msgspec.UNSET


class Tally(msgspec.Struct, frozen=True, kw_only=True):
    """The periodic account of one board; ``reads`` and ``errors`` are cumulative since the boot."""

    v: Literal[1]
    boot: BootId
    seq: Counter
    t_ms: Instant
    up_ms: Counter
    temp_c: float | None
    supply_v: float | None
    reads: PerSocket
    errors: PerSocket


class ReadError(msgspec.Struct, frozen=True, kw_only=True):
    """A read that failed (the first of ``count``): where, when, and what came back."""

    v: Literal[1]
    boot: BootId
    n: Counter
    t_ms: Instant
    up_ms: Counter
    socket: Positive
    address: Counter
    expected: Word
    observed: Word
    read_index: Positive
    count: Positive


class ReceiptBoot(msgspec.Struct, frozen=True):
    """Per board, the highest ``seq`` (``n``) up to which every one is on disk or given up as a gap."""

    tally: dict[str, Counter]
    error: dict[str, Counter]


class Receipt(msgspec.Struct, frozen=True, kw_only=True):
    """What the monitor holds durably, published to a rack so that it may drop it from its spool."""

    v: Literal[1]
    run: Annotated[str, Meta(min_length=1, max_length=64)]
    t_ms: Instant
    boots: dict[BootId, ReceiptBoot]


Message = Presence | Tally | ReadError

TYPES: dict[Kind, type[Presence] | type[Tally] | type[ReadError] | type[Receipt]] = {
    Kind.PRESENCE: Presence,
    Kind.TALLY: Tally,
    Kind.ERROR: ReadError,
    Kind.RECEIPT: Receipt,
}
_QUOTES: dict[type, int] = {Presence: 2 * (4 + 1), Tally: 2 * (9 + 1), ReadError: 2 * (11 + 3)}
_M = TypeVar("_M", Presence, Tally, ReadError)
_presence = msgspec.json.Decoder(Presence)
_tally = msgspec.json.Decoder(Tally)
_error = msgspec.json.Decoder(ReadError)
_receipt = msgspec.json.Decoder(Receipt)
_encoder = msgspec.json.Encoder()


def decode(kind: Kind, payload: bytes | memoryview) -> Message:
    """Decode what a rack sent on a topic of ``kind``.

    Raises ContractError with the class of the refusal; whatever the bytes are, nothing else is raised.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise ContractError(Refusal.SIZE, f"payload of {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES}")
    try:
        text = str(
            payload, "utf-8"
        )  # the JSON decoder skips unknown fields without looking at their encoding
        match kind:
            case Kind.TALLY:
                return _same_sockets(_once(_tally.decode(payload), text))
            case Kind.ERROR:
                return _same_width(_once(_error.decode(payload), text))
            case Kind.PRESENCE:
                return _boards_when_online(_once(_presence.decode(payload), text))
            case Kind.RECEIPT:
                raise ContractError(Refusal.TOPIC, "a receipt comes from the monitor, not from a rack")
    except msgspec.ValidationError as error:
        raise ContractError(Refusal.FIELD, str(error)) from None
    except UnicodeDecodeError:
        raise ContractError(Refusal.ENCODING, "payload is not UTF-8") from None
    except msgspec.DecodeError as error:
        raise ContractError(Refusal.JSON, str(error)) from None
    except RecursionError:
        raise ContractError(Refusal.DEPTH, "payload is nested too deeply") from None


def decode_receipt(payload: bytes) -> Receipt:
    """Decode a receipt, as a rack does. Raises ContractError."""
    try:
        return _receipt.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ContractError(Refusal.FIELD, str(error)) from None


def encode(message: Message | Receipt) -> bytes:
    """The message as compact UTF-8 JSON, fields in the order of the contract."""
    return _encoder.encode(message)


def _once(message: _M, text: str) -> _M:
    """The message, if no field of the contract stands twice in its ``text``; the decoder takes the last of them.

    Each required field and each of their texts has two quotation marks: where there are no more, there is no more.
    """
    if text.count('"') > _QUOTES[type(message)]:
        keys = [
            key
            for key, _ in json.loads(
                text, object_pairs_hook=list, parse_int=str, parse_float=str, strict=False
            )
        ]
        for name in type(message).__struct_fields__:
            if keys.count(name) > 1:
                raise ContractError(Refusal.FIELD, f"Object has field `{name}` more than once")
    return message


def _same_sockets(tally: Tally) -> Tally:
    if len(tally.reads) != len(tally.errors):
        raise ContractError(Refusal.SHAPE, "reads and errors differ in length")
    for socket, (reads, errors) in enumerate(zip(tally.reads, tally.errors, strict=True), start=1):
        if (reads is None) != (errors is None):
            raise ContractError(Refusal.SHAPE, f"socket {socket} is null in one list only")
    return tally


def _same_width(error: ReadError) -> ReadError:
    if len(error.expected) != len(error.observed):
        raise ContractError(Refusal.SHAPE, "expected and observed differ in length")
    return error


def _boards_when_online(presence: Presence) -> Presence:
    if presence.online and presence.boards is msgspec.UNSET:
        raise ContractError(Refusal.FIELD, "Object missing required field `boards` of an online rack")
    return presence
