"""Wall clocks credit nothing, and a clock of 32 bits that wraps is the counter fault it is.

A tally every 10 s at 100 reads a second, all hours by hand.
"""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.figures import to_json
from monitor.service.account import Account
from tests.ledger.test_against_oracle import campaign_of, facts_of, fold
from tests.ledger.test_snapshot import SMALL, tallies
from tests.oracle.generate import runs

H_MS = 3_600_000
WRAP = 2**32


def wrapping(count: int, first_ms: int) -> list[tuple[int, str, Any]]:
    """Tallies of a controller that keeps ``up_ms`` in 32 bits; its reads counters are sound."""
    return [
        (at, topic, {**payload, "up_ms": (first_ms + payload["up_ms"]) % WRAP})
        for at, topic, payload in tallies(count)
    ]


def test_a_clock_of_32_bits_that_wraps_is_a_counter_fault() -> None:
    """Three tallies before the wrap, then 0, 10 and 20 s (left out; the third opens the account anew), then four more.

    Credited: 2 intervals before and 4 after, 60 s of 90 s; nothing is credited for the 30 s around the wrap.
    """
    account = fold(SMALL, wrapping(10, WRAP - 30_000))
    accounts, counts = account.ledger.accounts, account.ledger.counts
    assert accounts.credited_ms.tolist() == [60_000]
    assert accounts.reads_credited.tolist() == accounts.reads_total.tolist() == [6_000]
    assert accounts.uncredited_ms.sum() == 0
    assert (counts.counter_faults, counts.gaps, counts.late) == (3, 0, 0)
    assert account.figures().exposure.credited_h == 60 / 3600
    noted = account.ledger.notes.kept["counter fault"]
    assert [event.seq for event in noted] == [3, 4, 5]
    assert noted[0].detail == (
        f"up_ms fell from {WRAP - 10_000} to 0; a 32-bit millisecond counter wraps after 49.7 days, "
        "this one must not"
    )
    assert all("49.7 days" in event.detail for event in noted)


def test_a_wrap_before_every_tally_ends_credits_no_more() -> None:
    for count in range(3, 7):
        credited = fold(SMALL, wrapping(count, WRAP - 30_000)).ledger.accounts.credited_ms
        assert credited.tolist() == [20_000]


def test_the_last_number_of_32_bits_is_no_fault_itself() -> None:
    account = fold(SMALL, wrapping(4, WRAP - 1 - 30_000))
    assert account.ledger.accounts.credited_ms.tolist() == [30_000]
    assert account.ledger.counts.counter_faults == 0
    wide = fold(SMALL, [(at, t, {**p, "up_ms": WRAP - 20_000 + p["up_ms"]}) for at, t, p in tallies(5)])
    assert wide.ledger.accounts.credited_ms.tolist() == [40_000], "a clock of more bits goes on"


def test_other_impossible_steps_are_told_in_their_own_words() -> None:
    def steps(*ups_ms: int) -> list[str]:
        told = [
            (0, t, {**p, "up_ms": up}) for (_, t, p), up in zip(tallies(len(ups_ms)), ups_ms, strict=True)
        ]
        return [event.detail for event in fold(SMALL, told).ledger.notes.kept["counter fault"]]

    assert steps(10_000, 5_000) == ["up_ms fell from 10000 to 5000"]
    assert steps(10_000, 10_000) == ["up_ms stood still at 10000"]
    assert steps(0, 745 * H_MS) == [f"up_ms rose from 0 to {745 * H_MS}, more than 744 h in one step"]


JUMPS_MS = [0, H_MS, -H_MS, 24 * H_MS, 1000, -1000, 2**32, -(2**62), 2**62 - 2**42]
"""Daylight saving, a leap day, leap seconds, a wrapped clock, and clocks that are off altogether."""


def with_other_clocks(
    entries: list[tuple[int, str, Any]], jumps_ms: list[int], received_ms: list[int]
) -> list[tuple[int, str, Any]]:
    """The same run under other wall clocks: one jump for each identity, any time of receipt for each arrival."""
    jump_of: dict[tuple[Any, ...], int] = {}
    told = []
    for k, (_, topic, payload) in enumerate(entries):
        identity = (topic, payload["boot"], payload.get("seq"), payload.get("n"))
        jump = jump_of.setdefault(identity, jumps_ms[len(jump_of) % len(jumps_ms)])
        moved = copy.copy(payload)
        moved["t_ms"] += jump
        told.append((received_ms[k % len(received_ms)], topic, moved))
    return told


@settings(max_examples=25)
@given(
    runs(),
    st.lists(st.sampled_from(JUMPS_MS) | st.integers(-(2**61), 2**61), min_size=1, max_size=20),
    st.lists(st.integers(-(2**61), 2**61), min_size=1, max_size=20),
)
def test_no_wall_clock_changes_a_credited_hour(
    run: tuple[dict[str, Any], list[tuple[int, str, Any]]], jumps_ms: list[int], received_ms: list[int]
) -> None:
    facts, entries = run
    told = with_other_clocks(entries, jumps_ms, received_ms)
    usual, other = fold(facts, entries), fold(facts, told)
    assert facts_of(other) == facts_of(usual)
    shown, expected = other.figures(), usual.figures()
    assert to_json(shown)
    assert (shown.exposure, shown.reads, shown.mechanisms) == (
        expected.exposure,
        expected.reads,
        expected.mechanisms,
    )
    assert (other.ledger.accounts.low == usual.ledger.accounts.low).all()
    assert (other.ledger.accounts.high == usual.ledger.accounts.high).all()


def test_the_host_s_clock_alone_changes_nothing_but_times() -> None:
    """The receive times run backwards over a leap day and a change to winter time."""
    usual = Account(campaign_of(SMALL))
    entries = [(1_709_251_200_000 - at * H_MS, t, p) for at, t, p in tallies(30)]
    backwards, forwards = fold(SMALL, entries), fold(SMALL, tallies(30))
    assert facts_of(backwards) == facts_of(forwards)
    assert backwards.ledger.accounts.credited_ms.tolist() == [290_000]
    assert usual.ledger.accounts.credited_ms.tolist() == [0]
