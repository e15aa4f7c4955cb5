"""What a rack keeps until the monitor has it: laws of the spool, with time given as data."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from shared.messages import Receipt, ReceiptBoot
from shared.topics import Kind
from simulator.spool import Entry, Spool, StreamId

TALLY = StreamId("boot-1", Kind.TALLY, 1)
ERROR = StreamId("boot-1", Kind.ERROR, 1)


def receipt(run: str = "run-1", *, tally: int | None = None, error: int | None = None) -> Receipt:
    boards = ReceiptBoot(
        tally={} if tally is None else {"1": tally}, error={} if error is None else {"1": error}
    )
    return Receipt(v=1, run=run, t_ms=0, boots={"boot-1": boards})


def filled(count: int = 5, stream: StreamId = TALLY, sent_s: float = 0.0) -> Spool:
    spool = Spool()
    for number in range(count):
        spool.add(stream, number, "t", b"{}").sent_s = sent_s
    return spool


def numbers(entries: list[Entry]) -> list[int]:
    return [entry.number for entry in entries]


def test_a_receipt_covers_up_to_its_mark_and_only_its_stream() -> None:
    spool = filled()
    spool.add(ERROR, 0, "t", b"{}")
    spool.take(receipt(tally=2), 1.0)
    assert [(entry.stream.kind, entry.number) for entry in spool.all()] == [
        (Kind.TALLY, 3),
        (Kind.TALLY, 4),
        (Kind.ERROR, 0),
    ]
    assert (len(spool), spool.covered) == (3, 3)
    spool.take(receipt(tally=9, error=0), 2.0)
    assert (len(spool), spool.covered, spool.boots()) == (0, 6, set())


def test_a_receipt_of_an_unknown_boot_or_an_odd_board_covers_nothing() -> None:
    spool = filled()
    odd = ReceiptBoot(tally={"1x": 9, "²": 9, "": 9}, error={})
    spool.take(Receipt(v=1, run="r", t_ms=0, boots={"boot-0": odd, "boot-1": odd}), 1.0)
    assert len(spool) == 5


def test_what_a_receipt_has_covered_is_not_kept_again_until_a_new_run() -> None:
    spool = filled()
    spool.take(receipt(tally=4), 1.0)
    spool.add(TALLY, 3, "t", b"{}")
    assert len(spool) == 0
    spool.take(receipt("run-2", tally=1), 2.0)
    spool.add(TALLY, 3, "t", b"{}")
    assert numbers(spool.all()) == [3], "a new run forgets the earlier receipts"


def test_an_older_receipt_of_the_same_run_takes_nothing_back() -> None:
    spool = filled()
    spool.take(receipt(tally=3), 1.0)
    spool.take(receipt(tally=1), 2.0)
    assert numbers(spool.all()) == [4]


def test_overdue_is_what_was_sent_long_ago_and_whose_stream_does_not_move() -> None:
    spool = filled(4, sent_s=0.0)
    spool.add(TALLY, 4, "t", b"{}").sent_s = 15.0
    spool.add(TALLY, 5, "t", b"{}")
    assert numbers(spool.overdue(19.9, 20.0)) == []
    assert numbers(spool.overdue(20.0, 20.0)) == [0, 1, 2, 3]
    spool.take(receipt(tally=0), 10.0)
    assert numbers(spool.overdue(20.0, 20.0)) == [], "it is slow, not lost"
    assert numbers(spool.overdue(30.0, 20.0)) == [1, 2, 3]
    assert numbers(spool.overdue(35.0, 20.0)) == [1, 2, 3, 4]


def test_a_stream_that_stands_still_is_overdue_though_another_moves() -> None:
    spool = filled(2, sent_s=0.0)
    spool.add(ERROR, 0, "t", b"{}").sent_s = 0.0
    spool.take(receipt(tally=0), 19.0)
    assert [entry.stream for entry in spool.overdue(20.0, 20.0)] == [ERROR]


def test_one_entry_can_be_dropped_once() -> None:
    spool = filled(2)
    first = spool.all()[0]
    spool.drop(first)
    spool.drop(first)
    assert (numbers(spool.all()), spool.covered) == ([1], 1)


@given(st.lists(st.one_of(st.integers(0, 30), st.tuples(st.sampled_from(["r1", "r2"]), st.integers(0, 30)))))
def test_nothing_is_dropped_that_no_receipt_covers(steps: list[int | tuple[str, int]]) -> None:
    """Against a plain list: kept is what was added and is above every mark that came while it was there, by number."""
    spool, kept, mark, run = Spool(), [], -1, ""
    for step in steps:
        if isinstance(step, int):
            spool.add(TALLY, step, "t", b"{}")
            if step > mark and step not in kept:
                kept.append(step)
        else:
            mark = step[1] if step[0] != run else max(mark, step[1])
            run = step[0]
            spool.take(receipt(run, tally=step[1]), 0.0)
            kept = [number for number in kept if number > mark]
    assert numbers(spool.all()) == sorted(kept)


def test_a_stream_goes_out_by_its_numbers_in_whatever_order_they_came() -> None:
    spool = Spool()
    for number in (0, 2, 1, 3):
        spool.add(TALLY, number, "t", b"{}").sent_s = 0.0
    assert numbers(spool.all()) == numbers(spool.overdue(20.0, 20.0)) == [0, 1, 2, 3]


def test_no_error_message_goes_before_the_tallies_that_came_before_it() -> None:
    spool = filled(3)
    spool.add(ERROR, 0, "t", b"{}")
    spool.add(TALLY, 3, "t", b"{}")
    assert [(entry.stream, entry.number) for entry in spool.oldest()] == [(TALLY, 0)]
    assert [(entry.stream, entry.number) for entry in spool.oldest(3)][-1] == (ERROR, 0)
    spool.take(receipt(tally=3), 1.0)
    assert [(entry.stream, entry.number) for entry in spool.oldest()] == [(ERROR, 0)], (
        "none is left before it"
    )


def test_the_oldest_is_the_first_of_each_stream_of_the_oldest_boot() -> None:
    spool = filled(1)
    spool.add(ERROR, 0, "t", b"{}")
    spool.add(StreamId("boot-2", Kind.TALLY, 1), 0, "t", b"{}")
    assert [(entry.stream, entry.number) for entry in spool.oldest()] == [(TALLY, 0), (ERROR, 0)]
    spool.take(receipt(tally=0, error=0), 1.0)
    assert [entry.stream.boot for entry in spool.oldest()] == ["boot-2"]
    assert Spool().oldest() == []
