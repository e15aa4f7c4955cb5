"""Topics of the wire contract, such as ``{prefix}/{rack}/presence`` or ``{prefix}/{rack}/{board}/tally``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from shared.quantities import MAX_BOARD

_RACK = re.compile(r"[a-z0-9][a-z0-9-]{0,31}", re.ASCII)
_PREFIX = re.compile(r"[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*", re.ASCII)
_BOARD = re.compile(r"[1-9][0-9]{0,3}", re.ASCII)


class Kind(StrEnum):
    """What a topic carries."""

    PRESENCE = "presence"
    TALLY = "tally"
    ERROR = "error"
    RECEIPT = "receipt"


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic of the contract; ``board`` is 0 where the topic is the rack's own (presence, receipt)."""

    rack: str
    board: int
    kind: Kind


def is_rack_name(text: str) -> bool:
    """Whether ``text`` may name a rack."""
    return _RACK.fullmatch(text) is not None


def is_prefix(text: str) -> bool:
    """Whether ``text`` may be the topic prefix (one or more plain levels, no wildcards)."""
    return len(text) <= 128 and _PREFIX.fullmatch(text) is not None


@lru_cache(maxsize=16_384)  # a floor has few topics, and each comes every few seconds
def parse_topic(prefix: str, text: str) -> Topic | None:
    """The topic that ``text`` names, or None when it is none of the contract's under ``prefix``."""
    head, slash, rest = text[: len(prefix)], text[len(prefix) : len(prefix) + 1], text[len(prefix) + 1 :]
    if head != prefix or slash != "/":
        return None
    match rest.split("/"):
        case [rack, ("presence" | "receipt") as kind] if is_rack_name(rack):
            return Topic(rack, 0, Kind(kind))
        case [rack, board, ("tally" | "error") as kind] if is_rack_name(rack) and _BOARD.fullmatch(board):
            number = int(board)
            return Topic(rack, number, Kind(kind)) if number <= MAX_BOARD else None
    return None


def format_topic(prefix: str, topic: Topic) -> str:
    """The text of ``topic`` under ``prefix``; the inverse of :func:`parse_topic`.

    Raises ValueError for a board's topic without a board, or a rack's own topic with one.
    """
    if (topic.board > 0) != (topic.kind in {Kind.TALLY, Kind.ERROR}):
        raise ValueError(f"no such topic: board {topic.board}, {topic.kind.value}")
    if topic.board:
        return f"{prefix}/{topic.rack}/{topic.board}/{topic.kind.value}"
    return f"{prefix}/{topic.rack}/{topic.kind.value}"


def subscriptions(prefix: str) -> tuple[str, str, str]:
    """The topic filters of a monitor; each is subscribed to at QoS 1."""
    return (f"{prefix}/+/presence", f"{prefix}/+/+/tally", f"{prefix}/+/+/error")
