"""Words and numbers: what is stripped, how numbers are rounded, how times and places read.

Rounding is held against the decimal module of the standard library, by another way than the code takes: there the
number as JSON writes it is rounded to the place of its third digit with ``quantize``; the code rounds in a context of
three digits.
"""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC, datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec.structs import replace
from rich.cells import cell_len

from monitor.faces.terminal import text
from shared.shown import clean
from tests.faces.terminal import samples

positive = st.floats(min_value=5e-324, max_value=1.7e308)
roomy = Context(prec=800)


def read_back(shown: str) -> Decimal:
    return Decimal(shown.replace(",", ""))


def by_quantize(value: float, rounding: str) -> Decimal:
    exact = Decimal(repr(value))
    third_digit = Decimal(1).scaleb(exact.adjusted() - 2, context=roomy)
    return exact.quantize(third_digit, rounding=rounding, context=roomy)


@given(positive)
@example(1e15)
@example(99.95)
@example(1e-3)
@example(999_500.5)
def test_upper_bounds_are_rounded_up_to_three_digits(value: float) -> None:
    assert read_back(text.upper(value)) == by_quantize(value, ROUND_CEILING)


@given(positive)
@example(1e15)
@example(0.9999)
def test_lower_bounds_and_coverage_are_rounded_down_to_three_digits(value: float) -> None:
    assert read_back(text.lower(value)) == by_quantize(value, ROUND_FLOOR)


@given(st.floats(min_value=0, max_value=1e300))
def test_no_rounding_flatters(value: float) -> None:
    exact = Decimal(repr(value))
    assert read_back(text.lower(value)) <= exact <= read_back(text.upper(value))
    assert read_back(text.credited(value)) <= exact <= read_back(text.uncredited(value))


@given(st.floats(min_value=0, max_value=9e11))
@example(0.2)
def test_hours_are_shown_to_a_tenth(value: float) -> None:
    tenth = Decimal("0.1")
    assert read_back(text.credited(value)) == Decimal(repr(value)).quantize(tenth, rounding=ROUND_FLOOR)
    assert read_back(text.uncredited(value)) == Decimal(repr(value)).quantize(tenth, rounding=ROUND_CEILING)


@pytest.mark.parametrize(
    ("value", "up", "down"),
    [
        (28.2201, "28.3", "28.2"),
        (1e15, "1.00e15", "1.00e15"),
        (123_456.0, "124,000", "123,000"),
        (999_999.0, "1.00e6", "999,000"),
        (0.00099991, "0.00100", "9.99e-4"),
        (0.1, "0.100", "0.100"),
        (1.33801e-14, "1.34e-14", "1.33e-14"),
        (0.0, "0", "0"),
        (None, "none yet", "none yet"),
        (float("inf"), "none yet", "none yet"),
        (float("nan"), "none yet", "none yet"),
    ],
)
def test_how_numbers_are_written(value: float | None, up: str, down: str) -> None:
    """The expected texts are worked by hand from the rule."""
    assert text.upper(value) == up
    assert text.lower(value) == down


@pytest.mark.parametrize(
    ("ratio", "shown"), [(0.9, "90 %"), (0.6, "60 %"), (0.999, "99.9 %"), (1.0, "100 %")]
)
def test_a_confidence_is_shown_as_it_was_written(ratio: float, shown: str) -> None:
    assert text.percent(ratio) == shown


@pytest.mark.parametrize(
    ("raw", "cleaned"),
    [
        ("\x1b[31mA-007\x1b[0m", "A-007"),
        ("\x1b]0;title\x07A-007", "A-007"),
        ("\x1b]8;;http://x\x1b\\A-007\x1b]8;;\x1b\\", "A-007"),
        ("\x9b2JA-007", "A-007"),
        ("\x1bPq#0\x1b\\A-007", "A-007"),
        ("A\r\n\t-\x00007", "A -007"),
        ("\u202eA-007\u202c\u2066x\u2069", "A-007x"),
        ("A\u200b\u200d\ufeff\ufe0f-007", "A-007"),
        ("A\ud800-007", "A-007"),
        ("A\u2028B\u00a0C", "A B C"),
        ("\x1b]0;never closed", "]0;never closed"),
        ("[/red]", "[/red]"),
        ("晶片 é", "晶片 é"),
    ],
)
def test_what_cleaning_takes_away_and_leaves(raw: str, cleaned: str) -> None:
    assert clean(raw) == cleaned


