"""What came in, as a page of plain text: every count with what it means, and the latest of each kind. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.faces.terminal.accounts import INTAKE_COUNTS, intake_name
from monitor.faces.terminal.layout import table
from monitor.faces.terminal.text import count, instant, place, scrub, wrap
from monitor.figures.document import Figures, NotedFigures

WIDTH = 78
INDENT = "  "
MEANINGS = {
    "accepted": "messages in the journal; only these count",
    "duplicates": "came before with the same content; sent again is no fault, and counts once",
    "conflicts": "contradict an earlier message of the same number; the first stands",
    "late": "tallies that came after a younger one was folded; not credited",
    "gaps": "tallies, one or several in a row, that never came; that time is unwitnessed if too long",
    "invalid": "break the wire contract; not credited",
    "strangers": "of a rack, board or socket that the campaign does not name",
    "counter_faults": "tallies whose time or counters cannot be; what they touch is not credited",
    "waiting": "tallies that wait for an earlier one; in no figure yet",
    "disagreements": "chips of which error messages and counters tell different stories",
}
_KINDS = {
    "duplicate": "duplicates",
    "conflict": "conflicts",
    "late": "late tallies",
    "gap": "gaps",
    "invalid": "invalid messages",
    "stranger": "messages of strangers",
    "counter fault": "counter faults",
    "disagreement": "disagreements",
}


def intake_page(figures: Figures) -> str:
    """Every count of the intake, how each rack fared, and the latest of each kind; at most 78 columns."""
    figures = scrub(figures)
    stamp = (
        "before the first message" if figures.as_of_ms is None else f"as of {instant(figures.as_of_ms)} UTC"
    )
    parts = [
        [f"{figures.campaign}: what came in, {stamp}"],
        list(_counts(figures)),
        list(_racks(figures)),
        *(list(_latest(kind, figures)) for kind in _KINDS),
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _counts(figures: Figures) -> Iterator[str]:
    numbers = [(intake_name(name), f"{getattr(figures.intake, name):,}") for name in INTAKE_COUNTS]
    left = table(numbers, "<>")
    indent = max(map(len, left)) + 2
    for line, name in zip(left, INTAKE_COUNTS, strict=True):
        first, *more = wrap(MEANINGS[name], WIDTH - indent)
        yield f"{line:<{indent}}{first}"
        yield from (" " * indent + text for text in more)
    for reason, number in figures.intake.invalid_reasons.items():
        yield f"{INDENT}invalid, {reason}: {number:,}"
    for rack, board, socket in figures.intake.stranger_places:
        yield f"{INDENT}stranger at " + (rack if board is None else place(rack, board, socket))


def _racks(figures: Figures) -> Iterator[str]:
    for rack in figures.racks:
        judged = count(rack.judged, "message")
        yield f"{rack.rack}: {rack.refused:,} of the latest {judged} refused"
        if rack.reason is not None:
            yield from _indented(f"mostly: {rack.reason}", INDENT)


def _latest(kind: str, figures: Figures) -> Iterator[str]:
    noted = [item for item in figures.intake.noted if item.kind == kind]
    if not noted:
        return
    yield f"Latest {_KINDS[kind]}"
    for item in noted:
        yield from _indented(f"{instant(item.t_recv_ms)} UTC  {_where(item)}", INDENT)
        yield from _indented(item.detail, INDENT * 2)
        if item.excerpt:
            yield from _indented(item.excerpt, INDENT * 2)


def _where(item: NotedFigures) -> str:
    if item.rack is None or item.board is None:
        return item.topic or "no topic"
    number = "" if item.seq is None else f", number {item.seq}"
    return f"{place(item.rack, item.board)}, boot {item.boot}{number}"


def _indented(text: str, indent: str) -> Iterator[str]:
    return (indent + line for line in wrap(text, WIDTH - len(indent)))
