"""Coverage of the field life.

Sources: the definition of a year as 365.25 days = 8766 h (the Julian year of the IAU; scipy.constants); AEC-Q100
appendix 7 as quoted second hand (12 000 h of operation in 15 years of 8760 h). The fleets are invented.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import Coverage, coverage, field_hours, field_reads


def test_a_year_is_the_julian_one() -> None:
    assert field_hours(1) == scipy.constants.Julian_year / scipy.constants.hour == 8766
    assert field_reads(1, 1) == scipy.constants.Julian_year / scipy.constants.day == 365.25


def test_field_hours_against_the_365_day_convention() -> None:
    """With 8760 h a year, 15 years are 131 400 h and 10 are 87 600 h (AEC-Q100 app. 7, read second hand)."""
    assert field_hours(15) == 131_490
    assert field_hours(15) == pytest.approx(131_400, rel=7e-4)
    assert field_hours(10) == pytest.approx(87_600, rel=7e-4)


def test_field_reads_of_the_invented_campaign() -> None:
    assert field_reads(5.0e5, 15) == 5.0e5 * 5478.75  # days in 15 years, by hand


def test_a_fleet_by_hand() -> None:
    """Four chips of invented credit against 200 h: ratios 0, 0.5, 1, 2."""
    assert coverage(np.array([100.0, 0.0, 400.0, 200.0]), 200.0) == Coverage(
        least=0.0, median=0.75, most=2.0, fleet=3.5
    )
    assert coverage([7], 2.0) == Coverage(3.5, 3.5, 3.5, 3.5)


@given(
    amounts=st.lists(st.integers(0, 2**53), min_size=1, max_size=50),
    required=st.floats(1e-3, 1e12),
    seed=st.randoms(use_true_random=False),
)
def test_order_of_chips_never_shows(amounts: list[int], required: float, seed: object) -> None:
    one = coverage(np.array(amounts, dtype=np.int64), required)
    seed.shuffle(amounts)
    assert coverage(np.array(amounts, dtype=np.int64), required) == one
    assert one.least <= one.median <= one.most <= one.fleet * (1 + 1e-15)
    assert one.fleet == pytest.approx(sum(amounts) / required, rel=1e-15)


@pytest.mark.parametrize(
    ("amounts", "required", "message"),
    [
        ([], 1.0, r"amounts .*shape \(0,\)"),
        ([[1.0]], 1.0, r"amounts .*shape \(1, 1\)"),
        ([1.0, -0.5], 1.0, r"amounts .*got -0\.5"),
        ([1.0, math.nan], 1.0, r"amounts .*got nan"),
        ([1.0], 0.0, r"required .*got 0\.0"),
        ([1.0], math.inf, r"required .*got inf"),
    ],
)
def test_refusals(amounts: list[float], required: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        coverage(amounts, required)


def test_life_out_of_range() -> None:
    with pytest.raises(ValueError, match=r"life_years .*got 0"):
        field_hours(0)
    with pytest.raises(ValueError, match=r"reads_per_day .*got -1"):
        field_reads(-1, 15)
    with pytest.raises(ValueError, match=r"life_years .*got nan"):
        field_reads(1, math.nan)
