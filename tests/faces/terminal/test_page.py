"""The final page and the plain line: everything important, within their limits, in plain characters."""

from __future__ import annotations

import re

import pytest
from msgspec.structs import replace
from rich.cells import cell_len

from monitor.faces.terminal import plain_line, summary
from monitor.figures.document import Anytime, EveryFailure, Exposure, FixedLook, PoolingFigures, Uncredited
from tests.faces.terminal import samples
from tests.faces.terminal.test_view import ALL, HOSTILE, flat, printed

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


@pytest.mark.parametrize("name", ALL)
def test_the_page_has_at_most_78_columns_and_no_control_characters(name: str) -> None:
    lines = summary(ALL[name]()).split("\n")
    assert max(map(cell_len, lines)) <= 78
    assert not any(CONTROL.search(line) for line in lines)


@pytest.mark.parametrize(
    "fact",
    [
        "tern-a1: Tern A1 embedded flash, operating life, as of 2026-03-12 14:05:10 UTC",
        "Stress 125 C (123 to 130 C), self-heating +4 C, 1.98 V within 0.04 V; "
        "longest-stressed chip 412.3 of 1,000 h planned. "
        "FIT holds in use: 94 % at 60 C, 6 % at -20 C, 1.80 V, self-heating +4 C.",
        "Loaded 231, at risk 230, failed 1, failed but not relevant 0",
        "A-007, lot A, oven-1 board 1 socket 7 failed 2026-03-12 13:44:10 UTC after 411.9 credited hours",
        "address 0x1a2b: expected 55aa, observed 55ab",
        "waits for a disposition",
        "Suspect the equipment first: 3 chips failed together on oven-2 board 4",
        "Hours at stress (chip-hours) credited 95,123.4",
        "not credited, not read at the rate asked 1.5",
        "not credited, temperature outside limits 20.1",
        "not credited, supply outside limits 0",
        "not credited, unwitnessed (no tally for too long) 12.4",
        "not credited, counter fault 0",
        "not credited now: oven-2 board 3, silent",
        "credited 68,488,900,000,017 in all 68,500,000,000,123 failed 4 failed while the chip was at risk 1",
        "probability that a read fails (reads taken as independent): "
        "confidence one look any time failed at risk of reads credited "
        "60 % 1.34e-14 1.63e-14 1 68,488,900,000,017 90 % 3.37e-14 3.99e-14 1 68,488,900,000,017",
        "acceleration 858 at the set-point: Ea 1.1 eV 8.15e7 equivalent hours of use",
        "acceleration 61.2 at the set-point: Ea 0.7 eV, gamma 3.5 per V 8.15e7 equivalent hours of use",
        "60 % one look at a time fixed in advance 11.3 0",
        "90 % one look at a time fixed in advance 28.3 0",
        "60 % holds however often you look 31.5 -",
        "90 % holds however often you look 62.8 -",
        "1 failure with every failed chip counted, point estimate 0 FIT: the same bounds",
        "50 FIT at 90 % confidence; limited by gate-oxide, each mechanism for itself",
        "holds however often you look: NOT met, 117.4 h to go, about 2026-03-17T11:24Z at the present rate",
        "with one more failure: 488.1 h to go",
        "one look at a time fixed in advance: met",
        "reads 0.103 0.108 0.108 25.0",
        "hours, charge-loss 2.67 2.69 2.69 620",
        "fleet: sum over chips, not a life any one chip has covered",
        "A 77 0/0 31,707.8 22,829,633,333,339",
        "pooling test: pooling supported (exact conditional test, p = 0.412)",
        "each lot alone one look any time lot FIT at most failures equivalent h 60 % 90 % 60 % 90 %",
        "B gate-oxide 0 2.71e7 33.8 84.7 94.4 189",
        "accepted 177,984, duplicates 12",
    ],
)
def test_the_page_has_each_fact(fact: str) -> None:
    assert fact in flat(summary(samples.troubled(incidents=[samples.incident()])))


