"""What happens to messages on their way, on streams made by hand."""

from __future__ import annotations

from collections import Counter

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from shared.messages import Presence, Tally
from shared.topics import Kind
from simulator.faults import Cut, Event, cut_off, disturb, lose

SEED = 3


def tally(seq: int, at_ms: int) -> Event:
    message = Tally(
        v=1, boot="b", seq=seq, t_ms=at_ms, up_ms=at_ms, temp_c=None, supply_v=None, reads=[], errors=[]
    )
    return Event(at_ms, at_ms, "oven-1", 1, Kind.TALLY, message)


def presence(at_ms: int, *, online: bool) -> Event:
    boards = [1] if online else []
    message = Presence(v=1, online=online, boot="b", t_ms=at_ms, boards=boards)
    return Event(at_ms, at_ms, "oven-1", 0, Kind.PRESENCE, message)


def stream(count: int = 1000, step_ms: int = 1000) -> list[Event]:
    return [presence(0, online=True), *(tally(seq, step_ms * (seq + 1)) for seq in range(count))]


def seqs(events: list[Event]) -> list[int]:
    return [event.message.seq for event in events if isinstance(event.message, Tally)]


@given(st.integers(0, 2**32), st.floats(0, 0.4), st.floats(0, 0.4), st.integers(1, 20_000))
def test_disturbing_repeats_and_moves_but_never_loses(
    seed: int, duplicates: float, reorders: float, delay_ms: int
) -> None:
    before = stream(200)
    after = list(disturb(before, duplicates, reorders, delay_ms, np.random.default_rng(seed)))
    fates = Counter(event.fate for event in after)
    assert len(after) == len(before) + fates["copy"]
    assert sorted(seqs([event for event in after if event.fate != "copy"])) == seqs(before)
    assert [event.arrive_ms for event in after] == sorted(event.arrive_ms for event in after)
    assert all(0 <= event.arrive_ms - event.at_ms <= delay_ms for event in after)
    assert all(event.arrive_ms == event.at_ms for event in after if not event.fate)


def test_shares_of_duplicates_and_moved_messages_are_as_ordered() -> None:
    """Oracle: five standard deviations of the binomial distribution around n p."""
    after = list(disturb(stream(20_000), 0.05, 0.1, 5000, np.random.default_rng(SEED)))
    fates = Counter(event.fate for event in after)
    assert abs(fates["copy"] - 1000) < 5 * (20_000 * 0.05 * 0.95) ** 0.5
    assert abs(fates["moved"] - 2000) < 5 * (20_000 * 0.1 * 0.9) ** 0.5
    assert seqs(after) != sorted(seqs(after))


def test_nothing_is_disturbed_at_rate_zero() -> None:
    assert list(disturb(stream(), 0.0, 0.0, 1000, np.random.default_rng(SEED))) == stream()


def test_lost_messages_are_told_and_presence_is_never_lost() -> None:
    lost: list[Event] = []
    kept = list(lose(stream(), 0.3, np.random.default_rng(SEED), lost.append))
    assert kept[0].kind is Kind.PRESENCE
    assert sorted([*seqs(kept), *seqs(lost)]) == list(range(1000))
    assert 200 < len(lost) < 400


def test_an_outage_holds_back_and_lets_go_oldest_first_before_anything_newer() -> None:
    cuts = [
        Cut(a, b, presence(a, online=False), presence(b, online=True))
        for a, b in ((3500, 6500), (8000, 9000))
    ]
    own = presence(5500, online=True)
    events = sorted([*stream(10), own], key=lambda event: event.at_ms)
    after = list(cut_off(events, cuts))
    assert seqs(after) == list(range(10))
    assert own not in after
    told = [(event.arrive_ms, event.message.online) for event in after if isinstance(event.message, Presence)]
    assert told == [(0, True), (3500, False), (6500, True), (8000, False), (9000, True)]
    arrivals = [event.arrive_ms for event in after if event.kind is Kind.TALLY]
    assert arrivals == [1000, 2000, 3000, 6500, 6500, 6500, 7000, 9000, 9000, 10000]
    assert [event.arrive_ms for event in after] == sorted(event.arrive_ms for event in after)


def test_an_outage_in_which_nothing_is_sent_is_still_seen() -> None:
    cut = Cut(1200, 1300, presence(1200, online=False), presence(1300, online=True))
    after = list(cut_off(stream(3), [cut]))
    assert [event.arrive_ms for event in after] == [0, 1000, 1200, 1300, 2000, 3000]
