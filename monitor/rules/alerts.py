"""Conditions that need a person, told from the figures alone; an alert is the beginning or the end of one.

Pure: the same figures give the same conditions, and an alert that was given before a restart is known by what is
open, so it is not given again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import msgspec

from monitor.figures import Figures
from monitor.figures.document import BoardFigures

CHIP_FAILED = "chip failed"
EQUIPMENT = "suspected equipment incident"
BOARD_SILENT = "board silent"
NOT_READING = "chip not reading"
EXCURSION = "excursion"
REFUSED = "messages refused"
JOURNAL = "journal not writable"  # told by the service: no figures know of it

_FEWEST_JUDGED = 10  # of a rack, before its refused messages are an alert
_ABSENT = {"offline", "silent", "never seen"}  # nothing is known of conditions and reads


class Alert(msgspec.Struct, frozen=True, kw_only=True):
    """A condition that began (``cleared_ms`` null) or that has cleared.

    ``id`` is the same for both, and unique in a run: a receiver may treat equal (id, cleared_ms) as repeats.
    ``kind`` is one of the seven words above; times are UTC in ms.
    """

    id: str
    kind: str
    subject: str
    reason: str
    began_ms: int
    cleared_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that needs a person. ``known`` is false while nothing tells whether it still holds."""

    kind: str
    subject: str
    reason: str
    holds: bool = True
    known: bool = True


def conditions(figures: Figures) -> Iterator[Condition]:
    """Every condition that holds, and those of which nothing is known right now.

    - chip failed: a failed chip waits for a disposition;
    - suspected equipment incident: several chips of a board failed together, and one of them waits;
    - board silent: no evidence comes of a board;
    - excursion: temperature or supply of a board is outside its limits, or not measured;
    - chip not reading: a chip is not read at the asked rate;
    - messages refused: most of what a rack sends breaks the contract, so the rack runs and nothing is credited.
    """
    yield from _failed(figures)
    yield from _incidents(figures)
    for board in figures.boards:
        yield from _silence(board)
        yield from _excursion(figures, board)
        yield from _not_reading(board)
    yield from _refused(figures)


def update(open_alerts: Iterable[Alert], figures: Figures, now_ms: int) -> list[Alert]:
    """What is new against the alerts that are open: begun ones, and cleared ones with the time of clearing."""
    still_open = {(alert.kind, alert.subject): alert for alert in open_alerts}
    changes = []
    for condition in conditions(figures):
        key = (condition.kind, condition.subject)
        if not condition.known or (condition.holds and key in still_open):
            still_open.pop(key, None)
        elif condition.holds:
            changes.append(begin(figures.campaign, condition, now_ms))
    cleared = (msgspec.structs.replace(alert, cleared_ms=now_ms) for alert in still_open.values())
    return changes + list(cleared)


def begin(campaign: str, condition: Condition, now_ms: int) -> Alert:
    """The alert that a condition begins."""
    return Alert(
        id=f"{campaign}/{condition.kind}/{condition.subject}/{now_ms}".replace(" ", "-"),
        kind=condition.kind,
        subject=condition.subject,
        reason=condition.reason,
        began_ms=now_ms,
    )


def journal_not_writable(run: str, reason: str) -> Condition:
    """The journal of a run takes nothing; ``reason`` says why."""
    return Condition(
        JOURNAL,
        run,
        f"{reason}; nothing is acknowledged meanwhile: what the racks report stays with the broker and with them",
    )


def _failed(figures: Figures) -> Iterator[Condition]:
    for f in figures.failures:
        if f.disposition is None:
            where = f"lot {f.lot}, {f.rack} board {f.board} socket {f.socket}"
            seen = (
                "told by the counters"
                if f.address is None
                else f"first failed read at address 0x{f.address:x}"
            )
            credited_h = math.floor(f.hours * 10) / 10  # never more than was credited
            reason = f"{where}; {seen}; {credited_h:.1f} h credited; waits for a disposition"
            yield Condition(CHIP_FAILED, f.serial, reason)


def _incidents(figures: Figures) -> Iterator[Condition]:
    waiting = {f.serial for f in figures.failures if f.disposition is None}
    seen: dict[tuple[str, int], int] = {}
    for incident in figures.incidents:
        place = (incident.rack, incident.board)
        seen[place] = seen.get(place, 0) + 1
        if waiting.intersection(incident.chips):
            number = f" #{seen[place]}" if seen[place] > 1 else ""
            reason = f"{len(incident.chips)} chips failed together; check contact, supply and oven before the chips"
            yield Condition(EQUIPMENT, f"{incident.rack} board {incident.board}{number}", reason)


def _subject(board: BoardFigures) -> str:
    return f"{board.rack} board {board.board}"


def _silence(board: BoardFigures) -> Iterator[Condition]:
    """A board never seen is silent once the run has lasted longer than a gap may."""
    late = board.state == "never seen" and board.overdue
    if board.state in {"silent", "offline"} or late:
        reason = (
            "the rack says it is offline"
            if board.state == "offline"
            else "no tally arrives, or none that follows the one before"
        )
        yield Condition(BOARD_SILENT, _subject(board), f"{reason}; its hours are not credited")


def _excursion(figures: Figures, board: BoardFigures) -> Iterator[Condition]:
    """Told from what was measured last, one alert for each quantity; of an absent board nothing is known."""
    plan, known = figures.plan, board.state not in _ABSENT
    for quantity, value, low, high, unit in (
        ("temperature", board.temp_c, plan.temp_low_c, plan.temp_high_c, "°C"),
        ("supply", board.supply_v, plan.supply_low_v, plan.supply_high_v, "V"),
    ):
        subject = f"{_subject(board)} {quantity}"
        if not known:
            yield Condition(EXCURSION, subject, "", known=False)
        elif value is None or not low <= value <= high:
            measured = "no reading" if value is None else f"{value:g} {unit}"
            yield Condition(
                EXCURSION, subject, f"{measured}, allowed {low:g} to {high:g} {unit}; hours are not credited"
            )


def _not_reading(board: BoardFigures) -> Iterator[Condition]:
    for socket in board.sockets:
        where = f"{board.rack} board {board.board} socket {socket.socket}"
        if socket.state == "not reading":
            yield Condition(
                NOT_READING, socket.serial, f"{where} is not being read; its hours are not credited"
            )
        elif socket.state not in {"reading", "failed", "not relevant"}:
            yield Condition(NOT_READING, socket.serial, "", known=False)


def _refused(figures: Figures) -> Iterator[Condition]:
    """Begins when more than half are refused and ends when less than a quarter are, so that it does not flap."""
    for rack in figures.racks:
        if rack.judged >= _FEWEST_JUDGED and 2 * rack.refused > rack.judged:
            reason = (
                f"{rack.refused} of the latest {rack.judged} messages of {rack.rack} were refused, mostly: "
                f"{rack.reason}; no hours are credited for them; check the controller's software against the wire "
                "contract"
            )
            yield Condition(REFUSED, rack.rack, reason)
        elif 4 * rack.refused >= rack.judged:
            yield Condition(REFUSED, rack.rack, "", known=False)
