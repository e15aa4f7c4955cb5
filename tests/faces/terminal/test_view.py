"""The screen answers the engineer's questions at 80 by 24, keeps to its size, and never shows old data as new."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

import pytest
from msgspec.structs import replace
from rich.cells import cell_len
from rich.console import Console

from monitor.faces.terminal import Link, render, summary
from monitor.figures.document import (
    Anytime,
    Chips,
    EveryFailure,
    Exposure,
    Figures,
    FixedLook,
    Forecast,
    PoolingFigures,
    Reads,
    SocketFigures,
    Target,
    TargetFixed,
    TotalBounds,
    Uncredited,
    UseLine,
)
from monitor.rules.alerts import Alert
from tests.faces.terminal import samples

SIZES = [(80, 24), (200, 60), (60, 16), (40, 10)]
ANY_ESCAPE = re.compile(r"\x1b\[[0-9;]*m")
COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;\d+)*m")


def printed(
    figures: Figures | None,
    link: Link | None = None,
    size: tuple[int, int] = (80, 24),
    alerts: Sequence[Alert] = (),
    environ: dict[str, str] | None = None,
    **options: Any,
) -> str:
    """What a console of that size prints: without colour unless the options or the environment say otherwise."""
    width, height = size
    ascii_only = options.pop("ascii_only", False)
    options = {"color_system": None} | options
    console = Console(file=io.StringIO(), width=width, height=height, _environ=environ or {}, **options)
    console.print(
        render(figures, alerts, link or samples.link(), width, height, ascii_only=ascii_only), end=""
    )
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def flat(text: str) -> str:
    """The text as one line of single blanks, so that a fact may stand over a line's end."""
    return " ".join(text.split())


def assert_fits(text: str, size: tuple[int, int]) -> None:
    lines = text.split("\n")
    assert len(lines) <= size[1], text
    assert all(cell_len(line) <= size[0] for line in lines), text


HOSTILE = "\x1b[2J\x1b]0;x\x07[/red][bold]\u202e\ud800\u200b晶片" + "Z" * 90


def hostile() -> Figures:
    """Strings of outsiders at their worst in every place where one stands."""
    failure = samples.failure(serial=HOSTILE, lot=HOSTILE, rack=HOSTILE, expected=HOSTILE, mechanism=HOSTILE)
    board = replace(samples.board("oven-1", 2), rack=HOSTILE, state=HOSTILE)
    mechanism = samples.mechanism(
        HOSTILE, pass_line=samples.passing(HOSTILE), sequential=samples.sequence(HOSTILE)
    )
    point = replace(samples.drifting().read_points[-1], worst_serial=HOSTILE)
    drift = samples.drifting(
        parameter=HOSTILE,
        unit=HOSTILE,
        mechanism=HOSTILE,
        read_points=[point],
        shifted=[replace(line, serial=HOSTILE) for line in samples.drifting().shifted],
        outside=[replace(line, serial=HOSTILE) for line in samples.drifting().outside],
        late=[replace(line, serial=HOSTILE) for line in samples.drifting().late],
        extrapolations=[
            samples.prediction(model=HOSTILE, serial=HOSTILE, shown_for=[HOSTILE], bound=None, reason=HOSTILE)
        ],
    )
    return samples.troubled(
        drift=[drift],
        cautions=[HOSTILE],
        campaign=HOSTILE,
        failures=[failure],
        mechanisms=[mechanism],
        boards=[board, samples.board("oven-1", 1, troubles={3: HOSTILE})],
        plan=replace(samples.plan(), title=HOSTILE),
    )


