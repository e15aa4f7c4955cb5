"""Words and numbers of the terminal view: cleaning of strings, rounding that never flatters, times, places.

Everything here is pure. An upper bound is rounded up and a lower bound, a coverage or a credited hour down, always
from the decimal number that the document writes, so that no claim gains by being shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal
from typing import Literal, TypeVar, cast

import msgspec
from rich.cells import cell_len, chop_cells, set_cell_size

from shared.shown import clean

NONE_YET = "none yet"
NAME_CELLS = 18  # of a mechanism or a lot in a table
ONE_LOOK = "one look at a time fixed in advance"
ANY_TIME = "holds however often you look"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Link:
    """What the view is attached to and how fresh its data is; ages in seconds."""

    source: str
    state: Literal["live", "replay", "connecting", "lost"]
    age_s: float | None  # of the newest data; None: nothing yet
    stale_after_s: float
    note: str | None = None

    @property
    def stale(self) -> bool:
        """Whether what is shown must not be taken for the present."""
        return self.state == "lost" or (self.age_s is not None and self.age_s > self.stale_after_s)


# Strings from outside


def to_ascii(text: str) -> str:
    """The text with every other character as a question mark."""
    return text.encode("ascii", "replace").decode("ascii")


def scrub(value: _T, *, ascii_only: bool = False) -> _T:
    """The same document with every string in it cleaned, so that no other code needs to think of it."""
    return cast(_T, _scrub(value, ascii_only))


def _scrub(value: object, ascii_only: bool) -> object:
    match value:
        case str():
            return to_ascii(clean(value)) if ascii_only else clean(value)
        case msgspec.Struct():
            fields = {name: _scrub(getattr(value, name), ascii_only) for name in value.__struct_fields__}
            return type(value)(**fields)
        case list() | tuple():
            return type(value)(_scrub(item, ascii_only) for item in value)
        case dict():
            return {_scrub(key, ascii_only): _scrub(item, ascii_only) for key, item in value.items()}
        case _:
            return value


def scrub_link(link: Link, *, ascii_only: bool = False) -> Link:
    """The same link with its strings cleaned."""
    source, note = clean(link.source), clean(link.note or "") or None
    if ascii_only:
        source, note = to_ascii(source), note and to_ascii(note)
    return replace(link, source=source, note=note)


# Fitting into cells


def clip(text: str, width: int) -> str:
    """The text in at most ``width`` cells; the middle goes, for serials differ at their ends."""
    if cell_len(text) <= width:
        return text
    if width <= 2:
        return set_cell_size(text, max(width, 0)).rstrip()
    head = width // 2 - 1
    tail, room = "", width - head - 2
    for char in reversed(text):
        if cell_len(char + tail) > room:
            break
        tail = char + tail
    return f"{set_cell_size(text, head).rstrip()}..{tail}"


def pad(text: str, width: int, align: str = "<") -> str:
    """The text clipped and filled with blanks to exactly ``width`` cells."""
    text = clip(text, width)
    blanks = " " * (width - cell_len(text))
    return blanks + text if align == ">" else text + blanks


def wrap(text: str, width: int) -> list[str]:
    """The text broken at blanks into lines of at most ``width`` cells."""
    return fill(text.split(" "), width, " ")


def fill(items: Iterable[str], width: int, gap: str) -> list[str]:
    """The items joined by ``gap`` into lines of at most ``width`` cells; only a longer item is broken itself."""
    lines: list[str] = []
    line = ""
    for item in items:
        candidate = f"{line}{gap}{item}" if line else item
        if cell_len(candidate) <= width:
            line = candidate
            continue
        if line:
            lines.append(line)
        *full, line = chop_cells(item, max(width, 1)) or [""]
        lines.extend(full)
    return [*lines, line]


# Numbers


def _written(value: float) -> Decimal:
    """The number as JSON writes it: 0.2 is 0.2, not the double a little above it."""
    return Decimal(repr(float(value)))


def _significant(value: float, digits: int, rounding: str) -> str:
    number = Context(prec=digits, rounding=rounding).plus(_written(value))
    if number == 0:
        return "0"
    if -4 < number.adjusted() < 6:
        places = max(digits - 1 - number.adjusted(), 0)
        return f"{number:,.{places}f}"
    mantissa = number.scaleb(-number.adjusted())
    return f"{mantissa:.{digits - 1}f}e{number.adjusted()}"


def _shown(value: float | None, digits: int, rounding: str) -> str:
    if value is None or not math.isfinite(value):
        return NONE_YET
    return _significant(value, digits, rounding)


def upper(value: float | None, digits: int = 3) -> str:
    """An upper bound, or hours still to go, rounded up."""
    return _shown(value, digits, ROUND_CEILING)


def lower(value: float | None, digits: int = 3) -> str:
    """A lower bound, a coverage or equivalent hours, rounded down."""
    return _shown(value, digits, ROUND_FLOOR)


def nearest(value: float | None, digits: int = 3) -> str:
    """A point estimate or a setting, to the nearest."""
    return _shown(value, digits, ROUND_HALF_EVEN)


def setting(value: float) -> str:
    """A number that somebody wrote down, without trailing zeros."""
    return f"{value:,.6g}"


def volts(value: float) -> str:
    """A supply that somebody wrote down, to at least a hundredth of a volt: ``1.80``."""
    fixed = f"{value:.2f}" if abs(value) < 1e6 else ""
    return fixed if fixed and float(fixed) == value else setting(value)


def self_heating(kelvin: float) -> str:
    """By how much the chip is hotter than what is around it."""
    return f"self-heating {'+' if kelvin >= 0 else ''}{setting(kelvin)} C"


def share(ratio: float) -> str:
    """A part of the time as a percentage: 0.94 is ``94 %``."""
    return f"{setting(ratio * 100)} %"


def credited(hours: float) -> str:
    """Credited hours to a tenth of an hour, rounded down."""
    return _tenths(hours, ROUND_FLOOR)


def uncredited(hours: float) -> str:
    """Hours that were not credited to a tenth of an hour, rounded up."""
    return _tenths(hours, ROUND_CEILING)


def _tenths(hours: float, rounding: str) -> str:
    if not math.isfinite(hours):
        return NONE_YET
    if abs(hours) >= 1e12:
        return _significant(hours, 6, rounding)
    if hours == 0:
        return "0"
    tenths = (_written(hours) * 10).to_integral_value(rounding=rounding)
    return f"{tenths / 10:,.1f}"


def measured(value: float | None, places: int) -> str:
    """A measured temperature or supply, or ``?`` when its sensor is lost."""
    if value is None or not math.isfinite(value):
        return "?"
    return f"{value:.{places}f}" if abs(value) < 1e6 else nearest(value)


def percent(ratio: float) -> str:
    """A confidence as a percentage, exactly as it was written: 0.9 is ``90 %``."""
    if not math.isfinite(ratio):
        return f"{ratio} %"
    return f"{(_written(ratio) * 100).normalize():f} %" if abs(ratio) >= 1e-6 else f"{ratio * 100:g} %"


def count(number: int, noun: str, plural: str = "") -> str:
    """``1 chip``, ``2 chips``."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def hexadecimal(address: int | None) -> str:
    """A word address, or a dash."""
    return "-" if address is None else f"0x{address:x}"


