"""Exact limits on a proportion.

Sources: scipy's exact interval; the defining tail by mpmath, also where scipy's own search would stop. R's values stand
in `tests/published/weibayes.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import mpmath
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import poisson_upper_count
from monitor.claims.binomial import binomial_lower, binomial_upper

CONFIDENCES = st.floats(0.01, 0.999)
QUICK = settings(max_examples=40, deadline=None)


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    chips = draw(st.integers(1, 2000))
    return draw(st.integers(0, chips)), chips


@QUICK
@given(counts(), CONFIDENCES)
def test_scipys_exact_interval(case: tuple[int, int], confidence: float) -> None:
    failures, chips = case
    upper = scipy.stats.binomtest(failures, chips, alternative="less").proportion_ci(confidence, "exact").high
    lower = (
        scipy.stats.binomtest(failures, chips, alternative="greater").proportion_ci(confidence, "exact").low
    )
    assert binomial_upper(failures, chips, confidence) == pytest.approx(upper, rel=1e-9)
    assert binomial_lower(failures, chips, confidence) == pytest.approx(lower, rel=1e-9)


@pytest.mark.parametrize(("failures", "chips"), [(0, 10**15), (3, 10**15), (1, 1), (5, 231), (230, 231)])
@pytest.mark.parametrize("confidence", [0.05, 0.6, 0.999999])
def test_limits_solve_their_definition_in_mpmath(failures: int, chips: int, confidence: float) -> None:
    """P(X <= r | upper) = 1 - C and P(X >= r | lower) = 1 - C for a binomial count X of few terms."""

    def at_most(count: int, p: float) -> mpmath.mpf:
        exact = mpmath.mpf(p)
        if count > chips // 2:
            return 1 - at_most_of_failures(chips - count - 1, 1 - exact)
        return at_most_of_failures(count, exact)

    def at_most_of_failures(count: int, p: mpmath.mpf) -> mpmath.mpf:
        return mpmath.fsum(
            mpmath.binomial(chips, k) * p**k * mpmath.exp((chips - k) * mpmath.log1p(-p))
            for k in range(count + 1)
        )

    with mpmath.workdps(40):
        if failures < chips:
            tail = at_most(failures, binomial_upper(failures, chips, confidence))
            assert float(1 - tail) == pytest.approx(confidence, rel=1e-10)
        if failures:
            tail = 1 - at_most(failures - 1, binomial_lower(failures, chips, confidence))
            assert float(1 - tail) == pytest.approx(confidence, rel=1e-10)


@QUICK
@given(counts(), CONFIDENCES)
def test_failures_turned_into_survivors(case: tuple[int, int], confidence: float) -> None:
    failures, chips = case
    mirrored = 1 - binomial_lower(chips - failures, chips, confidence)
    assert binomial_upper(failures, chips, confidence) == pytest.approx(mirrored, rel=1e-9, abs=1e-12)


@QUICK
@given(st.integers(0, 20), st.integers(100, 5000), st.floats(0.6, 0.999))
def test_the_poisson_form_lies_above(failures: int, chips: int, confidence: float) -> None:
    """At few failures of many chips, and a confidence above a half."""
    assert binomial_upper(failures, chips, confidence) <= poisson_upper_count(failures, confidence) / chips


def test_ends() -> None:
    assert binomial_upper(0, 0, 0.9) == 1.0  # nothing tried: nothing known
    assert binomial_lower(0, 0, 0.9) == 0.0
    assert binomial_upper(7, 7, 0.9) == 1.0
    assert binomial_lower(0, 7, 0.9) == 0.0


@pytest.mark.parametrize("limit", [binomial_upper, binomial_lower])
def test_refusals(limit: Callable[[float, float, float], float]) -> None:
    for bad in (-1, 0.5, math.nan):
        with pytest.raises(ValueError, match=rf"failures must .*got {bad}"):
            limit(bad, 10, 0.9)
        with pytest.raises(ValueError, match=rf"chips must .*got {bad}"):
            limit(0, bad, 0.9)
    with pytest.raises(ValueError, match="failures must be at most the number of chips, 2; got 3"):
        limit(3, 2, 0.9)
    with pytest.raises(ValueError, match=r"confidence must .*got 1\.0"):
        limit(0, 2, 1.0)