def test_the_page_explains_the_fleet_once() -> None:
    assert summary(samples.sound()).count("fleet: sum over chips") == 1


def test_incidents_come_first_with_one_line_a_chip() -> None:
    figures = samples.troubled(
        failures=[samples.failure(), *samples.together()], incidents=[samples.incident()]
    )
    page = summary(figures)
    assert page.index("Suspected equipment incidents\n") < page.index("\nFailures\n")
    for n in (4, 5, 6):
        line = f"    C-00{n}, lot C, socket {n}, {405 + n}.0 h, address 0x1a2b, waits for a disposition\n"
        assert line in page
        assert page.count(f"C-00{n}") == 1
    assert "\nFailures\n  A-007, lot A, oven-1 board 1 socket 7\n" in page


def test_failures_that_all_belong_to_incidents_are_not_denied() -> None:
    page = flat(summary(samples.troubled(failures=samples.together(), incidents=[samples.incident()])))
    assert "Failures None besides the incidents." in page
    assert "Suspected equipment" not in summary(samples.troubled())


def test_every_disposition_is_told_in_full() -> None:
    first = (
        "disposition 2026-03-12 13:50 UTC by R. Ostra: relevant, mechanism gate-oxide; leakage at the cell"
    )
    second = "disposition 2026-03-12 14:00 UTC by M. Velt: not-relevant; pin bent in handling"
    alone = samples.troubled(failures=[samples.judged()])
    assert f"told by messages; not-relevant. {first} {second}" in flat(summary(alone))
    assert f"{first} {second}" in flat(printed(alone, size=(200, 90)))
    incident = replace(samples.incident(), chips=["A-007"])
    page = flat(summary(samples.troubled(failures=[samples.judged()], incidents=[incident])))
    assert "1 chip failed on oven-2 board 4" in page
    assert f"A-007, lot A, socket 7, 411.9 h, address 0x1a2b, not-relevant {first} {second}" in page


def test_the_page_and_the_line_say_that_pooled_figures_are_doubtful() -> None:
    differ = samples.sound(pooling=PoolingFigures(0.0041, "lots differ", "exact conditional test"))
    page, doubt = flat(summary(differ)), "ots differ: pooled figures are doubtful"
    for name in ("charge-loss", "gate-oxide"):
        assert f"Failure rate, mechanism {name} L{doubt}. acceleration" in page
    assert f"one look at most 28.3 FIT (l{doubt}); target" in plain_line(differ, [], samples.link())
    assert doubt not in flat(summary(samples.sound())) + plain_line(samples.sound(), [], samples.link())


def test_the_line_of_a_recorded_run_tells_no_age() -> None:
    line = plain_line(samples.sound(), [], samples.link(state="replay", age_s=0.0))
    assert line.startswith("2026-03-12 14:05:10 UTC, recorded data: All 231 chips")
    assert "0 s old" not in line


def test_bounds_by_lot_are_told_in_words_where_the_table_has_no_room() -> None:
    always = [Anytime(0.5 + n / 50, 40.0 + n) for n in range(8)]
    lots = [
        replace(lot, mechanisms=[replace(item, anytime=always) for item in lot.mechanisms])
        for lot in samples.sound().lots
    ]
    page = flat(summary(samples.sound(lots=lots)))
    assert (
        "lot A, gate-oxide: 0 failures in 2.71e7 equivalent h; any time at most 40.0 FIT at 50 %, 41.0 FIT"
        in page
    )


def test_each_reason_has_its_own_hours() -> None:
    page = flat(summary(samples.sound(exposure=Exposure(9.0, Uncredited(1.0, 2.0, 3.0, 4.0, 5.0)))))
    for words in (
        "counter fault 1.0",
        "unwitnessed (no tally for too long) 2.0",
        "temperature outside limits 3.0",
        "supply outside limits 4.0",
        "not read at the rate asked 5.0",
    ):
        assert f"not credited, {words}" in page


