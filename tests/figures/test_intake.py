"""What came in, in the figures document: every count with its latest events, in a stable order and in plain words."""

from __future__ import annotations

import pytest

from monitor.figures import to_json
from monitor.figures.document import NotedFigures
from monitor.figures.intake import _WORDS, KINDS
from shared.entries import NOTED, REFUSED_LETTERS
from tests.figures.bench import READS_PER_H, START_MS, Bench

HOUR_MS = 3_600_000
WILD = "b\x1b[31m\u202e="


def troubled() -> Bench:
    """One of each kind."""
    bench = Bench()
    bench.hours(0, 1)
    bench.hours(1, 1)  # duplicate
    bench.tally(1, 1, [5] * 4)  # conflict
    bench.send(1, "oven-1/1/tally", {"boot": WILD})  # invalid
    bench.tally(0, 1, [0], rack="oven-7")  # stranger
    bench.hours(3, 5)  # gap: seq 2
    bench.hours(2, 2)  # late
    bench.tally(6, 6, [6 * READS_PER_H, 0] * 2)  # counter fault of two sockets
    bench.error(0, 6.5, socket=1)
    bench.tally(7, 7, [7 * READS_PER_H, READS_PER_H] * 2)  # disagreement: no failed read in the counters
    return bench


def of_kind(bench: Bench, kind: str) -> list[NotedFigures]:
    return [item for item in bench.figures.intake.noted if item.kind == kind]


def test_each_kind_is_noted_in_the_document_s_order() -> None:
    figures = troubled().figures
    intake = figures.intake
    assert [item.kind for item in intake.noted] == list(KINDS)
    counts = (intake.duplicates, intake.conflicts, intake.late, intake.gaps, intake.invalid, intake.strangers)
    assert (*counts, intake.counter_faults, intake.disagreements) == (1,) * 8


@pytest.mark.parametrize(
    ("kind", "seq", "hour", "detail"),
    [
        ("late", 2, 2, "seq 2 came when seq 5 was folded already; it is not credited"),
        ("gap", 3, 5, "seq 2 before it never came"),
        ("counter fault", 6, 6, f"socket 2: reads fell from {5 * READS_PER_H} to 0 (and 1 more sockets)"),
        (
            "disagreement",
            0,
            7,
            "the failure of socket 1 by error message 0 at up_ms 23400000 is not in the counters, "
            "which tell of 0 failed reads",
        ),
    ],
)
def test_what_the_fold_came_upon(kind: str, seq: int, hour: int, detail: str) -> None:
    (item,) = of_kind(troubled(), kind)
    assert item == NotedFigures(
        kind, START_MS + hour * HOUR_MS, None, "oven-1", 1, "boot-1", seq, detail, None
    )


def test_refused_messages_have_topic_and_excerpt() -> None:
    bench = troubled()
    (stranger,), (invalid,) = of_kind(bench, "stranger"), of_kind(bench, "invalid")
    assert (stranger.topic, stranger.detail) == (
        "lifebound/oven-7/1/tally",
        "the campaign names no rack oven-7",
    )
    assert (stranger.rack, stranger.board, stranger.boot, stranger.seq) == (None,) * 4
    assert invalid.t_recv_ms == START_MS + HOUR_MS
    assert invalid.excerpt is not None
    assert invalid.excerpt.startswith('{"v":1,"t_ms":')
    assert "seq" in invalid.detail


def test_other_faults_of_counters_in_words() -> None:
    bench = Bench()
    bench.tally(0, 0, [0] * 4, [0, 0, 3, 0])
    bench.tally(1, 1, [READS_PER_H] * 4, [0] * 4)
    bench.tally(2, 2, [9 * READS_PER_H] + [2 * READS_PER_H] * 3)
    assert [item.detail for item in of_kind(bench, "counter fault")] == [
        "socket 3: errors fell from 3 to 0",
        f"socket 1: reads rose by {8 * READS_PER_H} in 3600000 ms, at most {READS_PER_H * 11 // 10} are possible",
    ]


def test_a_hostile_boot_is_harmless_in_the_document() -> None:
    bench = Bench()
    for seq in (0, 2, 5, 1):
        bench.tally(seq, seq * 2, [seq * READS_PER_H] * 4, boot=WILD)
    bench.tally(1, 1, [5] * 4, boot=WILD)
    bench.hours(0, 9)
    assert {item.kind for item in bench.figures.intake.noted} == {"conflict", "late", "gap"}
    assert {item.boot for item in bench.figures.intake.noted} == {None, "b\\x1b[31m\\u202e="}
    text = to_json(bench.figures).decode()
    assert all(" " <= char <= "~" for char in text[text.index('"intake"') : text.index('"plan"')])


def test_only_the_latest_of_a_kind_are_kept() -> None:
    bench = Bench(stress={"reorder_hold_s": 0})
    for seq in range(0, 60, 2):
        bench.tally(seq, seq, [seq * READS_PER_H] * 4)
    assert bench.figures.intake.gaps == 29
    assert [item.seq for item in of_kind(bench, "gap")] == list(range(58 - 2 * (NOTED - 1), 60, 2))


def test_each_rack_has_its_latest_verdicts() -> None:
    bench = troubled()
    (rack,) = bench.figures.racks
    assert (rack.rack, rack.judged, rack.refused) == ("oven-1", 11, 2)
    assert rack.reason is not None
    assert rack.reason.startswith("contradicts an earlier message of the same number; latest: Object missing")
    for _ in range(2):
        bench.send(8, "oven-1/1/tally", {"boot": WILD})
    (rack,) = bench.figures.racks
    assert (rack.judged, rack.refused) == (13, 4)
    assert rack.reason is not None
    assert rack.reason.startswith("a field is missing or has a wrong value; latest: Object missing")


def test_a_rack_that_never_spoke_is_in_the_list() -> None:
    (rack,) = Bench().figures.racks
    assert (rack.rack, rack.judged, rack.refused, rack.reason) == ("oven-1", 0, 0, None)


def test_every_reason_has_words() -> None:
    assert set(_WORDS) == set(REFUSED_LETTERS.values())
