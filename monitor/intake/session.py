"""What becomes of a message: accepted, duplicate, conflict, stranger or invalid. Pure.

Identity is (rack, board, boot, seq) for a tally and (rack, board, boot, n) for an error message; it counts once. If
two arrivals of one identity differ in content the first stands. Content is compared by the contract's fields, not by
bytes. Strangers are told by topic first, before the payload is looked at. A message of a boot that ended long ago,
or whose number jumps so far so often that it could not be remembered, is invalid (see ``identities``).

The latest of each kind of refusal are kept for inspection, and of each rack how its latest messages fared. Nothing
here grows with what is sent: see the bounds beside each collection.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import msgspec

from monitor.campaign import Campaign
from monitor.intake.identities import Identities, fingerprint
from shared.entries import (
    ACCEPTED_LETTER,
    DETAIL_CHARS,
    JUDGED,
    NOTED,
    REFUSED_LETTERS,
    Noted,
    Received,
    Refused,
    note,
)
from shared.errors import ContractError, Refusal
from shared.messages import Message, Presence, ReadError, Tally, decode, encode
from shared.shown import printable
from shared.topics import Topic, format_topic, is_rack_name, parse_topic

MAX_STRANGER_PLACES = 1024  # kept for inspection; the count goes on
_MAX_TOPIC_CHARS = 256  # the contract's are shorter; longer ones must not fill the memory of known topics
_SOUND = ACCEPTED_LETTER * JUDGED
_LETTERS = {reason: letter for letter, reason in REFUSED_LETTERS.items()}
_BOOT_CHARS = 100
_NO_TOPIC = "its topic names nothing in this campaign"
_WHY = {
    Refusal.BOOT: "a boot that ended long ago, or one of too many",
    Refusal.NUMBER: "its numbers jump: far more of them are left out than sent",
}
_encode = msgspec.msgpack.Encoder().encode

Place = tuple[str, int | None, int | None]
Wire = Callable[[], tuple[str, bytes | memoryview]]
"""Topic and payload of a message, made only where they are needed."""


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
        """Judge what arrived on the wire, and remember it. Whatever it is, nothing is raised."""
        topic = parse_topic(self._prefix, topic_text) if len(topic_text) <= _MAX_TOPIC_CHARS else None
        judgement = self._judge(t_recv_ms, topic, payload)
        return self._count(judgement, t_recv_ms, topic, lambda: (topic_text, payload))

    def admit(self, entry: Received) -> Judgement:
        """Judge a message that is decoded already (from a journal), and remember it.

        Where the journal was recorded under another prefix (``recorded_prefix``) its topics name nobody here.
        """
        topic = entry.topic if self.recorded_prefix == self._prefix else None
        judgement = self._judge_entry(entry) if topic else Judgement(Verdict.STRANGER, detail=_NO_TOPIC)
        return self._count(
            judgement,
            entry.t_recv_ms,
            topic,
            lambda: (format_topic(self.recorded_prefix, entry.topic), encode(entry.message)),
        )

    def add_refused(self, other: Refused) -> None:
        """Add counts kept elsewhere (of an earlier service, or at the end of an export).

        They may come from a foreign file: nothing is taken over but what this session could have made.
        """
        mine = self.refused
        mine.duplicates += other.duplicates
        mine.conflicts += other.conflicts
        mine.invalid += other.invalid
        mine.strangers += other.strangers
        for reason in Refusal:
            if count := other.invalid_reasons.get(reason):
                mine.invalid_reasons[reason] = mine.invalid_reasons.get(reason, 0) + count
        for rack, board, socket in other.stranger_places:
            if is_rack_name(rack):
                self._keep_place((rack, board, socket))
        for verdict in (Verdict.DUPLICATE, Verdict.CONFLICT, Verdict.STRANGER, Verdict.INVALID):
            for kept in other.noted.get(verdict, [])[-NOTED:]:
                self._keep_note(verdict, note(kept.t_recv_ms, kept.topic, kept.detail, kept.excerpt))
        self._take_over_racks(other)

    def _take_over_racks(self, other: Refused) -> None:
        """How the racks fared is told by who judged them then, in the order of then."""
        for rack in sorted(self._racks & other.racks.keys()):
            letters = (c for c in other.racks[rack] if c == ACCEPTED_LETTER or c in REFUSED_LETTERS)
            self.refused.racks[rack] = "".join(letters)[-JUDGED:]
            self.refused.rack_details.pop(rack, None)
            if detail := other.rack_details.get(rack):
                self.refused.rack_details[rack] = printable(detail, DETAIL_CHARS)

    # -- verdicts -----------------------------------------------------------------------------------------------

    def _judge(self, t_recv_ms: int, topic: Topic | None, payload: bytes | memoryview) -> Judgement:
        if topic is None:
            return Judgement(Verdict.STRANGER, detail=_NO_TOPIC)
        stranger = self._stranger(topic)
        if stranger is not None:
            return stranger
        try:
            message = decode(topic.kind, payload)
        except ContractError as error:
            return _invalid(error.reason, error.detail)
        return self._judge_entry(Received(t_recv_ms, topic, message))

    def _judge_entry(self, entry: Received) -> Judgement:
        topic, message = entry.topic, entry.message
        stranger = self._stranger(topic)
        if stranger is None and isinstance(message, ReadError):
            place = (topic.rack, topic.board, message.socket)
            if place not in self._sockets:
                detail = f"socket {message.socket} has no chip in this campaign"
                stranger = Judgement(Verdict.STRANGER, refused_error=entry, place=place, detail=detail)
        if stranger is not None:
            return stranger
        if isinstance(message, Presence):
            return Judgement(Verdict.ACCEPTED, entry)
        number = message.seq if isinstance(message, Tally) else message.n
        mark = _fingerprint(message)
        known = self.identities.seen(topic, message.boot, number)
        if known:
            verdict = Verdict.DUPLICATE if known == mark else Verdict.CONFLICT
            return Judgement(verdict, detail=_of(message.boot, number))
        refusal = self.identities.refusal(topic, message.boot, number)
        if refusal is not None:
            return _invalid(refusal, f"{_WHY[refusal]} ({_of(message.boot, number)})")
        self.identities.remember(topic, message.boot, number, mark)
        return Judgement(Verdict.ACCEPTED, entry)

    def _stranger(self, topic: Topic) -> Judgement | None:
        if (topic.rack, topic.board) in self._boards if topic.board else topic.rack in self._racks:
            return None
        named = f"board {topic.board} of {topic.rack}" if topic.rack in self._racks else f"rack {topic.rack}"
        detail = f"the campaign names no {named}"
        return Judgement(Verdict.STRANGER, place=(topic.rack, topic.board or None, None), detail=detail)

    # -- counts -------------------------------------------------------------------------------------------------

    def _count(self, judgement: Judgement, t_recv_ms: int, topic: Topic | None, wire: Wire) -> Judgement:
        refused, verdict = self.refused, judgement.verdict
        match verdict:
            case Verdict.ACCEPTED:
                self._fared(topic, ACCEPTED_LETTER)
                return judgement
            case Verdict.DUPLICATE:
                refused.duplicates += 1
            case Verdict.CONFLICT:
                refused.conflicts += 1
                self._fared(topic, _LETTERS[verdict], judgement.detail)
            case Verdict.STRANGER:
                refused.strangers += 1
                if judgement.place is not None:
                    self._keep_place(judgement.place)
            case Verdict.INVALID:
                refused.invalid += 1
                reason = str(judgement.reason)
                refused.invalid_reasons[reason] = refused.invalid_reasons.get(reason, 0) + 1
                self._fared(topic, _LETTERS[reason], judgement.detail)
        topic_text, payload = wire()
        self._keep_note(verdict, note(t_recv_ms, topic_text, judgement.detail, payload))
        return judgement

    def _fared(self, topic: Topic | None, letter: str, detail: str = "") -> None:
        """Note how a message of a rack of the campaign fared: so many letters for each rack."""
        if topic is None:
            return
        racks = self.refused.racks
        before = racks.get(topic.rack, "")
        if letter != ACCEPTED_LETTER or before != _SOUND:
            racks[topic.rack] = (before + letter)[-JUDGED:]
        if detail:
            self.refused.rack_details[topic.rack] = detail

    def _keep_note(self, kind: str, noted: Noted) -> None:
        kept = self.refused.noted.setdefault(str(kind), [])
        kept.append(noted)
        del kept[:-NOTED]

    def _keep_place(self, place: Place) -> None:
        places = self.refused.stranger_places
        if len(places) < MAX_STRANGER_PLACES and place not in places:
            places.append(place)


def _invalid(reason: Refusal, detail: str) -> Judgement:
    return Judgement(Verdict.INVALID, reason=reason, detail=printable(detail, DETAIL_CHARS))


def _of(boot: str, number: int) -> str:
    return f"boot {printable(boot, _BOOT_CHARS)}, number {number}"


def _fingerprint(message: Message) -> int:
    return fingerprint(_encode(message))


__all__ = ["Identities", "Judgement", "Session", "Verdict"]
