"""Rows, and what to leave out when there is no room for all of them.

A part of the screen gives rows, each with a rank: 0 stays as long as anything does, higher ranks go first. What had
to go is counted, by part, in the last line. Nothing here knows what the rows say.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from rich.cells import cell_len
from rich.text import Text

from monitor.faces.terminal.text import clip, count, pad, wrap

HEAD = "bold"
TROUBLE = "bold red"  # never by colour alone: the words say it too
ALARM = "bold reverse"
PLAIN = ""
MARGIN = 10  # cells of the column that holds the names of the parts

Cells = Sequence[str]
Line = tuple[str, int, str]  # text, rank, style


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the screen; ``goes_on``: it makes sense only together with the row before it."""

    text: Text
    rank: int
    goes_on: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """Rows that belong together."""

    name: str
    rows: list[Row]


def row(text: str, rank: int, style: str = PLAIN) -> Row:
    """A row of plain text in one style; never markup."""
    return Row(Text(text, style=style, no_wrap=True, overflow="crop", end=""), rank)


def sentences(text: str, width: int, rank: int, style: str = PLAIN) -> list[Row]:
    """Plain text over as many rows as it needs."""
    return together([row(line, rank, style) for line in wrap(text, width)])


def together(rows: Sequence[Row]) -> list[Row]:
    """The same rows, to be shown or hidden as one."""
    return [replace(item, goes_on=i > 0) for i, item in enumerate(rows)]


def margined(name: str, rows: Sequence[Row]) -> list[Row]:
    """The rows with the part's name in the margin of the first one."""
    names = [name, *[""] * (len(rows) - 1)]
    return [replace(item, text=_beside(label, item.text)) for label, item in zip(names, rows, strict=True)]


def _beside(name: str, text: Text) -> Text:
    return Text.assemble((pad(name, MARGIN), HEAD), text, no_wrap=True, overflow="crop", end="")


def account(name: str, width: int, *lines: Line) -> Part:
    """A part of sentences beside its name, or after it where the screen is narrow."""
    if not lines:
        return Part(name, [])
    if width >= 5 * MARGIN:
        rows = [item for line in lines for item in sentences(line[0], width - MARGIN, *line[1:])]
        return Part(name, margined(name, rows))
    (text, rank, style), rest = lines[0], lines[1:]
    first = sentences(f"{name}: {text}", width, rank, style)
    return Part(name, [*first, *(item for line in rest for item in sentences(line[0], width, *line[1:]))])


def column_widths(lines: Sequence[Cells]) -> list[int]:
    """Cells of the widest entry of each column."""
    return [max(map(cell_len, column)) for column in zip(*lines, strict=True)]


def table(lines: Sequence[Cells], aligns: str) -> list[str]:
    """The cells in columns as wide as their widest; ``aligns`` has ``<`` or ``>`` for each column."""
    widths = column_widths(lines)
    return ["  ".join(map(pad, line, widths, aligns)).rstrip() for line in lines]


def fit(parts: Sequence[Part], width: int, height: int) -> Text:
    """All rows, or the most important of them and a last line that counts the others."""
    entries = [(part.name, item) for part in parts for item in part.rows]
    if len(entries) <= height:
        spare = height - len(entries)
        return _joined(_spaced(parts, spare), width)
    kept = _most_important(entries, max(height - 1, 1))
    lines = [entries[i][1].text for i in kept]
    if height > 1:
        hidden = Counter(name for i, (name, _) in enumerate(entries) if i not in set(kept))
        lines.append(Text(_notice(hidden, width), style=HEAD, end=""))
    return _joined(lines, width)


def _spaced(parts: Sequence[Part], spare: int) -> list[Text]:
    """The rows with a blank one between parts, where there is room for all the blanks."""
    filled = [part for part in parts if part.rows]
    space = spare >= len(filled) - 1
    lines: list[Text] = []
    for part in filled:
        if space and lines:
            lines.append(Text(""))
        lines.extend(item.text for item in part.rows)
    return lines


def _most_important(entries: Sequence[tuple[str, Row]], room: int) -> list[int]:
    """The indices of the rows to keep: whole blocks, by rank and then from the top, as long as they fit.

    Once a block of a part had to go, so does the rest of the part, which would stand there without its beginning.
    """
    kept: list[int] = []
    closed: set[str] = set()
    for block in sorted(_blocks(entries), key=lambda block: entries[block[0]][1].rank):
        name, first = entries[block[0]]
        spare = room - len(kept)
        if first.rank == 0:  # the first sentences: better half of one than none
            kept.extend(block[:spare])
        elif len(block) > spare or name in closed:
            closed.add(name)
        else:
            kept.extend(block)
    return sorted(kept)


def _blocks(entries: Sequence[tuple[str, Row]]) -> list[list[int]]:
    blocks: list[list[int]] = []
    for i, (_, item) in enumerate(entries):
        if item.goes_on and blocks:
            blocks[-1].append(i)
        else:
            blocks.append([i])
    return blocks


def _notice(hidden: Counter[str], width: int) -> str:
    """How many rows are hidden, of which parts as far as there is room, and what to do about it."""
    head, advice = f"{count(hidden.total(), 'row')} hidden", "enlarge the window"
    names = [f"{name.lower()} {number}" for name, number in hidden.items()]
    for most in range(len(names), 0, -1):
        more = "" if most == len(names) else ", .."
        text = f"{head} ({', '.join(names[:most])}{more}): {advice}"
        if cell_len(text) <= width:
            return text
    return clip(f"{head}: {advice}" if width >= 30 else head, width)


def _joined(lines: Sequence[Text], width: int) -> Text:
    sheet = Text(no_wrap=True, overflow="crop", end="")
    for i, line in enumerate(lines):
        if cell_len(line.plain) > width:
            line = line.copy()  # noqa: PLW2901
            line.truncate(width, overflow="crop")
        sheet.append("\n" if i else "").append_text(line)
    return sheet
