"""The chips of a campaign: from [[chips]] blocks or from a CSV file."""

from __future__ import annotations

import re
from collections import Counter

from monitor.campaign.model import Chip, Problem
from monitor.campaign.reader import TableReader, show
from monitor.campaign.texts import csv_rows
from shared.quantities import MAX_BOARD, MAX_SOCKETS
from shared.topics import is_rack_name

MAX_CHIPS = 100_000
MAX_BLOCKS = 20_000
_MOST_PROBLEMS = 1000  # nobody reads more, and a file of the wrong kind would give millions
_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._:/#-]{0,63}", re.ASCII)
_NUMBERED = re.compile(r"\{n(?::0?([1-9][0-9]?))?\}")
_RANGE = re.compile(r"([1-9][0-9]{0,3})(?:-([1-9][0-9]{0,3}))?", re.ASCII)
_LABEL_ALLOWED = "use up to 64 letters, digits, spaces and . _ : / # -, starting with a letter or digit"
_RACK_ALLOWED = "use up to 32 of a to z, 0 to 9 and -, as in oven-1"
_BOARD_ALLOWED = f"a slot number from 1 to {MAX_BOARD} is needed"
_SOCKET_ALLOWED = f"socket numbers from 1 to {MAX_SOCKETS} are needed"
_REQUIRED = ("rack", "board", "socket", "serial", "lot")
_OPTIONAL = ("wafer", "x", "y")

PlacedChip = tuple[Chip, str]  # the chip, and where the file names it


def is_label(text: str) -> bool:
    """Whether ``text`` may be a serial, lot or wafer (it reaches screens, labels and reports)."""
    return _LABEL.fullmatch(text) is not None


def chips_from_blocks(blocks: list[TableReader]) -> list[PlacedChip]:
    """The chips of [[chips]] blocks; ``n`` in a serial counts up over the blocks of one lot."""
    counts: Counter[str] = Counter()
    chips: list[PlacedChip] = []
    for t in blocks:
        if len(chips) > MAX_CHIPS or len(t.problems) >= _MOST_PROBLEMS:
            break
        before = len(t.problems)
        rack = t.text("rack", _RACK_ALLOWED, is_rack_name)
        board = t.integer("board", _BOARD_ALLOWED, lambda n: 1 <= n <= MAX_BOARD)
        lot = t.text("lot", _LABEL_ALLOWED, is_label)
        pattern = t.text("serial", 'a pattern such as "A-{n:03}" is needed', _is_pattern)
        sockets = _sockets(t)
        sound = len(t.problems) == before
        t.finish()
        for socket in sockets:
            counts[lot] += 1
            if sound:  # a block whose place was misread would seem to collide with others
                chips.append((Chip(_numbered(pattern, counts[lot]), lot, rack, board, socket), t.where))
    return chips


def chips_from_csv(name: str, text: str, problems: list[Problem]) -> list[PlacedChip]:
    """The chips of a CSV file with a header line; every wrong line is noted."""
    before = len(problems)
    rows = csv_rows(name, text, problems)
    chips: list[PlacedChip] = []
    header = [cell.strip() for cell in next(rows, ("", []))[1]]
    if problems[before:] or not _header_ok(name, header, problems):
        return []
    for where, row in rows:
        if len(problems) >= _MOST_PROBLEMS or len(chips) > MAX_CHIPS:
            break
        chip = _csv_chip(where, dict(zip(header, row, strict=False)), len(row) == len(header), problems)
        if chip is not None:
            chips.append(chip)
    return chips


