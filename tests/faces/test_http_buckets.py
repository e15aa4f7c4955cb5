"""Token buckets: they empty, fill with time, and neither grow without bound nor let one key touch another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.faces.buckets import Buckets


def test_a_bucket_empties_and_says_how_long_to_wait() -> None:
    buckets = Buckets(per_s=2.0, burst=3.0, most=10)
    assert [buckets.take("a", 0.0) for _ in range(3)] == [0.0, 0.0, 0.0]
    assert buckets.take("a", 0.0) == pytest.approx(0.5)
    assert buckets.take("a", 0.4) == pytest.approx(0.1), "asking in vain costs nothing"
    assert buckets.take("a", 0.5) == 0.0
    assert buckets.take("b", 0.5) == 0.0, "another key has a bucket of its own"


def test_a_bucket_holds_no_more_than_its_burst() -> None:
    buckets = Buckets(per_s=5.0, burst=2.0, most=10)
    buckets.take("a", 0.0)
    assert [buckets.take("a", 1e6) == 0.0 for _ in range(3)] == [True, True, False]


def test_a_clock_that_steps_back_gives_nothing_and_takes_nothing() -> None:
    buckets = Buckets(per_s=1.0, burst=1.0, most=10)
    assert buckets.take("a", 100.0) == 0.0
    assert buckets.take("a", 50.0) == pytest.approx(1.0)
    assert buckets.take("a", 100.5) == pytest.approx(0.5)


def test_the_key_not_seen_for_longest_is_forgotten() -> None:
    buckets = Buckets(per_s=1e-9, burst=1.0, most=2)
    buckets.take("a", 0.0)
    buckets.take("b", 1.0)
    assert buckets.take("a", 2.0) > 0
    buckets.take("c", 3.0)
    assert len(buckets) == 2
    assert buckets.take("a", 4.0) > 0, "seen of late"
    assert buckets.take("b", 5.0) == 0.0, "forgotten, so full again"


@given(
    st.lists(st.tuples(st.sampled_from("abcdef"), st.floats(0, 5)), max_size=200),
    st.floats(0.1, 10),
    st.integers(1, 8),
)
def test_no_key_gets_more_than_its_burst_and_what_time_gives(
    asked: list[tuple[str, float]], per_s: float, burst: int
) -> None:
    buckets = Buckets(per_s, burst, most=6)
    now_s, got = 0.0, dict.fromkeys("abcdef", 0)
    for key, later_s in asked:
        now_s += later_s
        got[key] += buckets.take(key, now_s) == 0.0
        assert got[key] <= burst + now_s * per_s + 1e-6
        assert len(buckets) <= 6