@given(st.text())
def test_clean_text_holds_nothing_that_could_steer_a_terminal(raw: str) -> None:
    cleaned = clean(raw)
    assert not {unicodedata.category(char) for char in cleaned} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert clean(cleaned) == cleaned
    assert len(cleaned.encode()) >= len(cleaned)  # encodes: no lone surrogate is left


def test_scrubbing_reaches_every_string_of_a_document() -> None:
    dirty = samples.failure(serial="A\x1b[31m-1", lot="\u202eB", expected="55\x07", mechanism="char\nge")
    figures = samples.troubled(failures=[dirty], campaign="t\x00ern")
    intake = replace(figures.intake, invalid_reasons={"js\x07on": 1}, stranger_places=[("ov\x07en", None, 3)])
    assert text.scrub(intake).invalid_reasons == {"json": 1}
    assert text.scrub(intake).stranger_places == [("oven", None, 3)]
    scrubbed = text.scrub(figures)
    assert scrubbed.campaign == "tern"
    assert scrubbed.failures == [samples.failure(serial="A-1", lot="B", expected="55", mechanism="char ge")]
    assert text.scrub(samples.troubled()) == samples.troubled()


@given(st.text(max_size=40).map(clean), st.integers(min_value=0, max_value=30))
def test_clipping_and_padding_keep_to_the_cells(raw: str, width: int) -> None:
    assert cell_len(text.clip(raw, width)) <= width
    assert cell_len(text.pad(raw, width)) == width


def test_a_clipped_serial_keeps_both_ends() -> None:
    assert text.clip("A-0001-WAFER-07-X12-Y09", 12) == "A-000..2-Y09"


@given(st.text(max_size=80).map(clean), st.integers(min_value=2, max_value=30))
def test_wrapping_loses_nothing_but_blanks(raw: str, width: int) -> None:
    lines = text.wrap(raw, width)
    assert all(cell_len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == raw.replace(" ", "")


@given(st.datetimes(min_value=datetime(1, 1, 1), max_value=datetime(9999, 12, 31)))  # noqa: DTZ001  made UTC below
def test_instants_are_utc_to_the_second(moment: datetime) -> None:
    moment = moment.replace(microsecond=0, tzinfo=UTC)
    t_ms = int(moment.timestamp()) * 1000
    assert text.instant(t_ms) == moment.isoformat(sep=" ").removesuffix("+00:00")
    assert text.clock(t_ms) == moment.strftime("%H:%M:%S")


def test_an_instant_beyond_the_calendar_stays_a_number() -> None:
    assert text.instant(2**63 - 1) == "9223372036854775807 ms since 1970"
    assert text.clock(-(2**62)) == "-4611686018427387904 ms since 1970"
    assert text.instant(None) == "never"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (4.9, "4 s"), (125, "2 min 5 s"), (11_520, "3 h 12 min"), (442_800, "5 d 3 h")],
)
def test_durations_in_words(seconds: float, words: str) -> None:
    assert text.duration(seconds) == words


@pytest.mark.parametrize(
    ("values", "shown"),
    [([4, 5, 9], "4, 5, 9"), ([3, 1, 2, 7], "1-3, 7"), ([7], "7"), ([], ""), (range(1, 21), "1-20")],
)
def test_numbers_draw_runs_together(values: list[int], shown: str) -> None:
    assert text.numbers(values) == shown


@pytest.mark.parametrize(
    ("changes", "stale"),
    [
        ({"age_s": 30.0}, False),
        ({"age_s": 30.1}, True),
        ({"age_s": 4.0, "state": "lost"}, True),
        ({"age_s": None, "state": "lost"}, True),
        ({"age_s": None, "state": "connecting"}, False),
        ({"age_s": 31.0, "state": "connecting"}, True),
        ({"age_s": 31.0, "state": "replay"}, True),
    ],
)
def test_stale_is_too_old_or_lost(changes: dict[str, object], stale: bool) -> None:
    assert samples.link(**changes).stale is stale


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1.8, "1.80"), (1.98, "1.98"), (1.755, "1.755"), (2.0, "2.00"), (1e7, "1e+07"), (math.nan, "nan")],
)
def test_a_supply_has_at_least_two_places(value: float, shown: str) -> None:
    assert text.volts(value) == shown


@pytest.mark.parametrize(
    ("ratio", "shown"), [(0.94, "94 %"), (0.06, "6 %"), (1 / 3, "33.3333 %"), (1.0, "100 %")]
)
def test_a_share_of_the_time_is_a_percentage(ratio: float, shown: str) -> None:
    assert text.share(ratio) == shown