def enormous() -> Figures:
    """Numbers at the far end of what the contract allows."""
    looks = [FixedLook(0.6, 1e15, 1e14, 5e14), FixedLook(0.9, 1.0000001e15, 0.0, None)]
    always = [Anytime(0.6, 1e300), Anytime(0.9, 5e-324)]
    huge = samples.mechanism("charge-loss", 2**40, bounds=looks, anytime=always, equivalent_h=1e308)
    reads = Reads(2**63, 2**63, 2**63, 2**63)
    return samples.troubled(
        mechanisms=[replace(huge, all=EveryFailure(2**41, looks, always))],
        reads=reads,
        as_of_ms=2**63 - 1,
        failures=[samples.failure(t_ms=-(2**63), address=2**63 - 1, expected="f" * 64, observed="0" * 64)],
        target=Target(
            1e15,
            False,
            1e300,
            None,
            None,
            0.9,
            "charge-loss",
            TargetFixed(False, 1e18, 1e19, None, None, 5e-324),
            None,
            careful=True,
        ),
        forecast=Forecast(1e300, 1e300, 1e-300, None, "charge-loss", ""),
        total=[TotalBounds(0.9, 1e300, 5e-324, None)],
    )


ALL = {
    "sound": samples.sound,
    "declared": samples.declared,
    "troubled": samples.troubled,
    "three unread": samples.three_unread,
    "nothing yet": samples.nothing_yet,
    "hostile": hostile,
    "enormous": enormous,
}


@pytest.mark.parametrize("size", [*SIZES, (20, 5), (7, 3), (1, 1)])
@pytest.mark.parametrize("name", ALL)
def test_the_screen_keeps_to_its_size(name: str, size: tuple[int, int]) -> None:
    alerts = [samples.alert(), samples.alert(subject=HOSTILE, reason=HOSTILE)]
    assert_fits(printed(ALL[name](), size=size, alerts=alerts), size)
    assert_fits(printed(ALL[name](), samples.link(source=HOSTILE, note=HOSTILE, age_s=1e9), size), size)
    assert_fits(printed(None, samples.link(state="connecting", age_s=None), size), size)


def test_the_first_sentence_when_all_is_well() -> None:
    assert printed(samples.sound()).startswith("All 231 chips are stressed and read.\n")


def test_the_first_sentence_names_the_chips_that_are_not_read() -> None:
    first = "3 of 231 chips are NOT being read: oven-1 board 2 sockets 4, 5, 9.\n"
    assert printed(samples.three_unread()).startswith(first)


def test_the_first_sentence_counts_every_trouble_and_the_failed() -> None:
    said = flat(printed(samples.troubled(), size=(200, 60)))
    assert said.startswith(
        "43 of 230 chips at risk are NOT stressed and read: 3 NOT being read (oven-1 board 2 sockets 4, 5, 9); "
        "20 SILENT (oven-2 board 3); 20 OUT of temperature (oven-1 board 5); 1 of 231 has FAILED. "
    )


def test_a_board_in_trouble_is_told_though_the_count_of_chips_says_all_is_well() -> None:
    silent = samples.board("oven-2", 3, "silent")
    for board in (silent, replace(silent, sockets=samples.board("oven-2", 3).sockets)):
        said = printed(samples.sound(boards=samples.boards([board])))
        assert said.startswith("20 of 231 chips are SILENT: oven-2 board 3.\n")
        assert "oven-2 3 SSSSSSSSSS SSSSSSSSSS SILENT" in said


def test_a_count_of_chips_not_read_is_told_though_no_board_says_which() -> None:
    said = printed(samples.sound(chips=Chips(231, 231, 0, 0, 0, 230)))
    assert said.startswith("1 of 231 chips is NOT stressed and read.\n")


def test_with_little_room_the_places_go_before_the_troubles() -> None:
    said = flat(printed(samples.troubled()))
    assert "3 NOT being read (oven-1 board 2 sockets 4, 5, 9); 20 SILENT; 20 OUT of temperature;" in said


@pytest.mark.parametrize(
    ("chips", "sentence"),
    [
        (Chips(231, 230, 1, 0, 0, 230), "All 230 chips at risk are stressed and read; 1 of 231 has FAILED."),
        (Chips(231, 228, 2, 1, 0, 228), "; 2 of 231 have FAILED, 1 failed as not relevant."),
        (Chips(1, 1, 0, 0, 0, 1), "The 1 chip is stressed and read."),
        (Chips(2, 0, 2, 0, 0, 0), "No chip is at risk any more; 2 of 2 have FAILED."),
        (Chips(0, 0, 0, 0, 0, 0), "The campaign names no chip."),
    ],
)
def test_the_first_sentence_by_the_risk_set(chips: Chips, sentence: str) -> None:
    assert sentence in flat(printed(samples.sound(chips=chips)))


