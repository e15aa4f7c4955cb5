"""The first lines: one plain sentence that says whether every chip is stressed and read, and how old that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rich.cells import cell_len

from monitor.faces.terminal.layout import ALARM, HEAD, PLAIN, Part, sentences
from monitor.faces.terminal.text import Link, capital, count, duration, instant, numbers, place
from monitor.figures.document import BoardFigures, Figures

# What a chip at risk is when it is not "reading", the most treacherous first.
TROUBLES = {
    "not reading": "NOT being read",
    "counter": "in COUNTER fault",
    "silent": "SILENT",
    "offline": "OFFLINE",
    "temperature": "OUT of temperature limits",
    "supply": "OUT of supply limits",
    "unwitnessed": "UNWITNESSED in the last interval",
    "never seen": "NEVER seen",
    "starting": "STARTING (nothing credited before the second tally)",
}
SETTLED = frozenset({"reading", "failed", "not relevant"})


@dataclass
class Trouble:
    """The chips that share one trouble, by place."""

    clause: str
    chips: int = 0
    places: list[str] = field(default_factory=list)


def troubles(boards: Sequence[BoardFigures]) -> list[Trouble]:
    """The chips neither read nor settled, by trouble, the most treacherous first."""
    found: dict[str, Trouble] = {}
    for board in boards:
        for state, sockets in _by_state(board).items():
            trouble = found.setdefault(state, Trouble(TROUBLES.get(state, f'in state "{state}"')))
            trouble.chips += len(sockets)
            trouble.places.append(_places(board, sockets))
    order = list(TROUBLES)
    return [
        found[state] for state in sorted(found, key=lambda s: order.index(s) if s in order else len(order))
    ]


def _by_state(board: BoardFigures) -> dict[str, list[int]]:
    states: dict[str, list[int]] = {}
    for item in board.sockets:
        if item.state not in SETTLED:
            states.setdefault(item.state, []).append(item.socket)
    return states


def _places(board: BoardFigures, sockets: Sequence[int]) -> str:
    where = place(board.rack, board.board)
    at_risk = sum(item.state not in ("failed", "not relevant") for item in board.sockets)
    if len(sockets) == at_risk and at_risk > 1:
        return where
    return f"{where} {'socket' if len(sockets) == 1 else 'sockets'} {numbers(sockets)}"


def standing(figures: Figures, *, past: bool, room: int) -> str:
    """The state as one sentence of about ``room`` cells at most; in the past tense when it is not the present."""
    chips = figures.chips
    whole = "" if chips.at_risk == chips.loaded else " at risk"
    aside = _out_of_risk(figures)
    if chips.loaded == 0:
        return "The campaign names no chip."
    if chips.at_risk == 0:
        return f"No chip is at risk any more{aside}."
    if chips.reading >= chips.at_risk:
        are = _verb(chips.at_risk, past)
        every = "All" if chips.at_risk > 1 else "The"
        return f"{every} {count(chips.at_risk, 'chip')}{whole} {are} stressed and read{aside}."
    unread = chips.at_risk - chips.reading
    found = troubles(figures.boards)
    clause = found[0].clause if len(found) == 1 else "NOT stressed and read"
    head = f"{unread:,} of {count(chips.at_risk, 'chip')}{whole} {_verb(unread, past)} {clause}"
    return f"{head}{_where(found, room - cell_len(head) - cell_len(aside))}{aside}."


def _verb(number: int, past: bool) -> str:
    if number == 1:
        return "was" if past else "is"
    return "were" if past else "are"


def _out_of_risk(figures: Figures) -> str:
    chips = figures.chips
    said = []
    if chips.failed:
        said.append(f"{chips.failed:,} of {chips.loaded:,} {'has' if chips.failed == 1 else 'have'} FAILED")
    if chips.not_relevant:
        said.append(f"{chips.not_relevant:,} failed as not relevant")
    return "; " + ", ".join(said) if said else ""


def _where(found: Sequence[Trouble], room: int) -> str:
    """The places, as many of each trouble as there is room for."""
    if not found:
        return ""
    longest = max(len(trouble.places) for trouble in found)
    text = ""
    for most in range(longest, 0, -1):
        text = _places_of(found, most)
        if cell_len(text) <= room:
            break
    return text


def _places_of(found: Sequence[Trouble], most: int) -> str:
    if len(found) == 1:
        return ": " + _some(found[0].places, most)
    return ": " + "; ".join(f"{t.chips:,} {t.clause} ({_some(t.places, most)})" for t in found)


def _some(places: Sequence[str], most: int) -> str:
    more = len(places) - most
    return "; ".join(places[:most]) + (f"; and {count(more, 'more board')}" if more > 0 else "")


def freshness(link: Link, as_of_ms: int | None) -> str:
    """How old the data is and where it comes from, in one sentence."""
    note = f" {link.note.rstrip('.')}." if link.note else ""
    return f"{_age(link, as_of_ms)}, {_attached(link)}.{note}"


def _age(link: Link, as_of_ms: int | None) -> str:
    stamp = "" if as_of_ms is None else f" ({instant(as_of_ms)} UTC)"
    if link.age_s is None:
        return "no data has come in yet" if as_of_ms is None else f"age of the data unknown{stamp}"
    if link.age_s < 0:
        return f"data dated {duration(-link.age_s)} ahead of this clock{stamp}"
    limit = (
        f", more than the {duration(link.stale_after_s)} allowed" if link.age_s > link.stale_after_s else ""
    )
    return f"data {duration(link.age_s)} old{limit}{stamp}"


def _attached(link: Link) -> str:
    match link.state:
        case "live":
            return f"live from {link.source}"
        case "replay":
            return link.source
        case "connecting":
            return f"connecting to {link.source}"
        case _:
            return f"connection to {link.source} LOST"


def stale_word(link: Link) -> str:
    """``STALE`` and the age, or nothing when the data may be taken for the present."""
    if not link.stale:
        return ""
    return "STALE, no data. " if link.age_s is None else f"STALE, {duration(link.age_s)} old. "


def state(figures: Figures | None, link: Link, width: int, rank: int = 0) -> Part:
    """The sentence (reverse when it is stale or bad) and below it the age and source of the data."""
    stale = stale_word(link)
    if figures is None:
        lines = sentences(f"{stale}{capital(freshness(link, None))}", width, rank, ALARM if stale else HEAD)
        return Part("State", lines)
    said = f"{stale}{standing(figures, past=bool(stale), room=2 * width - cell_len(stale))}"
    bad = bool(stale) or figures.chips.reading < figures.chips.at_risk
    age = f"{figures.campaign}: {freshness(link, figures.as_of_ms)}"
    rows = [*sentences(said, width, rank, ALARM if bad else HEAD)]
    return Part("State", [*rows, *sentences(age, width, rank, ALARM if stale else PLAIN)])
