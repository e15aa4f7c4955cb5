"""The first lines: one plain sentence that says whether every chip is stressed and read, and how old that is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from monitor.faces.terminal.layout import ALARM, HEAD, PLAIN, TROUBLE, Part, Row, sentences
from monitor.faces.terminal.text import (
    Link,
    capital,
    clock,
    count,
    credited,
    duration,
    instant,
    numbers,
    place,
    setting,
    wrap,
)
from monitor.figures.document import BoardFigures, Figures, SocketFigures
from monitor.rules.alerts import Alert

# What a chip at risk is when it is not "reading", the most treacherous first.
TROUBLES = {
    "not reading": "NOT being read",
    "counter": "in COUNTER fault",
    "silent": "SILENT",
    "offline": "OFFLINE",
    "temperature": "OUT of temperature",
    "supply": "OUT of supply",
    "unwitnessed": "UNWITNESSED",
    "never seen": "NOT YET SEEN",
    "starting": "STARTING",
}
TALL = 40  # lines of a screen with room for a longer first sentence
SETTLED = frozenset({"reading", "failed", "not relevant"})
# States of a board from which nothing is heard: none of its chips is read, whatever is written beside a socket.
UNHEARD = frozenset({"never seen", "offline", "silent"})


Place = tuple[str, int, tuple[int, ...]]  # rack, board, and the sockets when they are not all of the board's


@dataclass
class Trouble:
    """The chips that share one trouble, by place."""

    clause: str
    chips: int = 0
    places: list[Place] = field(default_factory=list)


def troubles(boards: Sequence[BoardFigures]) -> list[Trouble]:
    """The chips neither read nor settled, by trouble, the most treacherous first."""
    found: dict[str, Trouble] = {}
    for board in sorted(boards, key=lambda item: (item.rack, item.board)):
        for state, sockets in _by_state(board).items():
            trouble = found.setdefault(state, Trouble(TROUBLES.get(state, f'in state "{state}"')))
            trouble.chips += len(sockets)
            trouble.places.append((board.rack, board.board, _unless_all(board, sockets)))
    order = list(TROUBLES)
    return [
        found[state] for state in sorted(found, key=lambda s: order.index(s) if s in order else len(order))
    ]


def socket_state(board: BoardFigures, item: SocketFigures) -> str:
    """How a socket stands; where its board says worse of it, what the board says."""
    return board.state if item.state == "reading" and board.state in UNHEARD else item.state


def unread(figures: Figures) -> int:
    """Chips at risk that are not being credited: by count or by the boards, whichever says more."""
    by_count = figures.chips.at_risk - figures.chips.reading
    return max(by_count, sum(trouble.chips for trouble in troubles(figures.boards)))


def finished(figures: Figures) -> bool:
    """Whether the racks are offline because there is nothing left to do: the longest-stressed chip has its hours.

    They may be short by one gap, for the first tally of a boot credits nothing; the sentence then tells the hours.
    """
    plan, boards = figures.plan, figures.boards
    offline = bool(boards) and all(board.state == "offline" for board in boards)
    return offline and plan.elapsed_h + plan.max_gap_s / 3600 >= plan.planned_hours > 0


def _by_state(board: BoardFigures) -> dict[str, list[int]]:
    states: dict[str, list[int]] = {}
    for item in board.sockets:
        state = socket_state(board, item)
        if state not in SETTLED:
            states.setdefault(state, []).append(item.socket)
    return states


def _unless_all(board: BoardFigures, sockets: Sequence[int]) -> tuple[int, ...]:
    at_risk = sum(item.state not in ("failed", "not relevant") for item in board.sockets)
    return () if len(sockets) == at_risk > 1 else tuple(sockets)


def standing(figures: Figures, *, past: bool = False) -> Iterator[str]:
    """The state as one sentence, from the fullest wording to the shortest; in the past tense when it is old."""
    chips = figures.chips
    whole = "" if chips.at_risk == chips.loaded else " at risk"
    aside = _out_of_risk(figures)
    short = unread(figures)
    if chips.loaded == 0:
        yield "The campaign names no chip."
    elif chips.at_risk == 0:
        yield f"No chip is at risk any more{aside}."
    elif finished(figures):
        yield f"{_all_offline(figures, past)}{aside}."
    elif short <= 0:
        are, every = _verb(chips.at_risk, past), "All" if chips.at_risk > 1 else "The"
        yield f"{every} {count(chips.at_risk, 'chip')}{whole} {are} stressed and read{aside}."
    else:
        found = troubles(figures.boards)
        clause = found[0].clause if len(found) == 1 else "NOT stressed and read"
        head = f"{short:,} of {count(chips.at_risk, 'chip')}{whole} {_verb(short, past)} {clause}"
        for where in _where(found):
            yield f"{head}{where}{aside}."


def _all_offline(figures: Figures, past: bool) -> str:
    plan, racks = figures.plan, len({board.rack for board in figures.boards})
    who = f"{'All racks' if racks > 1 else 'The rack'} {_verb(racks, past)} offline"
    hours = "its planned hours"
    if plan.elapsed_h < plan.planned_hours:
        hours = f"{credited(plan.elapsed_h)} of its {setting(plan.planned_hours)} planned hours"
    return f"{who}; the longest-stressed chip has {hours}"


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


def _where(found: Sequence[Trouble]) -> Iterator[str]:
    """The troubles and their places, with ever fewer places; at last nothing."""
    texts = [_place_texts(trouble.places) for trouble in found]
    for most in range(max(map(len, texts), default=0), 0, -1):
        yield _named(found, [_some(places, most) for places in texts])
    if len(found) > 1:
        for told in range(len(found) - 1, -1, -1):
            yield _named(found, [_some(places, 1) if i < told else "" for i, places in enumerate(texts)])
    yield ""


def _named(found: Sequence[Trouble], places: Sequence[str]) -> str:
    if len(found) == 1:
        return f": {places[0]}"
    items = (
        f"{t.chips:,} {t.clause}{f' ({where})' if where else ''}"
        for t, where in zip(found, places, strict=True)
    )
    return ": " + "; ".join(items)


def _place_texts(places: Sequence[Place]) -> list[str]:
    """One text for each rack's whole boards and one for each board with sockets of its own."""
    whole: dict[str, list[int]] = {}
    for rack, board, sockets in places:
        if not sockets:
            whole.setdefault(rack, []).append(board)
    texts = [
        f"{rack} {'board' if len(slots) == 1 else 'boards'} {numbers(slots)}" for rack, slots in whole.items()
    ]
    for rack, board, sockets in places:
        if sockets:
            texts.append(
                f"{place(rack, board)} {'socket' if len(sockets) == 1 else 'sockets'} {numbers(sockets)}"
            )
    return texts


