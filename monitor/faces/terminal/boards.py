"""The boards as a map: each socket one character, each board one cell, racks read downwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from monitor.faces.terminal.layout import ALARM, HEAD, PLAIN, Part, Row, row, together
from monitor.faces.terminal.state import socket_state
from monitor.faces.terminal.text import clip, clock, count, credited, fill, measured, pad
from monitor.figures.document import BoardFigures, Figures
from shared.quantities import MAX_SOCKETS

RANK_TROUBLE, RANK_LEGEND, RANK_GOOD, RANK_MANY = 2, 2, 4, 7
GAP = 2  # cells between two boards of a line
BRIEF = 8  # cells of the board's state in the brief form

# Glyph, words of the legend, style. A letter means that something is not as it should be.
GLYPHS = {
    "reading": (".", "read", PLAIN),
    "failed": ("F", "failed", ALARM),
    "not relevant": ("x", "failed, not relevant", HEAD),
    "not reading": ("N", "not read", ALARM),
    "counter": ("C", "counter fault", ALARM),
    "silent": ("S", "silent", ALARM),
    "offline": ("O", "offline", ALARM),
    "temperature": ("T", "temperature", ALARM),
    "supply": ("V", "supply", ALARM),
    "unwitnessed": ("U", "unwitnessed", ALARM),
    "never seen": ("-", "never seen", HEAD),
    "starting": ("~", "starting", HEAD),
    "empty": ("_", "empty", PLAIN),
}
UNKNOWN = ("?", "unknown", ALARM)
SOUND = frozenset({"stressing", "no chip at risk"})
BRIEF_STATES = {
    "not reading": "NOT READ",
    "counter": "COUNTER",
    "silent": "SILENT",
    "offline": "OFFLINE",
    "unwitnessed": "UNWITN.",
    "never seen": "no data",
    "starting": "starting",
    "no chip at risk": "no chips",
}


@dataclass(frozen=True, slots=True)
class Form:
    """How a board's cell is laid out; sizes in cells."""

    name: int
    line: int  # sockets on one line
    detail: int
    tens: bool  # a blank after every tenth socket

    @property
    def width(self) -> int:
        """Cells of one board."""
        return self.name + 1 + self.line + ((self.line - 1) // 10 if self.tens else 0) + 1 + self.detail


def boards(figures: Figures, width: int, height: int, *, stale: bool = False) -> Part:
    """The map of all boards with its legend."""
    if not figures.boards:
        return Part("Boards", [])
    ordered = sorted(figures.boards, key=lambda board: (board.rack, board.board))
    maps = [_sockets(board) for board in ordered]
    names = _names(ordered)
    form = _form(ordered, maps, cell_len(names[0]), (width, height))
    cells = [_cell(*board, form) for board in zip(names, ordered, maps, strict=True)]
    sound = [_sound(board, states) for board, states in zip(ordered, maps, strict=True)]
    columns = max((width + GAP) // (form.width + GAP), 1)
    return Part("Boards", [*_legend(maps, width, stale=stale), *_grid(cells, sound, columns, height)])


def _sockets(board: BoardFigures) -> list[str]:
    """The states of all sockets from 1; a number that no board has comes after them."""
    states = {item.socket: socket_state(board, item) for item in board.sockets}
    last = max((number for number in states if 1 <= number <= MAX_SOCKETS), default=0)
    proper = [states.get(number, "empty") for number in range(1, last + 1)]
    return proper + [state for number, state in states.items() if not 1 <= number <= MAX_SOCKETS]


def _sound(board: BoardFigures, states: Sequence[str]) -> bool:
    return board.state in SOUND and all(state in ("reading", "empty", "not relevant") for state in states)


def _form(
    ordered: Sequence[BoardFigures], maps: Sequence[Sequence[str]], name: int, size: tuple[int, int]
) -> Form:
    """The full form where all boards have room for it, else the brief one in as many columns as there can be."""
    width, height = size
    name = min(name, max(width // 3, 4))
    sockets = max((len(states) for states in maps), default=0) or 1
    full = _form_within(name, sockets, max(cell_len(_full(board)) for board in ordered), width)
    columns = (width + GAP) // (full.width + GAP)
    if columns and full.line == sockets and -(-len(ordered) // columns) <= height // 4:
        return full
    tens = _form_within(name, sockets, BRIEF, width)
    tight = Form(name, tens.line, BRIEF, tens=False)
    more = (width + GAP) // (tight.width + GAP) > (width + GAP) // (tens.width + GAP)
    return tight if more else tens


def _form_within(name: int, sockets: int, detail: int, width: int) -> Form:
    """The form with as many sockets on a line as one board may take, in tens where it does not take them all."""
    room = width - name - detail - 2
    most = room * 10 // 11
    line = sockets if sockets + (sockets - 1) // 10 <= room else most // 10 * 10 or most
    return Form(name, max(line, 1), detail, tens=True)


def _names(ordered: Sequence[BoardFigures]) -> list[str]:
    """The racks and slots, with the slots below one another."""
    rack = max(cell_len(board.rack) for board in ordered)
    slot = max(len(str(board.board)) for board in ordered)
    return [f"{pad(board.rack, rack)} {board.board:>{slot}}" for board in ordered]


def _brief(board: BoardFigures) -> str:
    match board.state:
        case "stressing":
            return f"{measured(board.temp_c, 1)} C"
        case "temperature":
            return f"{measured(board.temp_c, 1)} C!"
        case "supply":
            return f"{measured(board.supply_v, 3)} V!"
        case state:
            return BRIEF_STATES.get(state, state)


def _full(board: BoardFigures) -> str:
    tally = "no tally" if board.last_t_ms is None else f"tally {clock(board.last_t_ms)} UTC"
    return (
        f"{board.state:<11}  {measured(board.temp_c, 1):>5} C  {measured(board.supply_v, 3)} V  "
        f"{credited(board.credited_h):>8} chip-h  {count(board.boots, 'boot')}  {tally}"
    )


def _cell(name: str, board: BoardFigures, states: Sequence[str], form: Form) -> list[Text]:
    """The lines of one board, each exactly as wide as the form."""
    whole = form.detail > BRIEF
    detail = _full(board) if whole else _brief(board)
    style = PLAIN if board.state in SOUND else HEAD
    chunks = [states[i : i + form.line] for i in range(0, len(states), form.line)] or [[]]
    lines = []
    for i, chunk in enumerate(chunks):
        line = Text(pad("" if i else clip(name, form.name), form.name) + " ")
        _draw(line, chunk, form)
        line.append(" " * (form.width - form.detail - line.cell_len))
        line.append(pad("" if i else detail, form.detail), style)
        lines.append(line)
    return lines


def _draw(line: Text, states: Sequence[str], form: Form) -> None:
    for i, state in enumerate(states):
        if form.tens and i and i % 10 == 0:
            line.append(" ")
        glyph, _, style = GLYPHS.get(state, UNKNOWN)
        line.append(glyph, style)


def _grid(cells: Sequence[Sequence[Text]], sound: Sequence[bool], columns: int, height: int) -> list[Row]:
    """The cells read downwards in columns.

    A line with a board in trouble stays longer than one without, and those give way sooner when they are many.
    """
    depth = -(-len(cells) // columns)
    good = RANK_GOOD if depth <= height // 3 else RANK_MANY
    rows: list[Row] = []
    for top in range(depth):
        members = range(top, len(cells), depth)
        rank = good if all(sound[i] for i in members) else RANK_TROUBLE
        for k in range(max(len(cells[i]) for i in members)):
            line = Text(no_wrap=True, overflow="crop", end="")
            for i in members:
                blank = Text(" " * cells[i][0].cell_len)
                line.append(" " * GAP if line else "")
                line.append_text(cells[i][k] if k < len(cells[i]) else blank)
            rows.append(Row(line, rank, goes_on=k > 0))
    return rows


def _legend(maps: Sequence[Sequence[str]], width: int, *, stale: bool) -> list[Row]:
    """The marks that are on the screen, and what they mean."""
    present = {state for states in maps for state in states}
    known = [f"{glyph} {words}" for state, (glyph, words, _) in GLYPHS.items() if state in present]
    unknown = [f"{UNKNOWN[0]} {UNKNOWN[1]}"] if present - set(GLYPHS) else []
    head = "Boards, LAST KNOWN:" if stale else "Boards:"
    return together([row(line, RANK_LEGEND, HEAD) for line in fill([head, *known, *unknown], width, "  ")])