def test_before_the_first_tally_every_chip_is_not_yet_seen() -> None:
    said = flat(printed(samples.nothing_yet(), samples.link(age_s=None, state="connecting")))
    assert said.startswith("231 of 231 chips are NOT YET SEEN: oven-1 boards 1-6; oven-2 boards 1-6.")
    assert "No data has come in yet, connecting to http://127.0.0.1:8631." in said.replace(
        "tern-a1: no", "No"
    )
    assert "charge-loss 0/0 0 none none none none" in said
    assert "NOT met, hours to go not known yet" in said


def test_without_any_figures_the_screen_says_so() -> None:
    said = printed(None, samples.link(state="connecting", age_s=None, note="Trying again in 2 s."))
    assert flat(said) == "No data has come in yet, connecting to http://127.0.0.1:8631. Trying again in 2 s."


def test_which_chip_failed_when_and_where() -> None:
    said = flat(printed(samples.troubled()))
    assert "Failures A-007 lot A, oven-1 board 1 socket 7, 2026-03-12 13:44 UTC, 411.9 h" in said


def test_a_tall_screen_tells_what_was_read_where_and_the_disposition() -> None:
    said = flat(printed(samples.troubled(), size=(200, 60)))
    assert "address 0x1a2b: expected 55aa, observed 55ab; 296,625,600,000 reads credited" in said
    assert "waits for a disposition" in said
    decided = samples.failure(disposition="relevant", mechanism="gate-oxide")
    said = flat(printed(samples.troubled(failures=[decided]), size=(200, 60)))
    assert "relevant, mechanism gate-oxide" in said


def test_the_latest_failures_stay_when_there_are_many() -> None:
    many = [samples.failure(serial=f"B-{n:03}", t_ms=samples.FAILED_AT_MS + n * 60_000) for n in range(40)]
    said = printed(samples.troubled(failures=many))
    assert re.findall(r"B-\d{3}", said) == ["B-039", "B-038", "B-037"]
    assert re.search(r"\d+ rows hidden \(failures 117,", said)


def test_an_equipment_incident_is_named() -> None:
    said = flat(printed(samples.troubled(incidents=[samples.incident()])))
    assert "Suspect the equipment first: 3 chips failed together on oven-2 board 4" in said
    assert "C-004, C-005, C-006" in said


def test_every_socket_of_twelve_boards_is_on_a_small_screen() -> None:
    said = printed(samples.troubled())
    rows = {
        "oven-1 1": "......F... .......... 125.1 C",
        "oven-1 2": "...NN...N. .......... NOT READ",
        "oven-1 5": "TTTTTTTTTT TTTTTTTTTT 131.2 C!",
        "oven-2 3": "SSSSSSSSSS SSSSSSSSSS SILENT",
        "oven-2 6": ".......... .          125.6 C",
    }
    for name, row in rows.items():
        assert f"{name} {row}" in said
    for rack in samples.RACKS:
        for number in range(1, 7):
            assert f"{rack} {number} " in said
    marks = {mark: said.count(mark) for mark in ("N ", "S ", "F ")}
    assert all(marks.values())
    assert ". read  F failed  N not read  S silent  T temperature" in said


@pytest.mark.parametrize(
    ("state", "mark", "words", "brief"),
    [
        ("counter", "C", "C counter fault", "COUNTER"),
        ("silent", "S", "S silent", "SILENT"),
        ("offline", "O", "O offline", "OFFLINE"),
        ("temperature", "T", "T temperature", "131.2 C!"),
        ("supply", "V", "V supply", "1.871 V!"),
        ("unwitnessed", "U", "U unwitnessed", "UNWITN."),
        ("never seen", "-", "- never seen", "no data"),
        ("starting", "~", "~ starting", "starting"),
        ("no chip at risk", "?", "? unknown", "no chips"),
        ("what is this", "?", "? unknown", "wha..his"),
    ],
)
def test_each_state_has_a_mark_of_its_own(state: str, mark: str, words: str, brief: str) -> None:
    said = printed(samples.sound(boards=samples.boards([samples.board("oven-1", 4, state)])))
    assert f"oven-1 4 {mark * 10} {mark * 10} {brief}" in said
    assert words in said


