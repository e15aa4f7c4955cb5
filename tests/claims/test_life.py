"""Reliability shown where the Weibull shape is known.

Sources: the formula itself evaluated with mpmath; at shape 1 the bounds of `test_bounds`; at no failures the exact
binomial limit; a seeded simulation. A table computed with mpmath stands in `tests/published/weibayes.py`.
"""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import anytime_upper_count, anytime_upper_fit, fixed_look_bound, poisson_upper_count
from monitor.claims.binomial import binomial_upper
from monitor.claims.life import LifeBound, weibayes

HOURS = st.floats(1e-3, 1e15)
SHAPES = st.floats(0.1, 10)
COUNTS = st.floats(0.01, 1e4)
QUICK = settings(max_examples=40, deadline=None)


@QUICK
@given(st.lists(HOURS, min_size=1, max_size=20), COUNTS, SHAPES, HOURS)
def test_the_formula_in_mpmath(hours: list[float], count: float, shape: float, mission_h: float) -> None:
    bound = weibayes(hours, count, shape, mission_h)
    with mpmath.workdps(40):
        total = mpmath.fsum(mpmath.mpf(time) ** shape for time in hours)
        expected = mpmath.mpf(count) * mpmath.mpf(mission_h) ** shape / total
        assert bound.eta_lower_h == pytest.approx(
            float((total / count) ** (1 / mpmath.mpf(shape))), rel=1e-12
        )
        assert bound.average_fit_upper == pytest.approx(float(1e9 * expected / mission_h), rel=1e-12)
        assert bound.failed_upper == pytest.approx(float(-mpmath.expm1(-expected)), rel=1e-11)
        assert bound.reliability_lower == pytest.approx(float(mpmath.exp(-expected)), rel=1e-9, abs=1e-300)


def test_far_hours_and_a_steep_shape() -> None:
    """1e15, 5e14 and 1e-3 h, shape 10, 90 %: sums of 1e150, computed with mpmath."""
    bound = weibayes([1e15, 5e14, 1e-3], math.log(10), 10, 1e14)
    assert bound.eta_lower_h == pytest.approx(920069897825776.69, rel=1e-13)
    assert bound.failed_upper == pytest.approx(2.3003386685130759e-10, rel=1e-12)
    assert bound.average_fit_upper == pytest.approx(2.3003386685130759e-15, rel=1e-12)


@QUICK
@given(st.integers(1, 10**4), HOURS, SHAPES, st.floats(0.01, 0.999))
def test_no_failures_is_the_exact_binomial_limit_at_the_hours_tested(
    chips: int, time_h: float, shape: float, confidence: float
) -> None:
    """``R(t) >= (1 - C)^(1/n)`` whatever the shape."""
    bound = weibayes(np.full(chips, time_h), poisson_upper_count(0, confidence), shape, time_h)
    assert bound.reliability_lower == pytest.approx((1 - confidence) ** (1 / chips), rel=1e-10)
    assert bound.failed_upper == pytest.approx(binomial_upper(0, chips, confidence), rel=1e-10)


@QUICK
@given(st.lists(HOURS, min_size=1, max_size=20), st.integers(0, 20), HOURS)
def test_shape_1_is_the_constant_rate(hours: list[float], failures: int, mission_h: float) -> None:
    fixed = weibayes(hours, poisson_upper_count(failures, 0.9), 1, mission_h)
    anytime = weibayes(hours, anytime_upper_count(failures, 0.9), 1, mission_h)
    total_h = math.fsum(hours)
    assert fixed.average_fit_upper == pytest.approx(
        fixed_look_bound(failures, total_h, 0.9).fit_upper, rel=1e-12
    )
    assert anytime.average_fit_upper == pytest.approx(
        anytime_upper_fit(failures, total_h, 0.9, 5.0), rel=1e-12
    )


