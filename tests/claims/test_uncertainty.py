"""Bounds under an uncertain activation energy, and the tornado.

Sources: scipy for quantiles and quadrature; exact coverage from the Poisson distribution (scipy); laws. The reference
table of bounds, computed with mpmath, is in tests/published.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import Mechanism, UseCondition, acceleration_factor, poisson_upper_count
from monitor.claims.uncertainty import (
    EA_SWING_EV,
    EaInterval,
    EaNormal,
    Swing,
    TornadoRow,
    averaged_upper_fit,
    floor_factor,
    guarded_confidence,
    guarded_factor,
    rises_with_ea,
    tornado,
    trial_swings,
)

USE = [UseCondition(1.0, 55.0, 1.8)]
PROFILE = [
    UseCondition(0.06, -20.0, 1.80, 4.0),
    UseCondition(0.20, 25.0, 1.75, 4.0),
    UseCondition(0.74, 60.0, 1.85, 2.5),
]
THERMAL = Mechanism("thermal", 0.7)
OXIDE = Mechanism("gate-oxide", 0.7, gamma_per_v=3.5)


def factor_at(ea_ev: float, profile: list[UseCondition] = USE, temp_c: float = 125.0) -> float:
    return float(acceleration_factor(Mechanism("thermal", ea_ev), profile, temp_c, 1.8, 0.0))


# --- interval ------------------------------------------------------------------------------------------------------


@given(
    low_ev=st.floats(-0.5, 1.2),
    width_ev=st.floats(0.0, 0.8),
    inside=st.floats(0.0, 1.0),
    temps=st.lists(st.floats(-40.0, 175.0), min_size=1, max_size=6),
    gamma_per_v=st.floats(-4.0, 4.0),
)
def test_no_energy_inside_gives_less_than_the_floor(
    low_ev: float, width_ev: float, inside: float, temps: list[float], gamma_per_v: float
) -> None:
    """Stresses below, among and above the profile's own temperatures: elementwise, and so for any sum."""
    mechanism = Mechanism("any", low_ev + inside * width_ev, gamma_per_v=gamma_per_v)
    interval = EaInterval(low_ev, low_ev + width_ev)
    floor = floor_factor(mechanism, interval, PROFILE, temps, 1.9, 4.0)
    factor = acceleration_factor(mechanism, PROFILE, temps, 1.9, 4.0)
    assert floor.shape == (len(temps),)
    assert np.all(floor <= factor * (1 + 1e-12))
    assert floor.sum() <= factor.sum() * (1 + 1e-12)


def test_the_floor_is_reached_at_an_end_and_which_end_depends_on_the_stress() -> None:
    interval = EaInterval(0.5, 0.9)
    floor = floor_factor(THERMAL, interval, USE, [125.0, 25.0], 1.8, 0.0)
    assert floor.tolist() == [factor_at(0.5), factor_at(0.9, temp_c=25.0)]


def test_the_floor_of_a_point_is_the_factor_and_the_mechanisms_own_energy_plays_no_part() -> None:
    point = EaInterval(0.7, 0.7)
    for mechanism in (THERMAL, replace(THERMAL, ea_ev=3.0)):
        assert float(floor_factor(mechanism, point, USE, 125.0, 1.8, 0.0)) == factor_at(0.7)


@given(low=st.floats(0.3, 0.7), high=st.floats(0.7, 1.1), more=st.floats(0.0, 0.2))
def test_a_wider_interval_has_no_higher_floor(low: float, high: float, more: float) -> None:
    narrow = floor_factor(THERMAL, EaInterval(low, high), PROFILE, [40.0, 125.0], 1.8, 4.0)
    wide = floor_factor(THERMAL, EaInterval(low - more, high + more), PROFILE, [40.0, 125.0], 1.8, 4.0)
    assert np.all(wide <= narrow * (1 + 1e-12))


# --- estimate with a standard deviation ----------------------------------------------------------------------------


@given(mean=st.floats(-1.0, 2.0), sd=st.floats(0.001, 0.5), share=st.floats(0.001, 0.999))
def test_the_lower_limit_is_the_normal_quantile(mean: float, sd: float, share: float) -> None:
    assert EaNormal(mean, sd).lower_ev(share) == pytest.approx(
        scipy.stats.norm.ppf(share, mean, sd), rel=1e-12, abs=1e-12
    )


