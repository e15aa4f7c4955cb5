"""What becomes of a message: accepted, duplicate, conflict, stranger or invalid. Pure.

Identity is (rack, board, boot, seq) for a tally and (rack, board, boot, n) for an error message; it counts once. If
two arrivals of one identity differ in content the first stands. Content is compared by the contract's fields, not by
bytes. Strangers are told by topic first, before the payload is looked at.
"""

from __future__ import annotations

import hashlib
from array import array
from dataclasses import dataclass
from enum import StrEnum

import msgspec

from monitor.campaign import Campaign
from shared.entries import Received, Refused
from shared.errors import ContractError, Refusal
from shared.messages import Message, Presence, ReadError, Tally, decode
from shared.topics import Kind, Topic, parse_topic

MAX_STRANGER_PLACES = 1024  # kept for inspection; the count goes on
_PAGE = 256
_encode = msgspec.msgpack.Encoder().encode
_rows = msgspec.msgpack.Decoder(list[tuple[str, int, str, str, int, bytes]])

Place = tuple[str, int | None, int | None]


class Verdict(StrEnum):
    """What became of a message."""

    ACCEPTED = "accepted"
    DUPLICATE = "duplicate"
    CONFLICT = "conflict"
    STRANGER = "stranger"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict; ``entry`` is the journal entry of an accepted message, ``detail`` the reason of a refusal."""

    verdict: Verdict
    entry: Received | None = None
    reason: Refusal | None = None
    refused_error: Received | None = None  # of a socket without a chip: refused, but not to be sent again
    place: Place | None = None
    detail: str = ""


class Identities:
    """Fingerprints of the accepted messages of each stream, in pages, so that a long campaign stays small."""

    def __init__(self) -> None:
        self._pages: dict[tuple[Topic, str, int], array[int]] = {}

    def seen(self, topic: Topic, boot: str, number: int) -> int:
        """The fingerprint under this identity, or 0."""
        page = self._pages.get((topic, boot, number // _PAGE))
        return page[number % _PAGE] if page is not None else 0

    def remember(self, topic: Topic, boot: str, number: int, fingerprint: int) -> None:
        """Keep a fingerprint (not 0)."""
        key = (topic, boot, number // _PAGE)
        page = self._pages.get(key)
        if page is None:
            page = self._pages[key] = array("Q", bytes(8 * _PAGE))
        page[number % _PAGE] = fingerprint

    def freeze(self) -> bytes:
        """Everything remembered, as bytes."""
        rows = [
            (topic.rack, topic.board, topic.kind.value, boot, page, fingerprints.tobytes())
            for (topic, boot, page), fingerprints in self._pages.items()
        ]
        return msgspec.msgpack.encode(rows)

    def thaw(self, data: bytes) -> None:
        """Remember what ``freeze`` gave. Raises msgspec.MsgspecError or ValueError for anything else."""
        for rack, board, kind, boot, page, fingerprints in _rows.decode(data):
            if len(fingerprints) != 8 * _PAGE:
                raise ValueError("a page of fingerprints has the wrong size")
            self._pages[Topic(rack, board, Kind(kind)), boot, page] = array("Q", fingerprints)


class Session:
    """Judges messages in the order of their arrival, and keeps the counts of what was refused."""

    def __init__(self, campaign: Campaign) -> None:
        self._prefix = self.recorded_prefix = campaign.prefix
        self._racks = {chip.rack for chip in campaign.chips}
        self._boards = {(chip.rack, chip.board) for chip in campaign.chips}
        self._sockets = {(chip.rack, chip.board, chip.socket) for chip in campaign.chips}
        self.identities = Identities()
        self.refused = Refused()

    def judge(self, t_recv_ms: int, topic_text: str, payload: bytes | memoryview) -> Judgement:
        """Judge what arrived on the wire, and remember it."""
        topic = parse_topic(self._prefix, topic_text)
        if topic is None:
            return self._count(Judgement(Verdict.STRANGER, detail="no topic of the contract"))
        stranger = self._stranger(topic)
        if stranger is not None:
            return self._count(stranger)
        try:
            message = decode(topic.kind, payload)
        except ContractError as error:
            return self._count(Judgement(Verdict.INVALID, reason=error.reason, detail=error.detail))
        return self.admit(Received(t_recv_ms, topic, message))

    def admit(self, entry: Received) -> Judgement:
        """Judge a message that is decoded already (from a journal), and remember it.

        Where the journal was recorded under another prefix (``recorded_prefix``) its topics name nobody here.
        """
        topic, message = entry.topic, entry.message
        if self.recorded_prefix != self._prefix:
            return self._count(Judgement(Verdict.STRANGER, detail="another prefix"))
        stranger = self._stranger(topic)
        if stranger is None and isinstance(message, ReadError):
            place = (topic.rack, topic.board, message.socket)
            if place not in self._sockets:
                stranger = Judgement(Verdict.STRANGER, refused_error=entry, place=place)
        if stranger is not None:
            return self._count(stranger)
        if isinstance(message, Presence):
            return Judgement(Verdict.ACCEPTED, entry)
        number = message.seq if isinstance(message, Tally) else message.n
        fingerprint = _fingerprint(message)
        known = self.identities.seen(topic, message.boot, number)
        if known:
            verdict = Verdict.DUPLICATE if known == fingerprint else Verdict.CONFLICT
            return self._count(Judgement(verdict, detail=f"boot {message.boot}, number {number}"))
        self.identities.remember(topic, message.boot, number, fingerprint)
        return Judgement(Verdict.ACCEPTED, entry)

    def add_refused(self, other: Refused) -> None:
        """Add counts kept elsewhere (of an earlier service, or at the end of an export)."""
        mine = self.refused
        mine.duplicates += other.duplicates
        mine.conflicts += other.conflicts
        mine.invalid += other.invalid
        mine.strangers += other.strangers
        for reason, count in other.invalid_reasons.items():
            mine.invalid_reasons[reason] = mine.invalid_reasons.get(reason, 0) + count
        for place in other.stranger_places:
            self._keep_place(place)

    def _stranger(self, topic: Topic) -> Judgement | None:
        known = (topic.rack, topic.board) in self._boards if topic.board else topic.rack in self._racks
        return None if known else Judgement(Verdict.STRANGER, place=(topic.rack, topic.board or None, None))

    def _count(self, judgement: Judgement) -> Judgement:
        refused = self.refused
        match judgement.verdict:
            case Verdict.DUPLICATE:
                refused.duplicates += 1
            case Verdict.CONFLICT:
                refused.conflicts += 1
            case Verdict.STRANGER:
                refused.strangers += 1
                if judgement.place is not None:
                    self._keep_place(judgement.place)
            case Verdict.INVALID:
                refused.invalid += 1
                reason = str(judgement.reason)
                refused.invalid_reasons[reason] = refused.invalid_reasons.get(reason, 0) + 1
            case Verdict.ACCEPTED:
                pass
        return judgement

    def _keep_place(self, place: Place) -> None:
        places = self.refused.stranger_places
        if place not in places and len(places) < MAX_STRANGER_PLACES:
            places.append(place)


def _fingerprint(message: Message) -> int:
    digest = hashlib.blake2b(_encode(message), digest_size=8).digest()
    return int.from_bytes(digest, "big") or 1


__all__ = ["Identities", "Judgement", "Session", "Verdict"]