def check_places(chips: list[PlacedChip], problems: list[Problem]) -> None:
    """Note every serial and every socket that stands twice."""
    serials: dict[str, str] = {}
    places: dict[tuple[str, int, int], str] = {}
    for chip, where in chips:
        if len(problems) >= _MOST_PROBLEMS:
            break
        if chip.serial and chip.serial in serials:
            problems.append(
                Problem(where, f"serial {chip.serial} stands twice", f"first in {serials[chip.serial]}")
            )
        serials.setdefault(chip.serial, where)
        place = (chip.rack, chip.board, chip.socket)
        if chip.rack and place in places:
            text = f"{chip.rack} board {chip.board} socket {chip.socket} holds two chips"
            problems.append(Problem(where, text, f"first in {places[place]}"))
        places.setdefault(place, where)


def _numbered(pattern: str, n: int) -> str:
    return _NUMBERED.sub(lambda match: str(n).zfill(int(match[1] or 0)), pattern)


def _is_pattern(text: str) -> bool:
    return is_label(_numbered(text, MAX_CHIPS))


def _sockets(t: TableReader) -> list[int]:
    allowed = f'{_SOCKET_ALLOWED}, as in "1-20" or "1-8, 10, 12"'
    numbers: list[int] = []
    text = t.text("sockets", allowed, bool)
    for part in text.split(",") if text else ():
        match = _RANGE.fullmatch(part.strip())
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not 1 <= first <= last <= MAX_SOCKETS:
            t.complain("sockets", f"found {show(part.strip())}", allowed)
            break
        numbers.extend(range(first, last + 1))
        if len(numbers) > MAX_SOCKETS:
            t.complain(
                "sockets", f"found {show(text)}", f"at most {MAX_SOCKETS} sockets of a board are supported"
            )
            return []
    return numbers


def _header_ok(name: str, header: list[str], problems: list[Problem]) -> bool:
    missing = [column for column in _REQUIRED if column not in header]
    unknown = [column for column in header if column not in _REQUIRED + _OPTIONAL]
    allowed = f"the first line names the columns {', '.join(_REQUIRED)} and may name {', '.join(_OPTIONAL)}"
    if missing:
        problems.append(Problem(f"{name} line 1", f"column {', '.join(missing)} is missing", allowed))
    if unknown:
        problems.append(Problem(f"{name} line 1", f"unknown column {show(', '.join(unknown))}", allowed))
    if len(set(header)) != len(header):
        problems.append(Problem(f"{name} line 1", "a column stands twice", allowed))
    return not missing and not unknown and len(set(header)) == len(header)


def _csv_chip(where: str, row: dict[str, str], whole: bool, problems: list[Problem]) -> PlacedChip | None:
    if not whole:
        problems.append(
            Problem(
                where, "the number of cells differs from the header", "give every column, empty if need be"
            )
        )
        return None
    cells = {column: cell.strip() for column, cell in row.items()}
    board, socket = _whole(cells["board"]), _whole(cells["socket"])
    wrong = [
        (column, allowed)
        for column, ok, allowed in (
            ("rack", is_rack_name(cells["rack"]), _RACK_ALLOWED),
            ("board", 1 <= board <= MAX_BOARD, _BOARD_ALLOWED),
            ("socket", 1 <= socket <= MAX_SOCKETS, _SOCKET_ALLOWED),
            ("serial", is_label(cells["serial"]), _LABEL_ALLOWED),
            ("lot", is_label(cells["lot"]), _LABEL_ALLOWED),
            *(
                (c, not cells.get(c) or is_label(cells[c]) or _is_coordinate(cells[c]), _LABEL_ALLOWED)
                for c in _OPTIONAL
            ),
        )
        if not ok
    ]
    problems.extend(
        Problem(f"{where} {column}", f"found {show(cells[column])}", allowed) for column, allowed in wrong
    )
    if wrong:
        return None
    optional = {column: cells.get(column, "") for column in _OPTIONAL}
    return Chip(cells["serial"], cells["lot"], cells["rack"], board, socket, **optional), where


def _whole(text: str) -> int:
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) else 0


def _is_coordinate(text: str) -> bool:
    return re.fullmatch(r"-?[0-9]{1,9}", text, re.ASCII) is not None