def test_an_empty_socket_and_a_chip_failed_as_not_relevant_have_marks() -> None:
    gap = samples.board("oven-1", 4, troubles={2: "not relevant"})
    gap = replace(gap, sockets=[item for item in gap.sockets if item.socket != 3])
    said = printed(samples.sound(boards=samples.boards([gap])))
    assert "oven-1 4 .x_......." in said
    assert "x failed, not relevant" in said
    assert "_ empty" in said


def test_a_board_of_256_sockets_takes_several_lines() -> None:
    sockets = [SocketFigures(n, f"X-{n:03}", "reading") for n in range(1, 257)]
    said = printed(samples.sound(boards=[replace(samples.board("oven-1", 1), sockets=sockets)]))
    body = said.split("Boards:  . read\n")[1].split("\nHours")[0]
    assert body.count(".") == 256 + 1  # and the point of 125.1 C


def test_sound_boards_are_hidden_before_boards_in_trouble() -> None:
    said = printed(samples.troubled(), size=(60, 16))
    for name in ("oven-1 1", "oven-1 2", "oven-1 5", "oven-2 3"):
        assert f"\n{name} " in said
    assert "\noven-1 3 " not in said


def test_hours_credited_and_not_credited_by_reason() -> None:
    """Credited 95 123.47 h is rounded down; 12.31 h and 20.06 h that were lost are rounded up."""
    said = flat(printed(samples.troubled(), size=(200, 60)))
    assert (
        "credited 95,123.4 chip-hours (longest-stressed chip 412.3 of 1,000 h planned); not credited:" in said
    )
    assert "not read 1.5, temperature 20.1, supply 0, unwitnessed 12.4, counter 0" in said


def test_both_bounds_of_each_mechanism_at_each_confidence() -> None:
    """11.2311, 28.2201, 31.4401 and 62.7801 FIT are rounded up, 81 593 211.9 h down."""
    lines = printed(samples.troubled()).split("\n")
    at = next(i for i, line in enumerate(lines) if line.startswith("Claims"))
    assert lines[at].split() == ["Claims", "one", "look", "any", "time"]
    assert flat(lines[at + 1]) == "FIT at most failures/all equivalent h 60 % 90 % 60 % 90 %"
    assert lines[at + 2].split() == ["charge-loss", "1/1", "8.15e7", "11.3", "28.3", "31.5", "62.8"]
    assert lines[at + 3].split() == ["gate-oxide", "1/1", "8.15e7", "11.3", "28.3", "31.5", "62.8"]
    end = lines[at + 1].index("90 %") + 4
    assert lines[at].index("one look") + 8 == end


def test_the_bounds_over_every_failure_are_shown_where_they_differ() -> None:
    every = EveryFailure(2, [FixedLook(0.6, 38.06, 0, 0), FixedLook(0.9, 65.22, 0, 0)], [Anytime(0.9, 99.94)])
    figures = samples.troubled(mechanisms=[samples.mechanism("charge-loss", 1, all=every)])
    said = flat(printed(figures))
    assert "charge-loss 1/2 8.15e7 11.3 28.3 31.5 62.8 every failure 2 38.1 65.3 - 100" in said


def test_bounds_are_told_in_words_where_the_table_has_no_room() -> None:
    said = flat(printed(samples.sound(), size=(40, 60)))
    assert (
        "charge-loss: 0 failures in 8.15e7 equivalent h; any time at most 31.5 FIT at 60 %, 62.8 FIT at 90 %"
        in said
    )
    assert "one look at most 11.3 FIT at 60 %, 28.3 FIT at 90 %" in said


def test_a_tall_screen_says_what_the_two_kinds_of_bound_are() -> None:
    said = printed(samples.sound(), size=(200, 60))
    assert (
        "One look: good for one look at a time fixed in advance. Any time: holds however often you look."
        in said
    )