@given(confidence=st.floats(0.01, 0.999), share=st.floats(0.01, 0.99))
def test_the_errors_add_up(confidence: float, share: float) -> None:
    count_error = 1 - guarded_confidence(confidence, share)
    assert count_error + share * (1 - confidence) == pytest.approx(1 - confidence, abs=1e-15)


def test_halves_are_the_default_split() -> None:
    assert guarded_confidence(0.90) == pytest.approx(0.95, abs=1e-15)
    ea = EaNormal(0.7, 0.05)
    expected = factor_at(0.7 - 0.05 * float(scipy.stats.norm.ppf(0.95)))
    assert float(guarded_factor(THERMAL, ea, 0.90, USE, 125.0, 1.8, 0.0)) == pytest.approx(
        expected, rel=1e-12
    )


def test_a_certain_estimate_costs_only_its_share_of_the_error() -> None:
    certain = EaNormal(0.7, 1e-12)
    assert float(guarded_factor(THERMAL, certain, 0.9, USE, 125.0, 1.8, 0.0)) == pytest.approx(
        factor_at(0.7), rel=1e-9
    )


@pytest.mark.parametrize(
    ("stress_c", "heating_c", "rises"),
    [(62.6, 0.0, True), (62.5, 0.0, False), (60.0, 4.0, True), ([125.0, 50.0], 0.0, False), ([], 0.0, True)],
)
def test_rises_with_ea(stress_c: object, heating_c: float, rises: bool) -> None:
    """The hottest use junction of the profile is 62.5 °C."""
    assert rises_with_ea(PROFILE, stress_c, heating_c) is rises


@given(stress_c=st.floats(63.0, 200.0), ea_ev=st.floats(-0.5, 2.0), step_ev=st.floats(0.01, 0.5))
def test_where_it_is_said_to_rise_it_rises(stress_c: float, ea_ev: float, step_ev: float) -> None:
    assert factor_at(ea_ev, PROFILE, stress_c) < factor_at(ea_ev + step_ev, PROFILE, stress_c)


def test_a_lower_limit_is_refused_where_the_factor_need_not_rise() -> None:
    with pytest.raises(ValueError, match=r"temp_c must put every stress junction above.*got 50\.0"):
        guarded_factor(THERMAL, EaNormal(0.7, 0.05), 0.9, PROFILE, [125.0, 50.0], 1.8, 0.0)


def covered(rate_h: float, expected: float, upper_h: list[float]) -> float:
    """Exact probability that the bound of the count seen is at least the rate, ``expected`` failures to come."""
    wrong = [r for r, upper in enumerate(upper_h) if upper < rate_h]
    return 1 - float(scipy.stats.poisson.pmf(wrong, expected).sum())


@pytest.mark.parametrize("confidence", [0.6, 0.9])
@pytest.mark.parametrize("true_ev", [0.60, 0.65, 0.70, 0.75, 0.80])
@pytest.mark.parametrize("claimed_mean", [0.5, 1.0, 3.0, 8.0])
def test_coverage_of_the_interval_wherever_the_truth_is(
    confidence: float, true_ev: float, claimed_mean: float
) -> None:
    """``claimed_mean`` failures expected at 0.7 eV in one device-hour; exact."""
    rate_h = claimed_mean / factor_at(0.7)
    floor = float(floor_factor(THERMAL, EaInterval(0.6, 0.8), USE, 125.0, 1.8, 0.0))
    bounds = [poisson_upper_count(r, confidence) / floor for r in range(60)]
    assert covered(rate_h, rate_h * factor_at(true_ev), bounds) >= confidence


@pytest.mark.parametrize("mean", [0.5, 3.0, 20.0])
def test_coverage_of_the_split_over_estimates_of_the_energy(mean: float) -> None:
    """The truth is 0.7 eV and estimates of it scatter by 0.05 eV: on the whole at least the confidence.

    Exact in the count, a fine midpoint rule over the estimates. The energy taken for exact falls short where many
    failures are expected.
    """
    confidence, rate_h = 0.9, mean / factor_at(0.7)
    counts = np.array([poisson_upper_count(r, confidence) for r in range(60)])
    guarded_counts = np.array([poisson_upper_count(r, guarded_confidence(confidence)) for r in range(60)])
    split, taken_for_exact = [], []
    for share in (np.arange(200) + 0.5) / 200:
        estimate = EaNormal(float(scipy.stats.norm.ppf(share, 0.7, 0.05)), 0.05)
        guarded = float(guarded_factor(THERMAL, estimate, confidence, USE, 125.0, 1.8, 0.0))
        split.append(covered(rate_h, mean, list(guarded_counts / guarded)))
        taken_for_exact.append(covered(rate_h, mean, list(counts / factor_at(estimate.mean_ev))))
    assert np.mean(split) >= confidence
    assert (np.mean(taken_for_exact) < confidence) == (mean == 20.0)


