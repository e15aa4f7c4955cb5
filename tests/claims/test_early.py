"""Early-life failure rate.

Sources: at shape 1 the chi-square bound of `test_bounds`; the rule of the decreasing rate in its own terms; sums of
unequal hours computed with mpmath (more of these in `tests/published/early_life.py`).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import fixed_look_bound, poisson_upper_count
from monitor.claims.early import EarlyLife, early_life

FAILURES = st.integers(0, 5)
CHIPS = st.integers(5, 3000)
STRESS_H = st.floats(1, 500)
FACTORS = st.floats(1, 1000)
EARLY_H = st.floats(100, 10_000)
SHAPES = st.floats(0.1, 1)
QUICK = settings(max_examples=40, deadline=None)


@QUICK
@given(FAILURES, CHIPS, STRESS_H, FACTORS, EARLY_H)
def test_constant_rate_is_the_chi_square_bound(
    failures: int, chips: int, stress_h: float, factor: float, early_h: float
) -> None:
    """``1e9 chi2(C, 2 r + 2) / (2 A N t_A)``, and FIT times hours over 1000 in ppm."""
    result = early_life(failures, chips, stress_h, factor, early_h, 0.6)
    fit = fixed_look_bound(failures, chips * stress_h * factor, 0.6).fit_upper
    assert fit is not None
    assert result.fit_upper == pytest.approx(fit, rel=1e-12)
    assert result.ppm_upper == pytest.approx(fit * early_h / 1000, rel=1e-12)


@QUICK
@given(FAILURES, CHIPS, STRESS_H, FACTORS, EARLY_H, SHAPES)
def test_decreasing_rate_scales_the_fraction_shown(  # noqa: PLR0917  one argument per input
    failures: int, chips: int, stress_h: float, factor: float, early_h: float, shape: float
) -> None:
    result = early_life(failures, chips, stress_h, factor, early_h, 0.9, shape=shape)
    shown_ppm = 1e6 * poisson_upper_count(failures, 0.9) / chips
    assert result.ppm_upper == pytest.approx(shown_ppm * (early_h / (factor * stress_h)) ** shape, rel=1e-11)


@QUICK
@given(FAILURES, CHIPS, STRESS_H, FACTORS, EARLY_H, SHAPES)
def test_decreasing_rate_is_the_more_severe_one_where_the_stress_covers_the_early_life(  # noqa: PLR0917  one argument per input
    failures: int, chips: int, stress_h: float, factor: float, early_h: float, shape: float
) -> None:
    falling, constant = (
        early_life(failures, chips, stress_h, factor, early_h, 0.6, shape=each) for each in (shape, 1.0)
    )
    assert falling.ppm_upper is not None
    assert constant.ppm_upper is not None
    if falling.covers:
        assert falling.ppm_upper >= constant.ppm_upper * (1 - 1e-12)
    else:
        assert falling.ppm_upper <= constant.ppm_upper * (1 + 1e-12)


def test_chips_of_unequal_hours() -> None:
    """1200 chips of 48 h and 1200 of 24 h, factor 50, 1 failure, 90 %, shape 0.5, 2000 h: computed with mpmath."""
    hours = [48.0] * 1200 + [24.0] * 1200
    result = early_life(1, 2400, hours, 50, 2000, 0.9, shape=0.5)
    assert result.ppm_upper == pytest.approx(1733.3481541357, rel=1e-12)
    factors = np.array(hours) * 50 / 48  # the same hours of use, the factor unequal
    assert early_life(1, 2400, 48, factors, 2000, 0.9, shape=0.5).ppm_upper == pytest.approx(
        1733.3481541357, rel=1e-12
    )


@pytest.mark.parametrize(
    ("failures", "stress_h", "covering", "covers"),
    [
        (0, [48, 48, 48], 3, True),
        (0, [48, 48, 47.9], 2, False),  # a chip pulled early
        (1, [48, 48, 10], 2, True),  # the short one may be the one that failed
        (1, [48, 10, 10], 1, False),
        (3, [1, 2, 3], 0, False),
        (0, [0, 0, 0], 0, False),
    ],
)
def test_whether_the_stress_covers_the_early_life(
    failures: int, stress_h: list[float], covering: int, covers: bool
) -> None:
    result = early_life(failures, 3, stress_h, 100, 4800, 0.6)
    assert (result.chips_covering, result.covers) == (covering, covers)


def test_without_exposure() -> None:
    assert early_life(0, 3, 0, 50, 1000, 0.6) == EarlyLife(0.6, 1.0, 1000, None, None, 0, False)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"failures": -1}, "failures must be a whole number, 0 or more; got -1"),
        ({"chips": 0.5}, r"chips must be a whole number, 0 or more; got 0\.5"),
        ({"failures": 0, "chips": 0}, "chips must be at least 1 and the number of failures, 0; got 0"),
        ({"failures": 4}, "chips must be at least 1 and the number of failures, 4; got 3"),
        ({"stress_h": -1.0}, r"stress_h must be finite numbers, 0 or more; got -1\.0"),
        ({"stress_h": [1, 2]}, "stress_h must be one number, or one per chip, 3; got 2"),
        ({"acceleration": 0}, r"acceleration must be a finite number above 0; got 0\.0"),
        ({"acceleration": [1, 2]}, "acceleration must be one number, or one per chip, 3; got 2"),
        ({"acceleration": math.nan}, "acceleration must be finite numbers, 0 or more; got nan"),
        ({"early_life_h": 0}, "early_life_h must be a finite number above 0; got 0"),
        ({"confidence": 60}, "confidence must lie between 0 and 1, both excluded; got 60"),
        ({"shape": 0}, "shape must be above 0 and at most 1, for a rate that does not rise; got 0"),
        ({"shape": 1.5}, r"shape must be above 0 and at most 1, for a rate that does not rise; got 1\.5"),
    ],
)
def test_refusals(changed: dict[str, Any], message: str) -> None:
    sound = {
        "failures": 1,
        "chips": 3,
        "stress_h": 48,
        "acceleration": 50,
        "early_life_h": 1000,
        "confidence": 0.6,
    }
    with pytest.raises(ValueError, match=message):
        early_life(**(sound | changed))