def test_coverage_in_reads_and_in_life() -> None:
    """0.1039, 0.1084, 0.1085 and 25.0319 lives are rounded down."""
    said = flat(printed(samples.troubled()))
    assert "Coverage reads: least 0.103 median 0.108 most 0.108 lives, fleet 25.0" in said
    assert "charge-loss: least 2.67 median 2.69 most 2.69 lives, fleet 620" in said
    assert "gate-oxide: least 0.191 median 0.191 most 0.192 lives, fleet 44.2" in said


def test_when_the_target_is_met_by_either_bound() -> None:
    said = flat(printed(samples.troubled()))
    progress = "NOT met, 117.4 h to go, about 2026-03-17T11:24Z at the present rate; one look: met"
    assert f"Target 50 FIT at 90 %, any time: {progress}" in said
    tall = flat(printed(samples.troubled(), size=(200, 60)))
    assert "with one more failure: any time 488.1 h, about 2026-04-02T03:10Z, one look 77.70 h" in tall
    assert "limited by gate-oxide, each mechanism for itself; hours to go are clock hours" in tall


@pytest.mark.parametrize(
    ("elapsed_h", "any_time", "one_more"),
    [
        (412.37, "117.4 h to go,", "any time 488.1 h, about 2026-04-02T03:10Z, one look 77.70 h"),
        (
            882.68,
            "117.4 h to go,",
            "any time 488.1 h (beyond the planned hours), about 2026-04-02T03:10Z, one look 77.70 h",
        ),
        (882.7, "117.4 h to go (beyond the planned hours),", "one look 77.70 h"),
        (1200.0, "117.4 h to go (beyond the planned hours),", "one look 77.70 h (beyond the planned hours)"),
    ],
)
def test_hours_to_go_that_exceed_what_is_left_of_the_plan(
    elapsed_h: float, any_time: str, one_more: str
) -> None:
    """117.31 h and 488.02 h to go of 1000 h planned, by hand: what is left is 1000 h less what has elapsed."""
    figures = samples.sound(plan=replace(samples.plan(), elapsed_h=elapsed_h))
    said = flat(printed(figures, size=(200, 60)))
    assert f"NOT met, {any_time} about" in said
    assert one_more in said
    assert f"NOT met, {any_time} about" in flat(summary(figures))


def test_the_bound_on_read_errors_and_exact_counts() -> None:
    tall = flat(printed(samples.troubled(), size=(200, 60)))
    row = (
        "Reads 1 failed at risk of 68,488,900,000,017 credited: a read fails with probability at most "
        "1.34e-14 at 60 %, 3.37e-14 at 90 % (one look), 1.63e-14 at 60 %, 3.99e-14 at 90 % (any time; "
        "reads taken as independent)"
    )
    assert row in tall
    assert "in all 68,500,000,000,123 reads, 4 failed, failed chips included" in tall
    said = flat(printed(enormous(), size=(200, 70)))
    assert "9,223,372,036,854,775,808 failed at risk of 9,223,372,036,854,775,808 credited" in said
    none = flat(printed(samples.nothing_yet(), size=(200, 70)))
    assert "0 failed at risk of 0 credited: no bound on read errors yet" in none


def test_enormous_bounds_are_written_short_and_rounded_up() -> None:
    said = flat(printed(enormous(), size=(200, 60)))
    assert "1.00e15 1.01e15 1.00e300 5.00e-324" in said


def test_a_tall_screen_has_lots_pooling_intake_alerts_and_the_campaign() -> None:
    said = flat(printed(samples.sound(), size=(200, 60), alerts=[samples.alert(cleared_ms=samples.AS_OF_MS)]))
    assert "lot A: 0 of 77 chips failed, 31,707.8 chip-hours, 22,829,633,333,339 reads credited" in said
    assert "pooling test: pooling supported (exact conditional test, p = 0.412)" in said
    assert "accepted 177,984, duplicates 12, conflicts 0, late 3, gaps 1" in said
    assert (
        "chip failed: A-007, since 2026-03-12 13:44 UTC, cleared 2026-03-12 14:05 UTC: first failed read"
        in said
    )
    assert (
        "tern-a1, Tern A1 embedded flash, operating life: 125 C (123 to 130 C), self-heating +4 C, "
        "1.98 V within 0.04 V" in said
    )
    assert "hidden" not in said