# --- the average, which is not claimed -----------------------------------------------------------------------------


@pytest.mark.parametrize(("failures", "confidence"), [(0, 0.6), (2, 0.9), (20, 0.95)])
def test_the_average_solves_its_definition(failures: int, confidence: float) -> None:
    """``E[P(X > r)] = C`` by scipy's adaptive quadrature."""
    ea = EaNormal(0.7, 0.05)
    upper = averaged_upper_fit(failures, 231_000.0, confidence, ea, factor_at) / 1e9

    def weighted(ea_ev: float) -> float:
        more = scipy.stats.poisson.sf(failures, upper * 231_000.0 * factor_at(ea_ev))
        return float(more * scipy.stats.norm.pdf(ea_ev, ea.mean_ev, ea.sd_ev))

    average, _ = scipy.integrate.quad(weighted, 0.2, 1.2, points=[0.7], epsabs=1e-12, epsrel=1e-12, limit=200)
    assert average == pytest.approx(confidence, abs=1e-10)


def test_why_the_average_is_not_claimed() -> None:
    """At 60 % and no failure not knowing the energy lowers it, and where the energy is 0.6 eV it covers too seldom."""
    ea = EaNormal(0.7, 0.05)
    exact = [poisson_upper_count(r, 0.6) / factor_at(0.7) for r in range(30)]
    averaged = [averaged_upper_fit(r, 1.0, 0.6, ea, factor_at) / 1e9 for r in range(30)]
    assert averaged[0] < exact[0]
    rate_h = 3.0 / factor_at(0.7)
    for bounds in (exact, averaged):
        assert covered(rate_h, rate_h * factor_at(0.6), bounds) < 0.5


def test_the_average_of_a_certain_estimate_is_the_plain_bound() -> None:
    averaged = averaged_upper_fit(2, 1e6, 0.9, EaNormal(0.7, 1e-9), factor_at)
    assert averaged == pytest.approx(poisson_upper_count(2, 0.9) * 1e9 / (1e6 * factor_at(0.7)), rel=1e-9)


# --- tornado -------------------------------------------------------------------------------------------------------


def rows_of(mechanism: Mechanism, stated: list[Swing] | None = None) -> dict[str, TornadoRow]:
    rows = tornado(
        mechanism,
        PROFILE,
        125.0,
        1.98,
        4.0,
        failures=1,
        fit_upper=100.0,
        fit_upper_one_more=140.0,
        stated=stated or [],
    )
    return {row.parameter: row for row in rows}


def test_rows_are_the_bound_recomputed() -> None:
    """Each by hand: the bound times the factor as it is over the factor moved."""
    nominal = float(acceleration_factor(OXIDE, PROFILE, 125.0, 1.98, 4.0))
    rows = rows_of(OXIDE)

    def fit(mechanism: Mechanism, profile: list[UseCondition], temp_c: float) -> float:
        return 100 * nominal / float(acceleration_factor(mechanism, profile, temp_c, 1.98, 4.0))

    hot = [replace(use, temp_c=use.temp_c + 5) for use in PROFILE]
    cold = [replace(use, temp_c=use.temp_c - 5) for use in PROFILE]
    expected = {
        "ea_ev": [fit(replace(OXIDE, ea_ev=ea_ev), PROFILE, 125.0) for ea_ev in (0.6, 0.8)],
        "gamma_per_v": [fit(replace(OXIDE, gamma_per_v=gamma), PROFILE, 125.0) for gamma in (2.8, 4.2)],
        "self_heating_shift_c": [fit(OXIDE, PROFILE, temp_c) for temp_c in (120.0, 130.0)],
        "stress_temp_shift_c": [fit(OXIDE, PROFILE, temp_c) for temp_c in (123.0, 127.0)],
        "use_temp_shift_c": [fit(OXIDE, cold, 125.0), fit(OXIDE, hot, 125.0)],
        "failures": [100.0, 140.0],
    }
    assert rows.keys() == expected.keys()
    for parameter, fits in expected.items():
        row = rows[parameter]
        assert [row.fit_at_low, row.fit_at_high] == pytest.approx(fits, rel=1e-12)
        assert not row.stated


