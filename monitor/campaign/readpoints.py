"""Measurements at read points, from a CSV file: one row for each chip, read point and parameter."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import lru_cache

from monitor.campaign.chips import is_label
from monitor.campaign.model import Problem
from monitor.campaign.reader import as_decimal, show
from monitor.campaign.texts import csv_rows

MAX_READINGS = 200_000
MAX_READPOINTS_BYTES = 32 * 1024 * 1024
COLUMNS = (
    "serial",
    "read_point_h",
    "parameter",
    "unit",
    "value",
    "low_limit",
    "high_limit",
    "removed_at",
    "measured_at",
)

_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,30}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,2})?", re.ASCII
)
_UNIT = re.compile(r"[A-Za-z0-9%°µΩ][A-Za-z0-9%°µΩ/^. ·²³-]{0,15}")
_ONE_SIGN_FOR_ONE_UNIT = str.maketrans({"\u03bc": "\u00b5", "\u2126": "\u03a9"})  # twins of µ and Ω
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?:Z|\+00:00)", re.ASCII)
_MOST_HOURS = 1_000_000
_MOST_PROBLEMS = 1000  # nobody reads more, and a file of the wrong kind would give a million

_SERIAL_ALLOWED = "the serial of a chip of this campaign is needed"
_HOURS_ALLOWED = f"hours of stress are needed, 0 to {_MOST_HOURS} with at most three decimals, such as 168"
_PARAMETER_ALLOWED = "use up to 64 letters, digits, spaces and . _ : / # -, starting with a letter or digit"
_UNIT_ALLOWED = "use up to 16 letters, digits, spaces and % ° µ Ω / ^ . · ² ³ -, such as mV"
_NUMBER_ALLOWED = "a number such as 12.5 or 3e-6 is needed, with a decimal point, 0 or of ordinary size"
_LIMIT_ALLOWED = f"{_NUMBER_ALLOWED}, or nothing"
_TIME_ALLOWED = "a UTC time such as 2026-03-01T08:00:00Z, or nothing, is needed"


@dataclass(frozen=True, slots=True)
class Reading:
    """One row: what a chip measured at a read point, with the limits that hold for the parameter.

    ``removed_at`` is the end of stress before the measurement; times are UTC, None where the file gives none.
    """

    serial: str
    read_point_h: float
    parameter: str
    unit: str
    value: float
    low_limit: float | None
    high_limit: float | None
    removed_at: datetime | None
    measured_at: datetime | None

    @property
    def off_stress_h(self) -> float | None:
        """Hours from the end of stress to the measurement; None where the times are not both known."""
        if self.removed_at is None or self.measured_at is None:
            return None
        return (self.measured_at - self.removed_at) / timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class ReadPoints:
    """The sound rows of a file, what is wrong with the others, and doubts. With a problem the file is not good."""

    readings: tuple[Reading, ...]
    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]


def read_points_from_csv(name: str, text: str, serials: Collection[str]) -> ReadPoints:
    """Read the CSV ``text`` of the file ``name``; every problem is noted. ``serials`` are the campaign's chips."""
    problems: list[Problem] = []
    readings: list[Reading] = []
    check = _Consistency(problems)
    lines = csv_rows(name, text, problems)
    known = frozenset(serials)
    rows = 0
    header = [cell.strip() for cell in next(lines, ("", []))[1]]
    if problems or not _header_ok(name, header, problems):
        return ReadPoints((), tuple(problems), ())
    for where, cells in lines:
        rows += 1
        if rows > MAX_READINGS:
            allowed = f"at most {MAX_READINGS} are supported"
            problems.append(Problem(where, f"more than {MAX_READINGS} rows", allowed))
            break
        if len(problems) >= _MOST_PROBLEMS:
            allowed = f"correct these {len(problems)} problems first"
            problems.append(Problem(where, "reading stopped before this line", allowed))
            break
        reading = _reading(where, header, cells, known, problems)
        if reading is not None and check.passes(where, reading):
            readings.append(reading)
    if not rows and not problems:
        problems.append(Problem(name, "no measurement", "one row for each chip, read point and parameter"))
    return ReadPoints(tuple(readings), tuple(problems), _untimed(name, readings))


class _Consistency:
    """What rows must have in common, and must not; each is held against the first of its kind."""

    def __init__(self, problems: list[Problem]) -> None:
        self._problems = problems
        self._first: dict[str, tuple[Reading, str]] = {}
        self._places: dict[tuple[str, float, str], str] = {}

    def passes(self, where: str, reading: Reading) -> bool:
        """Whether ``reading`` (found at ``where``) goes with the rows before it."""
        before = len(self._problems)
        place = (reading.serial, reading.read_point_h, reading.parameter)
        if place in self._places:
            found = f"{reading.parameter} of {reading.serial} at {reading.read_point_h:g} h stands twice"
            self._problems.append(Problem(where, found, f"first in {self._places[place]}"))
        self._places.setdefault(place, where)
        first, first_where = self._first.setdefault(reading.parameter, (reading, where))
        for column in ("unit", "low_limit", "high_limit"):
            here, there = getattr(reading, column), getattr(first, column)
            if here != there:
                found = f"{_cell(here)} for {reading.parameter}, but {_cell(there)} in {first_where}"
                allowed = (
                    "a parameter has one unit and one pair of limits; give it another name if it is another"
                )
                self._problems.append(Problem(f"{where} {column}", found, allowed))
        return len(self._problems) == before