def test_fresh_data_tells_its_age_and_source() -> None:
    assert "data 4 s old (14:05:10 UTC), live from http://127.0.0.1:8631." in printed(samples.sound())
    replay = samples.link(source="replay of runs/x at 3600 x", state="replay")
    assert "tern-a1: recorded data, 2026-03-12 14:05:10 UTC, replay of runs/x at 3600 x." in printed(
        samples.sound(), replay
    )
    for figures in (samples.sound(), samples.nothing_yet(), None):
        for age_s in (0.0, None, -5.0):
            said = printed(figures, samples.link(state="replay", age_s=age_s))
            assert "ecorded data" in said
            assert " old" not in said
            assert "ahead of this clock" not in said
    early = printed(samples.sound(), samples.link(age_s=-3.0))
    assert "Data dated 3 s ahead of this clock" in early


@pytest.mark.parametrize("size", [*SIZES, (40, 1), (20, 3)])
@pytest.mark.parametrize(
    ("changes", "stale"),
    [
        ({"age_s": 30.0}, False),
        ({"age_s": 30.5}, True),
        ({"age_s": 3.0, "state": "lost"}, True),
        ({"age_s": None, "state": "lost"}, True),
        ({"age_s": None, "state": "connecting"}, False),
        ({"age_s": 3.0, "state": "replay"}, False),
    ],
)
def test_stale_stands_first_if_and_only_if_the_data_is(
    changes: dict[str, Any], stale: bool, size: tuple[int, int]
) -> None:
    for figures in (samples.sound(), samples.troubled(), None):
        said = printed(figures, samples.link(**changes), size)
        assert said.startswith("STALE") is stale
        assert ("STALE" in said) is stale


def test_stale_data_is_in_reverse_and_in_the_past_tense() -> None:
    link = samples.link(age_s=125.0)
    said = printed(samples.three_unread(), link, color_system="standard", force_terminal=True)
    first = said.split("\n")[0]
    assert first.startswith("\x1b[1;7mSTALE, 2 min 5 s old. 3 of 231 chips were NOT being read")
    assert "Boards, LAST KNOWN:" in said
    assert "All 231 chips were stressed and read." in flat(printed(samples.sound(), link))


def test_no_colour_when_the_environment_asks_for_none() -> None:
    shown = {
        environ: printed(
            samples.troubled(), color_system="standard", force_terminal=True, environ=dict(environ)
        )
        for environ in ((), (("NO_COLOR", "1"),))
    }
    assert COLOUR.search(shown[()])  # the control: there is a colour to be left out
    assert not COLOUR.search(shown[(("NO_COLOR", "1"),)])
    assert [ANY_ESCAPE.sub("", text) for text in shown.values()] == [printed(samples.troubled())] * 2


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ALL)
def test_ascii_only_is_ascii_only(name: str, size: tuple[int, int]) -> None:
    link = samples.link(source=HOSTILE, note=HOSTILE)
    said = printed(ALL[name](), link, size, [samples.alert(reason=HOSTILE)], ascii_only=True)
    assert said.isascii()
    assert_fits(said, size)


def test_strings_from_outside_steer_nothing() -> None:
    said = printed(hostile(), samples.link(source=HOSTILE), (200, 60), [samples.alert(reason=HOSTILE)])
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u200b\ud800-\udfff]", said)
    assert "[/red][bold]晶片ZZZ" in said  # markup stands as it was written
    assert "]0;x" not in said


def test_hidden_rows_are_counted() -> None:
    """The wording is the same at every height, so that what is shown and what is hidden add up."""
    rows = [line for line in printed(samples.sound(), size=(80, 90)).split("\n") if line.strip()]
    assert not rows[-1].endswith("enlarge the window")
    for height in (24, 16, 8):
        *shown, notice = printed(samples.sound(), size=(80, height)).split("\n")
        hidden = re.match(r"(\d+) rows? hidden", notice)
        assert hidden
        assert len(shown) + int(hidden[1]) == len(rows)