def test_only_the_voltage_term_there_is_swings() -> None:
    assert "gamma_per_v" not in rows_of(THERMAL)
    power = rows_of(Mechanism("inter-metal", 0.75, voltage_exponent=40.0))["voltage_exponent"]
    assert [power.low, power.high] == pytest.approx([32.0, 48.0])
    negative = trial_swings(Mechanism("falling", 0.7, gamma_per_v=-2.0))[1]
    assert [negative.low, negative.high] == pytest.approx([-2.4, -1.6])


def test_a_stated_swing_takes_the_place_of_the_trial_one() -> None:
    rows = rows_of(OXIDE, [Swing("ea_ev", 0.65, 0.72, stated=True)])
    assert (rows["ea_ev"].low, rows["ea_ev"].high, rows["ea_ev"].stated) == (0.65, 0.72, True)
    assert sum(row.stated for row in rows.values()) == 1
    assert rows_of(OXIDE)["ea_ev"].high == pytest.approx(0.7 + EA_SWING_EV)


@given(ea_ev=st.floats(-0.3, 1.5), gamma_per_v=st.floats(-3.0, 6.0), one_more=st.floats(100.0, 400.0))
def test_the_widest_comes_first(ea_ev: float, gamma_per_v: float, one_more: float) -> None:
    mechanism = Mechanism("any", ea_ev, gamma_per_v=gamma_per_v)
    rows = tornado(
        mechanism, PROFILE, 125.0, 2.1, 4.0, failures=0, fit_upper=100.0, fit_upper_one_more=one_more
    )
    widths = []
    for row in rows:
        bounds = (row.fit_at_low, row.fit_at_high, 100.0)
        widths.append(math.log(max(bounds)) - math.log(min(bounds)))
    assert all(wide >= narrow - 1e-12 for wide, narrow in itertools.pairwise(widths))


# --- refusals ------------------------------------------------------------------------------------------------------


def tornado_with(**changes: object) -> object:
    arguments: dict[str, object] = {"failures": 0, "fit_upper": 50.0, "fit_upper_one_more": 90.0}
    return tornado(THERMAL, USE, 125.0, 1.8, 0.0, **(arguments | changes))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: EaInterval(0.8, 0.6), r"high_ev must be at least low_ev, 0\.8; got 0\.6"),
        (lambda: EaInterval(math.nan, 0.6), r"low_ev .*got nan"),
        (lambda: EaInterval(0.6, math.inf), r"high_ev .*got inf"),
        (lambda: EaNormal(math.nan, 0.05), r"mean_ev .*got nan"),
        (lambda: EaNormal(0.7, 0.0), r"sd_ev .*got 0\.0"),
        (lambda: EaNormal(0.7, 0.05).lower_ev(0.0), r"error_share .*got 0\.0"),
        (lambda: guarded_confidence(1.0), r"confidence .*got 1\.0"),
        (lambda: guarded_confidence(0.9, 1.0), r"ea_share .*got 1\.0"),
        (
            lambda: guarded_factor(THERMAL, EaNormal(0.7, 0.1), 0.9, USE, 125.0, 1.8, 0.0, 0.0),
            r"ea_share .*0\.0",
        ),
        (
            lambda: guarded_factor(THERMAL, EaNormal(0.7, 0.1), 0.0, USE, 125.0, 1.8, 0.0),
            r"confidence .*0\.0",
        ),
        (lambda: averaged_upper_fit(0, 0.0, 0.9, EaNormal(0.7, 0.1), factor_at), r"device_h .*got 0\.0"),
        (lambda: Swing("ea_ev", 0.8, 0.7, stated=True), r"high must be at least low, 0\.8; got 0\.7"),
        (lambda: Swing("ea_ev", math.nan, 0.7, stated=True), r"low .*got nan"),
        (lambda: tornado_with(failures=-1), r"failures .*got -1"),
        (lambda: tornado_with(fit_upper=0.0), r"fit_upper .*got 0\.0"),
        (lambda: tornado_with(fit_upper_one_more=49.0), r"fit_upper_one_more .*50\.0; got 49\.0"),
        (lambda: tornado_with(stated=[Swing("humidity", 0.0, 1.0, stated=True)]), r"stated .*got 'humidity'"),
    ],
)
def test_refusals(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