@QUICK
@given(st.lists(HOURS, min_size=1, max_size=10), COUNTS, SHAPES, HOURS, st.floats(1.01, 100))
def test_more_failures_and_longer_missions_show_less_and_more_hours_more(
    hours: list[float], count: float, shape: float, mission_h: float, factor: float
) -> None:
    bound = weibayes(hours, count, shape, mission_h)
    fewer = weibayes(hours, count / factor, shape, mission_h)
    longer = weibayes(np.array(hours) * factor, count, shape, mission_h)
    earlier = weibayes(hours, count, shape, mission_h / factor)
    for better in (fewer, longer, earlier):
        assert _all(better)["failed_upper"] <= _all(bound)["failed_upper"]
        assert _all(better)["reliability_lower"] >= _all(bound)["reliability_lower"]
    assert _all(fewer)["eta_lower_h"] > _all(bound)["eta_lower_h"]
    assert _all(longer)["eta_lower_h"] == pytest.approx(factor * _all(bound)["eta_lower_h"], rel=1e-10)


def _all(bound: LifeBound) -> dict[str, float]:
    """The results, none of them None."""
    names = ("eta_lower_h", "reliability_lower", "failed_upper", "average_fit_upper")
    values = {name: getattr(bound, name) for name in names}
    assert None not in values.values()
    return values


def test_the_characteristic_life_is_where_e_to_the_minus_1_is_good() -> None:
    eta = weibayes([300, 700, 1000], 3.9, 1.7, 1).eta_lower_h
    assert eta is not None
    assert weibayes([300, 700, 1000], 3.9, 1.7, eta).reliability_lower == pytest.approx(
        math.exp(-1), rel=1e-12
    )


def test_chips_without_hours_add_nothing() -> None:
    assert weibayes([0, 500, 0], 2.3, 2, 100) == weibayes([500], 2.3, 2, 100)
    assert weibayes(500, 2.3, 2, 100) == weibayes([500], 2.3, 2, 100)


@pytest.mark.parametrize("hours", [[], [0.0], [0.0, 0.0]])
def test_without_exposure(hours: list[float]) -> None:
    assert weibayes(hours, 2.3, 2, 100) == LifeBound(2, 100, 2.3, None, None, None, None)


def test_beyond_floating_point_are_the_nearest_numbers() -> None:
    assert weibayes([1e15] * 10**4, 1, 0.01, 1).eta_lower_h == pytest.approx(1.797e308, rel=1e-3)
    hopeless = weibayes([1.0], 1, 100, 1e15)
    assert (hopeless.reliability_lower, hopeless.failed_upper) == (0.0, 1.0)
    assert hopeless.average_fit_upper == pytest.approx(1.797e308, rel=1e-3)


@pytest.mark.parametrize(("shape", "confidence"), [(0.5, 0.9), (2.0, 0.6), (3.0, 0.95)])
def test_simulated_campaigns_watched_all_the_time(shape: float, confidence: float) -> None:
    """200 seeded campaigns of 20 chips to the last failure: how often does the anytime bound ever exceed the truth?

    The worst moment after r failures is just before the next one. One in a thousand is allowed for chance.
    """
    lives = np.sort(np.random.default_rng(20260101).weibull(shape, size=(200, 20)))  # true eta: 1 h
    counts = [anytime_upper_count(r, confidence) for r in range(20)]

    def ever_wrong(campaign: np.ndarray) -> bool:
        looks = (weibayes(np.minimum(campaign, campaign[r]), counts[r], shape, 1) for r in range(20))
        return any(_all(look)["eta_lower_h"] > 1 for look in looks)

    wrong = sum(ever_wrong(campaign) for campaign in lives)
    assert 0 < wrong <= scipy.stats.binom.ppf(0.999, 200, 1 - confidence)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_hours_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"equivalent_h must .*got {bad}"):
        weibayes([1.0, bad], 1, 1, 1)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_other_arguments_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"upper_count must .*got {bad}"):
        weibayes([], bad, 1, 1)
    with pytest.raises(ValueError, match=rf"shape must .*got {bad}"):
        weibayes([], 1, bad, 1)
    with pytest.raises(ValueError, match=rf"mission_h must .*got {bad}"):
        weibayes([], 1, 1, bad)


def test_a_table_of_hours_is_refused() -> None:
    with pytest.raises(ValueError, match="equivalent_h must be one number per chip; got 2 dimensions"):
        weibayes([[1.0, 2.0]], 1, 1, 1)