# Times


def instant(t_ms: int | None, *, seconds: bool = True) -> str:
    """UTC of milliseconds since 1970, as ``2026-03-12 14:05:10``; what no calendar holds stays a number."""
    if t_ms is None:
        return "never"
    try:
        time = _EPOCH + timedelta(milliseconds=t_ms)
    except OverflowError:
        return f"{t_ms} ms since 1970"
    return time.isoformat(sep=" ")[: 19 if seconds else 16]


def clock(t_ms: int) -> str:
    """The same without its date."""
    text = instant(t_ms)
    return text[11:] if len(text) == 19 else text


def duration(seconds: float) -> str:
    """Whole seconds in words: ``4 s``, ``2 min 5 s``, ``3 h 12 min``, ``5 d 3 h``."""
    whole = int(min(max(seconds, 0.0), 1e15))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 86400:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86400:,} d {whole % 86400 // 3600} h"


# Places


def place(rack: str, board: int, socket: int | None = None) -> str:
    """``oven-1 board 2 socket 7``."""
    return f"{rack} board {board}" + ("" if socket is None else f" socket {socket}")


def numbers(values: Iterable[int]) -> str:
    """``1-3, 5``: the numbers in order, with runs drawn together."""
    runs: list[list[int]] = []
    for value in sorted(set(values)):
        if runs and value == runs[-1][1] + 1:
            runs[-1][1] = value
        else:
            runs.append([value, value])
    return ", ".join(_run(first, last) for first, last in runs)


def _run(first: int, last: int) -> str:
    if first == last:
        return str(first)
    return f"{first}, {last}" if last == first + 1 else f"{first}-{last}"
