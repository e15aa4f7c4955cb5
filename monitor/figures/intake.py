"""What came in: the counts, the latest of each kind of trouble, and how the latest messages of each rack fared."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from monitor.figures import document as doc
from monitor.ledger import COUNTER_FAULT, DISAGREEMENT, GAP, LATE, Ledger
from shared.entries import ACCEPTED_LETTER, CONFLICT, REFUSED_LETTERS, Refused
from shared.errors import Refusal

KINDS = ("duplicate", CONFLICT, LATE, GAP, "invalid", "stranger", COUNTER_FAULT, DISAGREEMENT)
"""Kinds of trouble, in the order of the document."""

_WORDS: dict[str, str] = {
    CONFLICT: "contradicts an earlier message of the same number",
    Refusal.TOPIC: "on a topic of the monitor's own",
    Refusal.SIZE: "too large",
    Refusal.ENCODING: "not UTF-8",
    Refusal.JSON: "not JSON",
    Refusal.DEPTH: "nested too deeply",
    Refusal.FIELD: "a field is missing or has a wrong value",
    Refusal.SHAPE: "lists or words that differ in length",
    Refusal.BOOT: "of a boot that ended long ago",
    Refusal.NUMBER: "its numbers jump",
}


def intake(
    ledger: Ledger, refused: Refused, strangers: list[tuple[str, int | None, int | None]]
) -> doc.Intake:
    """Every count, and the latest of each kind."""
    counts = ledger.counts
    return doc.Intake(
        accepted=ledger.accepted,
        duplicates=refused.duplicates,
        conflicts=refused.conflicts,
        late=counts.late,
        gaps=counts.gaps,
        invalid=refused.invalid,
        strangers=refused.strangers,
        counter_faults=counts.counter_faults,
        waiting=ledger.waiting,
        disagreements=counts.disagreements,
        invalid_reasons=dict(sorted(refused.invalid_reasons.items())),
        stranger_places=strangers,
        noted=[item for kind in KINDS for item in _noted(kind, ledger, refused)],
    )


def racks(ledger: Ledger, refused: Refused) -> list[doc.RackFigures]:
    """How the latest messages of each rack of the campaign fared."""
    return [
        _rack(name, refused.racks.get(name, ""), refused.rack_details.get(name))
        for name in sorted(ledger.racks)
    ]


def stranger_places(ledger: Ledger, refused: Refused) -> list[tuple[str, int | None, int | None]]:
    """Places that the campaign does not name: told by topics, by error messages, and by the tallies' lists."""
    places = set(refused.stranger_places)
    for board in ledger.boards.values():
        places.update((board.rack, board.number, socket) for socket in board.stranger_sockets)
    return sorted(places, key=lambda p: (p[0], p[1] or 0, p[2] or 0))


def _noted(kind: str, ledger: Ledger, refused: Refused) -> Iterator[doc.NotedFigures]:
    for message in refused.noted.get(kind, ()):
        yield doc.NotedFigures(
            kind, message.t_recv_ms, message.topic, None, None, None, None, message.detail, message.excerpt
        )
    for event in ledger.notes.kept.get(kind, ()):
        yield doc.NotedFigures(
            kind, event.t_recv_ms, None, event.rack, event.board, event.boot, event.seq, event.detail, None
        )


def _rack(name: str, letters: str, detail: str | None) -> doc.RackFigures:
    wrong = Counter(letters)
    del wrong[ACCEPTED_LETTER]
    reason = None
    if wrong:
        # of reasons that are as frequent as each other, the first in the fixed order of the letters
        most = max(REFUSED_LETTERS, key=lambda letter: wrong[letter])
        reason = _WORDS[REFUSED_LETTERS[most]] + (f"; latest: {detail}" if detail else "")
    return doc.RackFigures(name, len(letters), wrong.total(), reason)