def _cell(value: str | float | None) -> str:
    return "nothing" if value is None else show(value)


def _header_ok(name: str, header: list[str], problems: list[Problem]) -> bool:
    where, allowed = f"{name} line 1", f"the first line names the columns {', '.join(COLUMNS)}"
    before = len(problems)
    missing = [column for column in COLUMNS if column not in header]
    unknown = [column for column in header if column not in COLUMNS]
    if missing:
        problems.append(Problem(where, f"column {', '.join(missing)} is missing", allowed))
    if unknown:
        problems.append(Problem(where, f"unknown column {show(', '.join(unknown))}", allowed))
    if len(set(header)) != len(header):
        problems.append(Problem(where, "a column stands twice", allowed))
    return len(problems) == before


def _reading(
    where: str, header: list[str], row: list[str], serials: Collection[str], problems: list[Problem]
) -> Reading | None:
    """The reading of one row, or None and a problem for every wrong cell."""
    if len(row) != len(header):
        found = "the number of cells differs from the header"
        problems.append(Problem(where, found, "give every column, empty if need be"))
        return None
    cells = {column: cell.strip() for column, cell in zip(header, row, strict=True)}
    unit = cells["unit"].translate(_ONE_SIGN_FOR_ONE_UNIT)
    hours, value, low, high = (
        _number(cells[column]) for column in ("read_point_h", "value", "low_limit", "high_limit")
    )
    removed_at, measured_at = _time(cells["removed_at"]), _time(cells["measured_at"])
    wrong = [
        (column, allowed)
        for column, ok, allowed in (
            ("serial", cells["serial"] in serials, _SERIAL_ALLOWED),
            ("read_point_h", _are_hours(hours), _HOURS_ALLOWED),
            ("parameter", is_label(cells["parameter"]), _PARAMETER_ALLOWED),
            ("unit", _UNIT.fullmatch(unit) is not None, _UNIT_ALLOWED),
            ("value", value is not None, _NUMBER_ALLOWED),
            ("low_limit", low is not None or not cells["low_limit"], _LIMIT_ALLOWED),
            ("high_limit", high is not None or not cells["high_limit"], _LIMIT_ALLOWED),
            ("removed_at", removed_at is not None or not cells["removed_at"], _TIME_ALLOWED),
            ("measured_at", measured_at is not None or not cells["measured_at"], _TIME_ALLOWED),
        )
        if not ok
    ]
    noted = [
        Problem(f"{where} {column}", f"found {show(cells[column])}", allowed) for column, allowed in wrong
    ]
    if not (cells["low_limit"] or cells["high_limit"]):
        noted.append(Problem(f"{where} low_limit", "no limit", "low_limit or high_limit is needed, or both"))
    if low is not None and high is not None and not low < high:
        noted.append(
            Problem(f"{where} low_limit", f"{low:g} is not below high_limit {high:g}", "a low limit is lower")
        )
    if removed_at is not None and measured_at is not None and measured_at < removed_at:
        noted.append(
            Problem(f"{where} measured_at", "is before removed_at", "a chip is measured after stress")
        )
    problems.extend(noted)
    if noted or hours is None or value is None:
        return None
    return Reading(
        cells["serial"], hours, cells["parameter"], unit, value, low, high, removed_at, measured_at
    )


@lru_cache(maxsize=4096)  # hours, limits and times are the same in most rows
def _number(text: str) -> float | None:
    number = as_decimal(Decimal(text)) if _NUMBER.fullmatch(text) else None
    return None if number is None else float(number)


def _are_hours(hours: float | None) -> bool:
    """Finer steps than 0.001 h would only be rounding noise, and make two read points of one."""
    return hours is not None and 0 <= hours <= _MOST_HOURS and round(hours, 3) == hours


@lru_cache(maxsize=4096)
def _time(text: str) -> datetime | None:
    if not _TIME.fullmatch(text):
        return None
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError:  # the 30th of February
        return None


def _untimed(name: str, readings: Iterable[Reading]) -> tuple[Problem, ...]:
    """A doubt for each read point after 0 h with rows whose time off stress is not known."""
    counts: dict[float, int] = {}
    for reading in readings:
        if reading.read_point_h > 0 and reading.off_stress_h is None:
            counts[reading.read_point_h] = counts.get(reading.read_point_h, 0) + 1
    return tuple(
        Problem(
            f"{name} read point {hours:g} h",
            f"{count} row{'s' * (count > 1)} without removed_at or measured_at",
            "whether the chips were measured in time after stress cannot be checked",
        )
        for hours, count in sorted(counts.items())
    )
