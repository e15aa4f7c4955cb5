"""Survival curves.

Sources: lifelines 0.30 and statsmodels on random data with ties; NIST/SEMATECH e-Handbook 8.2.1.5 (data from memory)
with exact fractions. NIST's and R's printed curves stand in `tests/published/survival_curves.py`.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter, NelsonAalenFitter
from statsmodels.duration.survfunc import SurvfuncRight

from monitor.claims.survival import kaplan_meier, nelson_aalen

CHIPS = st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=1, max_size=40)

NIST_H = [10, 32, 56, 98, 122, 181, 50, 100, 125, 150, *[200] * 10]
NIST_FAILED = [True] * 6 + [False] * 14


def test_nist_example_in_fractions() -> None:
    curve = kaplan_meier(NIST_H, NIST_FAILED, 0.9)
    assert curve.times_h.tolist() == [10, 32, 56, 98, 122, 181]
    assert curve.at_risk.tolist() == [20, 19, 17, 16, 14, 11]
    assert curve.failures.tolist() == [1] * 6
    survival, hazard, surviving, cumulated = [], [], Fraction(1), Fraction(0)
    for at_risk in (20, 19, 17, 16, 14, 11):
        surviving *= 1 - Fraction(1, at_risk)
        cumulated += Fraction(1, at_risk)
        survival.append(float(surviving))
        hazard.append(float(cumulated))
    assert curve.estimate == pytest.approx(survival, rel=1e-14)
    assert nelson_aalen(NIST_H, NIST_FAILED, 0.9).estimate == pytest.approx(hazard, rel=1e-14)


@settings(max_examples=25, deadline=None)
@given(CHIPS, st.sampled_from([0.6, 0.9, 0.95]))
def test_kaplan_meier_of_lifelines_and_statsmodels(chips: list[tuple[int, bool]], confidence: float) -> None:
    times, failed = (np.array(column) for column in zip(*chips, strict=True))
    curve = kaplan_meier(times, failed, confidence)
    fitter = KaplanMeierFitter(alpha=1 - confidence).fit(times, failed)
    table = fitter.confidence_interval_.join(fitter.survival_function_).loc[curve.times_h]
    # lifelines shows [0, 0] or NaN for limits where nobody is left; ours are NaN.
    alive = curve.estimate > 0
    assert curve.estimate == pytest.approx(table["KM_estimate"].to_numpy(), rel=1e-12)
    assert curve.lower[alive] == pytest.approx(table.iloc[:, 0].to_numpy()[alive], rel=1e-9)
    assert curve.upper[alive] == pytest.approx(table.iloc[:, 1].to_numpy()[alive], rel=1e-9)
    if failed.any():
        other = SurvfuncRight(times, failed)
        assert other.surv_times.tolist() == curve.times_h.tolist()
        assert other.n_risk.tolist() == curve.at_risk.tolist()
        assert curve.estimate == pytest.approx(other.surv_prob, rel=1e-12)
        assert curve.standard_error[alive] == pytest.approx(other.surv_prob_se[alive], rel=1e-10)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 99), st.booleans()), min_size=1, max_size=30, unique_by=lambda chip: chip[0]
    )
)
def test_nelson_aalen_of_lifelines(chips: list[tuple[int, bool]]) -> None:
    """Without ties: lifelines breaks them, or takes a binomial variance."""
    times, failed = (np.array(column) for column in zip(*chips, strict=True))
    curve = nelson_aalen(times, failed, 0.9)
    fitter = NelsonAalenFitter(alpha=0.1).fit(times, failed)
    table = fitter.confidence_interval_.join(fitter.cumulative_hazard_).loc[curve.times_h].to_numpy()
    assert curve.estimate == pytest.approx(table[:, 2], rel=1e-12)
    if failed.any():
        assert curve.lower == pytest.approx(table[:, 0], rel=1e-9)
        assert curve.upper == pytest.approx(table[:, 1], rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(CHIPS)
def test_nelson_aalen_with_ties_in_fractions(chips: list[tuple[int, bool]]) -> None:
    times, failed = zip(*chips, strict=True)
    curve = nelson_aalen(times, failed, 0.9)
    hazard = variance = Fraction(0)
    for step, time in enumerate(sorted({time for time, fails in chips if fails})):
        fails, at_risk = chips.count((time, True)), sum(each >= time for each in times)
        hazard += Fraction(fails, at_risk)
        variance += Fraction(fails, at_risk**2)
        assert curve.times_h[step] == time
        assert curve.estimate[step] == pytest.approx(float(hazard), rel=1e-14)
        assert curve.standard_error[step] == pytest.approx(math.sqrt(variance), rel=1e-14)
    assert curve.times_h.size == len({time for time, fails in chips if fails})


@settings(max_examples=40, deadline=None)
@given(CHIPS)
def test_laws(chips: list[tuple[int, bool]]) -> None:
    times, failed = zip(*chips, strict=True)
    survival, wide = (kaplan_meier(times, failed, confidence) for confidence in (0.6, 0.95))
    hazard = nelson_aalen(times, failed, 0.6)
    assert np.all(np.diff(survival.estimate) < 0)
    assert np.all(np.diff(hazard.estimate) > 0)
    assert np.all(survival.estimate <= np.exp(-hazard.estimate))  # log(1 - x) <= -x
    alive = survival.estimate > 0
    assert np.all(wide.lower[alive] < survival.lower[alive])
    assert np.all(survival.lower[alive] < survival.estimate[alive])
    assert np.all(survival.estimate[alive] < survival.upper[alive])
    assert np.all(survival.upper[alive] < wide.upper[alive])
    assert np.all(hazard.lower < hazard.estimate)
    assert np.all(hazard.estimate < hazard.upper)


def test_failures_come_before_removals_of_the_same_hour() -> None:
    assert kaplan_meier([5, 5, 5, 9], [False, True, False, False], 0.9).at_risk.tolist() == [4]


def test_one_failure_of_very_many_chips() -> None:
    """S = 1 - 1e-6, and limits as for one Poisson count: symmetric in log H with standard error 1."""
    curve = kaplan_meier(np.full(10**6, 100.0), np.arange(10**6) == 0, 0.95)
    assert 1 - curve.estimate == pytest.approx([1e-6], rel=1e-9)
    assert 1 - curve.upper == pytest.approx([1e-6 * math.exp(-1.959963984540054)], rel=1e-5)
    assert 1 - curve.lower == pytest.approx([1e-6 * math.exp(1.959963984540054)], rel=1e-5)


def test_nobody_left_good() -> None:
    curve = kaplan_meier([1, 2, 3], [True, True, True], 0.9)
    assert curve.estimate == pytest.approx([2 / 3, 1 / 3, 0], rel=1e-15)
    for values in (curve.standard_error, curve.lower, curve.upper):
        assert np.isnan(values).tolist() == [False, False, True]


@pytest.mark.parametrize("times", [[], [3.0, 4.0]])
def test_no_failures_no_steps(times: list[float]) -> None:
    for curve in (
        kaplan_meier(times, [False] * len(times), 0.9),
        nelson_aalen(times, [False] * len(times), 0.9),
    ):
        assert curve.times_h.size == curve.estimate.size == curve.lower.size == 0


def test_the_arrays_are_read_only() -> None:
    curve = kaplan_meier(NIST_H, NIST_FAILED, 0.9)
    for name in ("times_h", "at_risk", "failures", "estimate", "standard_error", "lower", "upper"):
        assert not getattr(curve, name).flags.writeable


@pytest.mark.parametrize("curve", [kaplan_meier, nelson_aalen])
def test_refusals(curve: object) -> None:
    assert callable(curve)
    with pytest.raises(ValueError, match=r"times_h must .*got nan"):
        curve([1.0, math.nan], [True, False], 0.9)
    with pytest.raises(ValueError, match=r"times_h must .*got -1\.0"):
        curve([-1.0], [True], 0.9)
    with pytest.raises(ValueError, match=r"failed must be one mark per chip, 2; got shape \(1,\)"):
        curve([1.0, 2.0], [True], 0.9)
    with pytest.raises(ValueError, match="failed must be true or false for each chip; got 2"):
        curve([1.0, 2.0], [0, 2], 0.9)
    with pytest.raises(ValueError, match=r"confidence must .*got 1\.0"):
        curve([1.0], [True], 1.0)