def test_three_failures_and_twelve_boards_have_room_on_a_small_screen() -> None:
    three = [samples.failure(serial=f"B-{n:03}") for n in range(3)]
    said = printed(samples.troubled(failures=three))
    assert all(f"{rack} {number} " in said for rack in samples.RACKS for number in range(1, 7))
    assert all(f"B-{n:03}" in said for n in range(3))


def test_very_many_sound_boards_leave_room_for_the_coverage() -> None:
    many = [replace(samples.board("oven-1", 1), board=number) for number in range(1, 101)]
    said = printed(samples.sound(boards=many))
    assert "Coverage  reads:" in said
    assert re.search(r"boards 9\d", said)


def test_standing_alerts_come_before_cleared_ones_and_the_latest_first() -> None:
    moments = {"old": 1_000, "new": 2_000, "over": 3_000}
    alerts = [
        samples.alert(subject=name, began_ms=t_ms, cleared_ms=4_000 if name == "over" else None)
        for name, t_ms in moments.items()
    ]
    said = printed(samples.sound(), size=(200, 60), alerts=alerts)
    assert re.findall(r"chip failed: (\w+)", said) == ["new", "old", "over"]


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (40, 10)])
def test_open_alerts_are_counted_below_the_first_sentence(size: tuple[int, int]) -> None:
    three = [samples.alert(id=f"a-{n}") for n in range(3)]
    cleared = samples.alert(id="a-9", cleared_ms=samples.AS_OF_MS)
    assert (
        printed(samples.sound(), size=size, alerts=[*three, cleared])
        .split("\n")[1]
        .startswith("3 open alerts")
    )
    assert printed(samples.sound(), size=size, alerts=[three[0]]).split("\n")[1].startswith("1 open alert.")
    assert "open alert" not in printed(samples.sound(), size=size, alerts=[cleared])
    assert "\n3 open alerts\n" in printed(None, samples.link(), size, three)


def test_a_tall_screen_says_for_what_use_the_bounds_hold() -> None:
    said = flat(printed(samples.sound(), size=(200, 60)))
    assert "In use: 94 % at 60 C, 6 % at -20 C, 1.80 V, self-heating +4 C." in said
    assert "Acceleration at the set-point: charge-loss 858 (Ea 1.1 eV); gate-oxide 61.2" in said
    assert "gate-oxide 61.2 (Ea 0.7 eV, gamma 3.5 per V)." in said
    power = samples.mechanism("gate-oxide", ea_ev=0.7, voltage_exponent=40.0)
    assert "(Ea 0.7 eV, voltage exponent 40)" in flat(
        printed(samples.sound(mechanisms=[power]), size=(200, 60))
    )


def test_lines_of_use_that_differ_in_supply_or_heating_tell_their_own() -> None:
    plan = replace(samples.plan(), use=[UseLine(0.06, -20.0, 1.755, -1.0), UseLine(0.94, 60.0, 1.8, 4.0)])
    said = flat(summary(samples.sound(plan=plan)))
    first, second = "94 % at 60 C, 1.80 V, self-heating +4 C", "6 % at -20 C, 1.755 V, self-heating -1 C"
    assert f"FIT holds in use: {first}; {second}." in said


@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_lots_that_differ_are_told_beside_the_claims(size: tuple[int, int]) -> None:
    differ = samples.troubled(pooling=PoolingFigures(0.0041, "lots differ", "exact conditional test"))
    said = flat(printed(differ, size=size))
    assert "31.5 62.8 Lots differ: pooled figures are doubtful." in said
    assert "doubtful" not in printed(samples.troubled(), size=size)
    assert "Lots differ: pooled figures are doubtful. charge-loss:" in flat(printed(differ, size=(40, 90)))


