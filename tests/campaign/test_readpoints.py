"""Read points from CSV: every wrong cell named, rows that must agree, and times."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import readpoints
from monitor.campaign.readpoints import (
    COLUMNS,
    MAX_READINGS,
    Reading,
    ReadPoints,
    read_points_from_csv,
)

HEADER = ",".join(COLUMNS)
TIMES = "2026-03-01T08:00:00Z,2026-03-02T09:30:00Z"
SERIALS = ("A-001", "A-002", "A-003")


def read(*rows: str, header: str = HEADER) -> ReadPoints:
    """A file of ``rows`` after the header."""
    return read_points_from_csv("rp.csv", "\n".join((header, *rows)), SERIALS)


def wrong(*rows: str, header: str = HEADER) -> list[str]:
    """What was found wrong, and where, without what is allowed."""
    return [f"{problem.where}: {problem.found}" for problem in read(*rows, header=header).problems]


def row(**cells: str) -> str:
    """A sound row with some cells replaced."""
    sound = dict(zip(COLUMNS, f"A-001,168,Icc standby,µA,1.5,,5,{TIMES}".split(","), strict=True))
    assert set(cells) <= set(sound)
    return ",".join((sound | cells).values())


# --- sound files ---------------------------------------------------------------------------------------------------


def test_a_row_is_a_reading() -> None:
    result = read(f"A-001,168,Icc standby,µA,1.5e0,,5,{TIMES}")
    assert result.problems == result.warnings == ()
    (reading,) = result.readings
    assert reading == Reading(
        "A-001",
        168.0,
        "Icc standby",
        "µA",
        1.5,
        None,
        5.0,
        datetime(2026, 3, 1, 8, tzinfo=UTC),
        datetime(2026, 3, 2, 9, 30, tzinfo=UTC),
    )
    assert reading.off_stress_h == 25.5


@pytest.mark.parametrize(
    "text",
    [
        f"\ufeff{HEADER}\n{row()}\n",
        f"{HEADER}\r\n{row()}\r\n",
        f"{HEADER}\n\n{row()}\n\n\n",
        f"{HEADER.replace(',', ' , ')}\n{row().replace(',', ' , ')}",
        f"{HEADER}\n" + ",".join(f'"{cell}"' for cell in row().split(",")),
        ",".join(reversed(COLUMNS)) + "\n" + ",".join(reversed(row().split(","))),
    ],
    ids=["mark", "crlf", "empty lines", "spaces", "quoted", "other order"],
)
def test_one_reading_however_it_is_written(text: str) -> None:
    assert read_points_from_csv("rp.csv", text, SERIALS) == read(row())


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1.5", 1.5),
        ("+1.50", 1.5),
        ("-.5", -0.5),
        ("3.", 3.0),
        ("15e-1", 1.5),
        ("1.5E+03", 1500.0),
        ("0e9", 0.0),
    ],
)
def test_numbers(text: str, number: float) -> None:
    assert read(row(value=text)).readings[0].value == number


@pytest.mark.parametrize("unit", ["mV", "µA", "%", "°C", "kΩ", "V/µs", "1", "mm²", "ns"])
def test_units(unit: str) -> None:
    assert read(row(unit=unit)).readings[0].unit == unit


def test_twin_signs_are_one_unit() -> None:
    """The Greek mu and the ohm sign look like the micro sign and the Greek omega, and mean the same."""
    assert read(row(unit="\u00b5A"), row(unit="\u03bcA", read_point_h="500")).problems == ()
    assert read(row(unit="k\u03a9"), row(unit="k\u2126", read_point_h="500")).problems == ()


@given(
    st.lists(
        st.tuples(
            st.sampled_from(SERIALS),
            st.integers(0, 10**6),
            st.sampled_from(["Icc standby", "access time", "read margin 1"]),
            st.floats(-1e30, 1e30).filter(lambda x: x == 0 or abs(x) > 1e-30),
        ),
        min_size=1,
        max_size=20,
        unique_by=lambda r: r[:3],
    )
)
def test_what_is_written_is_read(rows: list[tuple[str, int, str, float]]) -> None:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for serial, hour, parameter, value in rows:
        writer.writerow((serial, hour, parameter, "V", repr(value), "-1.5", "", *TIMES.split(",")))
    result = read_points_from_csv("rp.csv", out.getvalue(), SERIALS)
    assert result.problems == ()
    assert [(r.serial, r.read_point_h, r.parameter, r.value) for r in result.readings] == rows


# --- times ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "time",
    ["2026-03-01T08:00Z", "2026-03-01T08:00:00+00:00", "2026-03-01T08:00:00.000Z", "2026-03-01T08:00:00Z"],
)
def test_ways_to_write_a_time(time: str) -> None:
    assert read(row(removed_at=time)).readings[0].off_stress_h == 25.5


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-01",
        "2026-03-01 08:00:00Z",
        "2026-03-01T08:00:00",
        "2026-03-01T08:00:00+01:00",
        "2026-02-30T08:00:00Z",
        "2026-03-01T24:30:00Z",
        "0000-01-01T00:00:00Z",
        "1772352000",
        "yesterday",
    ],
)
def test_what_is_no_utc_time(time: str) -> None:
    for column in ("removed_at", "measured_at"):
        (problem,) = read(row(**{column: time})).problems
        assert str(problem) == (
            f'rp.csv line 2 {column}: found "{time}"; '
            "a UTC time such as 2026-03-01T08:00:00Z, or nothing, is needed"
        )


def test_a_measurement_before_the_end_of_stress() -> None:
    assert wrong(row(removed_at="2026-03-03T00:00:00Z")) == [
        "rp.csv line 2 measured_at: is before removed_at"
    ]
    assert wrong(row(removed_at="2026-03-02T09:30:00Z")) == []


def test_missing_times_are_a_doubt_for_each_read_point_after_0_h() -> None:
    result = read(
        row(read_point_h="0", removed_at="", measured_at=""),
        row(read_point_h="500", removed_at=""),
        row(read_point_h="168", measured_at=""),
        row(read_point_h="500", serial="A-002", removed_at="", measured_at=""),
        row(read_point_h="500", serial="A-003"),
    )
    assert result.problems == ()
    assert [f"{w.where}: {w.found}" for w in result.warnings] == [
        "rp.csv read point 168 h: 1 row without removed_at or measured_at",
        "rp.csv read point 500 h: 2 rows without removed_at or measured_at",
    ]
    assert "cannot be checked" in result.warnings[0].allowed


# --- wrong cells ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("serial", "A-004"),
        ("serial", "=A-001"),
        ("serial", ""),
        ("read_point_h", "-1"),
        ("read_point_h", "nan"),
        ("read_point_h", "1000001"),
        ("read_point_h", "168.0001"),
        ("read_point_h", "one week"),
        ("read_point_h", ""),
        ("parameter", ""),
        ("parameter", "=1+1"),
        ("parameter", "@sum"),
        ("parameter", "-margin"),
        ("parameter", "p" * 65),
        ("parameter", "mar\x1b[31mgin"),
        ("unit", ""),
        ("unit", "=V"),
        ("unit", "+V"),
        ("unit", "-V"),
        ("unit", "@V"),
        ("unit", "m\u202eV"),
        ("unit", "<b>"),
        ("unit", "V" * 17),
        ("value", ""),
        ("value", "nan"),
        ("value", "inf"),
        ("value", "-Infinity"),
        ("value", "1e99"),
        ("value", "1e-99"),
        ("value", "1e999999999"),
        ("value", "1_000"),
        ("value", "0x10"),
        ("value", "1 000"),
        ("value", "١٢"),
        ("value", "."),
        ("value", "=1"),
        ("value", "9" * 31),
        ("low_limit", "nan"),
        ("low_limit", "none"),
        ("high_limit", "inf"),
    ],
)
def test_a_wrong_cell_is_named(column: str, text: str) -> None:
    result = read(row(**{column: text}))
    assert [p.where for p in result.problems] == [f"rp.csv line 2 {column}"]
    assert result.readings == ()
    assert result.problems[0].allowed
    assert str(result.problems[0]).isprintable()


def test_a_decimal_comma_is_shown_what_is_meant() -> None:
    (problem,) = read(row(value='"1,5"')).problems
    assert str(problem) == (
        'rp.csv line 2 value: found "1,5"; '
        "a number such as 12.5 or 3e-6 is needed, with a decimal point, 0 or of ordinary size"
    )


def test_all_problems_in_one_go() -> None:
    assert wrong(
        row(),  # 2
        "A-001,168",  # 3
        row(serial="X", value="nan", removed_at="today"),  # 4
        row(low_limit="", high_limit="", serial="A-002"),  # 5
        row(low_limit="5", serial="A-002"),  # 6: not below the high limit, 5
        row(),  # 7: line 2 again
        row() + ",more",  # 8
        row(serial="A-003", unit="mA", low_limit="0.1", high_limit=""),  # 9
    ) == [
        "rp.csv line 3: the number of cells differs from the header",
        'rp.csv line 4 serial: found "X"',
        'rp.csv line 4 value: found "nan"',
        'rp.csv line 4 removed_at: found "today"',
        "rp.csv line 5 low_limit: no limit",
        "rp.csv line 6 low_limit: 5 is not below high_limit 5",
        "rp.csv line 7: Icc standby of A-001 at 168 h stands twice",
        "rp.csv line 8: the number of cells differs from the header",
        'rp.csv line 9 unit: "mA" for Icc standby, but "µA" in rp.csv line 2',
        "rp.csv line 9 low_limit: 0.1 for Icc standby, but nothing in rp.csv line 2",
        "rp.csv line 9 high_limit: nothing for Icc standby, but 5.0 in rp.csv line 2",
    ]


def test_the_same_in_another_notation_is_the_same() -> None:
    assert wrong(row(), row(read_point_h="168.0")) == [
        "rp.csv line 3: Icc standby of A-001 at 168 h stands twice"
    ]
    assert wrong(row(), row(read_point_h="500", high_limit="5.00")) == []


def test_a_duplicate_names_the_first() -> None:
    (problem,) = read(row(), row(value="9")).problems
    assert problem.allowed == "first in rp.csv line 2"


# --- wrong files ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "found"),
    [
        (HEADER.replace("unit,", ""), "column unit is missing"),
        (HEADER + ",lot", 'unknown column "lot"'),
        (HEADER + ",unit", "a column stands twice"),
        ("", "column " + ", ".join(COLUMNS) + " is missing"),
        (HEADER.replace(",", ";"), "column " + ", ".join(COLUMNS) + " is missing"),
    ],
)
def test_a_wrong_header_is_named_and_no_row_is_read(header: str, found: str) -> None:
    result = read(row(), header=header)
    assert f"rp.csv line 1: {found}" in [f"{p.where}: {p.found}" for p in result.problems]
    assert {p.where for p in result.problems} == {"rp.csv line 1"}
    assert result.readings == result.warnings == ()


@pytest.mark.parametrize("text", ["", "\n", HEADER, HEADER + "\n\n"])
def test_a_file_without_a_measurement(text: str) -> None:
    assert read_points_from_csv("rp.csv", text, SERIALS).problems


def test_broken_quoting_is_a_problem() -> None:
    result = read(row(), '"A-001,168', row())
    assert result.problems[-1].allowed == "correct the quoting"


@given(st.text(alphabet='A-01,"\n\r\0;= eE.\u202e', max_size=80))
def test_no_text_is_too_strange(text: str) -> None:
    """Whatever stands there is read or refused in printable words, never an exception."""
    result = read_points_from_csv("rp.csv", f"{HEADER}\n{text}", SERIALS)
    assert result.problems  # no such text is a whole row
    assert all(str(problem).isprintable() for problem in result.problems)


def test_too_many_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    assert MAX_READINGS == 200_000
    monkeypatch.setattr(readpoints, "MAX_READINGS", 3)
    hours = [row(read_point_h=str(h)) for h in (0, 168, 500, 1000)]
    assert read(*hours[:3]).problems == ()
    assert wrong(*hours) == ["rp.csv line 5: more than 3 rows"]


def test_a_file_of_the_wrong_kind_does_not_give_a_million_problems() -> None:
    problems = read(*[row(value="x")] * 1500).problems
    assert len(problems) == 1001
    assert str(problems[-1]) == (
        "rp.csv line 1002: reading stopped before this line; correct these 1000 problems first"
    )