def test_the_page_ends_with_what_the_figures_are_not() -> None:
    end = "These figures support a qualification decision; they do not make it."
    assert flat(summary(samples.sound())).endswith(end)


def test_the_page_tells_both_accounts_where_a_failure_was_set_aside() -> None:
    every = EveryFailure(2, [FixedLook(0.9, 65.22, 6.519, 24.5)], [Anytime(0.9, 99.94)])
    page = flat(summary(samples.sound(mechanisms=[samples.mechanism("charge-loss", 1, all=every)])))
    assert "2 failures with every failed chip counted, point estimate 24.5 FIT:" in page
    assert "90 % one look at a time fixed in advance 65.3 6.51" in page
    assert "90 % holds however often you look 100 -" in page


def test_the_page_without_hours_has_no_bounds() -> None:
    page = flat(summary(samples.nothing_yet()))
    assert "before the first message" in page
    assert "90 % one look at a time fixed in advance none yet 0" in page
    assert "90 % holds however often you look none yet -" in page
    assert "Failures None." in page


def test_refused_messages_and_strangers_are_named() -> None:
    strange = samples.sound()
    intake = type(strange.intake)(
        1, 0, 0, 0, 0, 3, 2, 0, 0, 0, {"json": 2, "field": 1}, [("oven-9", None, None), ("oven-1", 7, 3)]
    )
    page = flat(summary(samples.sound(intake=intake)))
    assert "invalid by reason: json 2, field 1" in page
    assert "stranger at oven-9 stranger at oven-1 board 7 socket 3" in page


def test_the_plain_line_has_the_facts_of_the_moment() -> None:
    line = plain_line(samples.troubled(), [samples.alert()], samples.link())
    assert line.startswith(
        "2026-03-12 14:05:10 UTC, 4 s old: ALERT chip failed: A-007, since 2026-03-12 13:44 UTC"
    )
    for fact in (
        "43 of 230 chips at risk are NOT stressed and read",
        "1 of 231 has FAILED",
        "95,123.4 chip-hours credited, not credited: not read 1.5, temperature 20.1, unwitnessed 12.4;",
        "failed 1, not relevant 0",
        "gate-oxide at 90 %: any time at most 62.8 FIT, one look at most 28.3 FIT; target 50 FIT NOT met",
        "least coverage in lives: reads 0.103, charge-loss 2.67, gate-oxide 0.191;",
        "; intake: duplicates 12, late 3, gaps 1.",
    ):
        assert fact in line


@pytest.mark.parametrize("name", ALL)
def test_the_plain_line_is_one_line_without_control_characters(name: str) -> None:
    link = samples.link(source=HOSTILE, note=HOSTILE, age_s=99.0)
    for figures in (ALL[name](), None):
        assert not CONTROL.search(plain_line(figures, [samples.alert(reason=HOSTILE, subject="a\nb")], link))


@pytest.mark.parametrize(("age_s", "stale"), [(30.0, False), (31.0, True)])
def test_the_plain_line_says_stale_when_it_is(age_s: float, stale: bool) -> None:
    for figures in (samples.sound(), None):
        assert ("STALE, 31 s old" in plain_line(figures, [], samples.link(age_s=age_s))) is stale


def test_the_plain_line_says_that_the_connection_is_lost() -> None:
    line = plain_line(samples.sound(), [], samples.link(state="lost"))
    assert (
        "STALE, 4 s old. All 231 chips were stressed and read. Connection to http://127.0.0.1:8631 LOST."
        in line
    )


def test_the_plain_line_before_anything_came() -> None:
    connecting = samples.link(age_s=None, state="connecting")
    assert plain_line(None, [], connecting) == "No data has come in yet, connecting to http://127.0.0.1:8631."
    assert plain_line(samples.nothing_yet(), [], connecting).startswith(
        "No data yet: 231 of 231 chips are NOT YET SEEN"
    )