def _some(texts: Sequence[str], most: int) -> str:
    return "; ".join(texts[:most]) + (f"; and {len(texts) - most} more" if len(texts) > most else "")


def freshness(link: Link, as_of_ms: int | None, *, brief: bool = False) -> str:
    """How old the data is and where it comes from, in one sentence; ``brief``: without its time."""
    note = f" {link.note.rstrip('.')}." if link.note and link.state != "live" else ""
    return f"{_age(link, as_of_ms, brief=brief)}, {attached(link)}.{note}"


def service_trouble(link: Link) -> str:
    """What is wrong with the service that is watched (its journal, its broker), in one sentence, or nothing."""
    return f"{capital(link.note.rstrip('.'))}." if link.note and link.state == "live" else ""


def _age(link: Link, as_of_ms: int | None, *, brief: bool) -> str:
    if link.state == "replay":  # what is read from a file has no age
        return "recorded data" if as_of_ms is None else f"recorded data, {instant(as_of_ms)} UTC"
    if link.age_s is None:
        known = f"age of the data unknown ({instant(as_of_ms)} UTC)"
        return "no data has come in yet" if as_of_ms is None else known
    stamp = "" if as_of_ms is None or brief else f" ({_stamp(link, as_of_ms)} UTC)"
    if link.age_s < 0:
        return f"data dated {duration(-link.age_s)} ahead of this clock{stamp}"
    limit = (
        f", more than the {duration(link.stale_after_s)} allowed" if link.age_s > link.stale_after_s else ""
    )
    return f"data {duration(link.age_s)} old{limit}{stamp}"


def _stamp(link: Link, as_of_ms: int) -> str:
    """The time of the data; without the date where that is no news."""
    return clock(as_of_ms) if link.state == "live" and not link.stale else instant(as_of_ms)


def attached(link: Link) -> str:
    """What the view is attached to, and how."""
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


def open_alerts(alerts: Sequence[Alert]) -> str:
    """``3 open alerts``, or nothing when none is open."""
    number = sum(alert.cleared_ms is None for alert in alerts)
    return count(number, "open alert") if number else ""


def state(figures: Figures | None, link: Link, width: int, height: int, alerts: Sequence[Alert] = ()) -> Part:
    """The sentence (in reverse when it is stale), below it the open alerts, and the age and source of the data."""
    stale, standing_alerts = stale_word(link), open_alerts(alerts)
    if figures is None:
        head = sentences(f"{stale}{capital(freshness(link, None))}", width, 0, ALARM if stale else HEAD)
        told = sentences(standing_alerts, width, 0) if standing_alerts else []
        return Part("State", [*head, *_in_trouble(link, width), *told])
    said = _fitting(
        (stale + text for text in standing(figures, past=bool(stale))), width, 4 if height >= TALL else 2
    )
    short = unread(figures) > 0 and not finished(figures)
    ages = [freshness(link, figures.as_of_ms), freshness(link, figures.as_of_ms, brief=True)]
    tells = [f"{figures.campaign}: {ages[0]}", *map(capital, ages)]
    if standing_alerts:
        tells = [f"{standing_alerts}. {text}" for text in tells]
    age = _fitting(tells, width, 1)
    return Part(
        "State",
        [
            *sentences(said, width, 0, ALARM if stale else TROUBLE if short else HEAD),
            *_in_trouble(link, width),
            *sentences(age, width, 0, ALARM if stale else PLAIN),
        ],
    )


def _in_trouble(link: Link, width: int) -> list[Row]:
    trouble = service_trouble(link)
    return sentences(trouble, width, 0, ALARM) if trouble else []


def _fitting(candidates: Iterable[str], width: int, lines: int) -> str:
    """The first text that needs at most so many lines, or the last one."""
    text = ""
    for text in candidates:
        if len(wrap(text, width)) <= lines:
            break
    return text
