"""The way to the target rate.

Sources: a reference table for 231 chips and 100 FIT computed with mpmath (it uses nothing of this package); the same
walk done by hand in mpmath here.
"""

from __future__ import annotations

import math

import mpmath
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import (
    HoursToGo,
    Mechanism,
    UseCondition,
    acceleration_factor,
    anytime_upper_count,
    anytime_upper_fit,
    hours_to_go,
    poisson_upper_count,
    required_equivalent_h,
)

CHIPS = 231
NOW_H = 400.0
TARGET_FIT = 100.0
FACTOR = float(
    acceleration_factor(Mechanism("charge-loss", 0.7), [UseCondition(1.0, 55.0, 1.8)], 125.0, 1.8, 0.0)
)

# (kind of bound, confidence) -> clock hours in all, still to go, still to go when one chip fails now
REFERENCE = {
    (poisson_upper_count, 0.60): (510.864450649, 110.864450649, 730.674163347),
    (anytime_upper_count, 0.60): (620.354705801, 220.354705801, 1618.03558202),
    (poisson_upper_count, 0.90): (1283.77252731, 883.772527305, 1776.34620804),
    (anytime_upper_count, 0.90): (1523.30981174, 1123.30981174, 2601.48182987),
}


@pytest.mark.parametrize(("kind", "confidence"), REFERENCE.keys())
def test_reference_walk(kind: object, confidence: float) -> None:
    assert pytest.approx(17936.083254775, rel=1e-12) == CHIPS * FACTOR
    count_now, count_one_more = kind(0, confidence), kind(1, confidence)
    total, remaining, one_more = REFERENCE[kind, confidence]
    to_go = hours_to_go(count_now, count_one_more, TARGET_FIT, NOW_H * CHIPS * FACTOR, CHIPS, FACTOR)
    assert to_go.none == pytest.approx(remaining, rel=1e-10)
    assert to_go.one_more == pytest.approx(one_more, rel=1e-10)
    assert required_equivalent_h(count_now, TARGET_FIT) / (CHIPS * FACTOR) == pytest.approx(total, rel=1e-10)


def test_required_hours_at_zero_failures_by_closed_form() -> None:
    """At no failures the fixed-look count is log(1 / alpha), by mpmath: 10 FIT at 90 % asks 2.3e8 equivalent hours."""
    expected = float(mpmath.log(10) * mpmath.mpf(10) ** 9 / 10)
    assert required_equivalent_h(poisson_upper_count(0, 0.9), 10) == pytest.approx(expected, rel=1e-14)


def test_met_already_is_zero_hours() -> None:
    assert hours_to_go(2.0, 4.0, 1e9, 4.0, 10, 5.0) == HoursToGo(0.0, 0.0)
    assert hours_to_go(2.0, 4.0, 1e9, 2.0, 10, 5.0) == HoursToGo(0.0, 2.0 / 45)
    assert hours_to_go(2.0, 4.0, 1e9, 4.0, 0, 5.0) == HoursToGo(0.0, 0.0)


def test_nobody_left_to_credit_is_none() -> None:
    assert hours_to_go(2.0, 4.0, 1e9, 1.0, 0, 5.0) == HoursToGo(None, None)
    assert hours_to_go(2.0, 4.0, 1e9, 1.0, 1, 5.0) == HoursToGo(0.2, None)
    for no_factor in (0.0, -1.0, math.nan):
        assert hours_to_go(2.0, 4.0, 1e9, 1.0, 10, no_factor) == HoursToGo(None, None)


@given(
    failures=st.integers(0, 50),
    confidence=st.floats(0.5, 0.99),
    chips=st.integers(2, 1000),
    factor=st.floats(0.1, 1e4),
    done=st.floats(0, 0.9),
)
def test_walking_those_hours_meets_the_target(
    failures: int, confidence: float, chips: int, factor: float, done: float
) -> None:
    now, one_more = (anytime_upper_count(r, confidence) for r in (failures, failures + 1))
    equivalent_h = done * required_equivalent_h(now, TARGET_FIT)
    to_go = hours_to_go(now, one_more, TARGET_FIT, equivalent_h, chips, factor)
    assert to_go.none is not None
    assert to_go.one_more is not None
    for r, credited_h in (
        (failures, to_go.none * chips * factor),
        (failures + 1, to_go.one_more * (chips - 1) * factor),
    ):
        assert anytime_upper_fit(r, equivalent_h + credited_h, confidence, 5.0) == pytest.approx(
            TARGET_FIT, rel=1e-12
        )
    assert to_go.one_more > to_go.none


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"count_now": 0.0}, r"count must .*got 0\.0"),
        ({"count_one_more": 1.0}, r"count_one_more must be at least count_now, 2\.0; got 1\.0"),
        ({"target_fit": 0.0}, r"target_fit .*got 0\.0"),
        ({"equivalent_h": -1.0}, r"equivalent_h .*got -1\.0"),
        ({"equivalent_h": math.nan}, r"equivalent_h .*got nan"),
        ({"chips_at_risk": -1}, r"chips_at_risk .*got -1"),
        ({"acceleration": math.inf}, r"acceleration .*got inf"),
    ],
)
def test_refusals(change: dict[str, float], message: str) -> None:
    good = {
        "count_now": 2.0,
        "count_one_more": 4.0,
        "target_fit": 100.0,
        "equivalent_h": 1.0,
        "chips_at_risk": 10,
        "acceleration": 50.0,
    }
    with pytest.raises(ValueError, match=message):
        hours_to_go(**(good | change))