def test_racks_that_are_done_are_told_calmly() -> None:
    calm = "All racks are offline; the longest-stressed chip has its planned hours"
    assert printed(samples.ended()).startswith(f"{calm}.\n")
    failed = samples.ended(chips=Chips(231, 229, 1, 1, 0, 0))
    assert flat(printed(failed)).startswith(f"{calm}; 1 of 231 has FAILED, 1 failed as not relevant.")
    assert f"Chips {calm}." in flat(summary(samples.ended()))
    single = samples.ended(boards=[samples.board("oven-1", 1, "offline")])
    assert printed(single).startswith("The rack is offline; the longest-stressed chip has its planned hours.")
    almost = samples.ended(plan=replace(samples.plan(), elapsed_h=999.996))  # one gap of 30 s is 0.0083 h
    part = "All racks are offline; the longest-stressed chip has 999.9 of its 1,000 planned hours."
    assert flat(printed(almost)).startswith(part)
    old = printed(samples.ended(), samples.link(state="lost"))
    assert "All racks were offline;" in old
    red = printed(samples.ended(), color_system="standard", force_terminal=True).split("\n")[0]
    assert not COLOUR.search(red)


def test_racks_that_are_not_done_are_not_told_calmly() -> None:
    early = samples.ended(plan=replace(samples.plan(), elapsed_h=999.99))
    silent = samples.ended(boards=[*samples.ended().boards[:-1], samples.board("oven-2", 6, "silent")])
    for figures in (early, silent, samples.ended(boards=[])):
        said = printed(figures)
        assert "231 of 231 chips are " in said
        assert "planned hours." not in said.split("tern-a1")[0]


def test_a_tall_screen_has_the_claims_of_each_lot_as_the_last_thing() -> None:
    """33.7001, 84.6603, 94.3203 and 188.3403 FIT are rounded up, 27 197 737.3 h down."""
    said = printed(samples.sound(), size=(200, 60))
    tail = flat(said[said.index("By lot") :])
    assert "lot FIT at most failures equivalent h 60 % 90 % 60 % 90 % A charge-loss 0 2.71e7 33.8" in tail
    assert tail.endswith("C gate-oxide 0 2.71e7 33.8 84.7 94.4 189")
    lower = printed(samples.sound(), size=(200, 36))
    assert "Intake" in lower
    assert "C    gate-oxide" in said
    assert "C    gate-oxide" not in lower
    assert "by lot" in lower.split("\n")[-1]


def test_the_chips_of_an_incident_give_way_to_all_else() -> None:
    chips = [f"C-{n:03}" for n in range(1, 18)]
    failed = [samples.failure(serial=name, lot="C", socket=n) for n, name in enumerate(chips, 1)]
    figures = samples.troubled(incidents=[replace(samples.incident(), chips=chips)], failures=failed)
    small = flat(printed(figures))
    assert "17 chips failed together on oven-2 board 4" in small
    assert "C-001, C-002, C-003, C-004 and 13 more" in small
    tall = printed(figures, size=(200, 60))
    assert "C gate-oxide 0 2.71e7" in flat(tall)
    assert re.search(r"\d+ rows? hidden \(failures \d+\):", tall)
    taller = flat(printed(figures, size=(200, 90)))
    assert all(f"{name}, lot C, socket {n}, 411.9 h," in taller for n, name in enumerate(chips, 1))
    assert "hidden" not in taller


def test_a_narrow_screen_leaves_out_the_reasons_that_cost_nothing() -> None:
    said = flat(printed(samples.sound()))
    assert "not credited: not read 1.5, temperature 20.1, unwitnessed 12.4 Claims" in said
    lots = samples.sound(exposure=Exposure(987_654_321.07, Uncredited(0.0, 0.0, 0.0, 0.0, 0.0)))
    assert "not credited: none Claims" in flat(printed(lots, size=(60, 90)))


def test_a_small_screen_keeps_all_boards_at_the_worst_of_times() -> None:
    others = [samples.failure(serial=f"B-{n:03}") for n in range(5)]
    figures = samples.troubled(
        failures=[*samples.together(), *others],
        incidents=[samples.incident()],
        pooling=PoolingFigures(0.0041, "lots differ", "exact conditional test"),
    )
    said = printed(figures, alerts=[samples.alert()] * 9)
    assert all(f"{rack} {number} " in said for rack in samples.RACKS for number in range(1, 7))
    for words in ("9 open alerts", "Suspect the equipment first", "31.5  62.8", "Lots differ", "B-000"):
        assert words in said


def test_a_tall_screen_explains_the_fleet() -> None:
    said = printed(samples.sound(), size=(200, 60))
    assert said.count("fleet: sum over chips, not a life any one chip has covered") == 1
