"""Planning: any one quantity from the others.

Sources: the trade's example 0 of 231 chips, 1000 h, 125 to 55 °C, 0.7 eV, 60 % (a chip maker's forum quotes 50.9 FIT,
read; with Boltzmann's constant and 0 °C to all digits it is 51.09); the bounds and the acceleration factor themselves
(the answer put back into the relation); scipy.stats.poisson; first-passage probabilities computed with mpmath.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import pytest
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.claims import (
    EaInterval,
    EaNormal,
    Mechanism,
    UseCondition,
    anytime_upper_count,
    anytime_upper_fit,
    fixed_look_bound,
    floor_factor,
    guarded_confidence,
    poisson_upper_count,
)
from monitor.claims.planning import (
    LIMITS,
    Plan,
    Quantity,
    UpperCount,
    chance_of_passing,
    chance_of_passing_watched,
    compare,
    covered_years,
    demands,
    hours_by_failures,
    solve,
)
from monitor.claims.slowest import Acceleration, Energy

TRADE = Acceleration((Mechanism("loss", 0.7),), (UseCondition(1.0, 55.0, 1.8),))
EXAMPLE = Plan(231, 1000.0, 125.0, 1.8, 0, 0.6, 51.0864450648790)
TERN = Acceleration(
    (Mechanism("loss", 1.1), Mechanism("oxide", 0.7, gamma_per_v=3.5), Mechanism("metal", 0.8, 0.0, 4.0)),
    (UseCondition(0.06, -20.0, 1.8, 4.0), UseCondition(0.94, 60.0, 1.8, 4.0)),
    4.0,
)
UNSURE_TRADE = replace(TRADE, energies=(EaNormal(0.7, 0.05),))
UNSURE = replace(TERN, energies=(EaNormal(1.1, 0.04), EaInterval(0.62, 0.75), EaNormal(0.8, 0.03)))
BOTH = [poisson_upper_count, partial(anytime_upper_count, mixture_rate=5.0)]
NAMES: list[Quantity] = list(LIMITS)


def without(plan: Plan, name: Quantity) -> Plan:
    cleared: dict[str, Any] = {name: None}
    return replace(plan, **cleared)


# --- the trade's example, turned round -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", [name for name in NAMES if name != "supply_v"])
def test_each_quantity_of_the_example_from_the_others(name: Quantity) -> None:
    solved = solve(without(EXAMPLE, name), TRADE, poisson_upper_count)
    assert solved is not None
    assert solved.known(name) == pytest.approx(EXAMPLE.known(name), rel=1e-9)


def test_the_example_as_quoted() -> None:
    assert solve(replace(EXAMPLE, chips=None, target_fit=51.09), TRADE, poisson_upper_count).chips == 231
    assert solve(replace(EXAMPLE, chips=None, target_fit=50.9), TRADE, poisson_upper_count).chips == 232
    fit = solve(replace(EXAMPLE, target_fit=None), TRADE, poisson_upper_count).target_fit
    assert fit == pytest.approx(50.9, rel=0.004)  # the forum's k and 0 °C are rounded


def test_the_bound_for_watching_asks_for_more() -> None:
    fixed, watched = (solve(replace(EXAMPLE, hours=None), TRADE, count) for count in BOTH)
    assert fixed.hours == pytest.approx(1000.0)
    # m_0 over chi-square at 60 %, from the hours of the forecast's table (computed with mpmath)
    assert watched.hours / fixed.hours == pytest.approx(620.354705801 / 510.864450649, rel=1e-9)


# --- the answer put back -------------------------------------------------------------------------------------------


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    chips = draw(st.integers(2, 3000))
    return Plan(
        chips=chips,
        hours=draw(st.floats(10.0, 1e4)),
        temp_c=draw(st.floats(70.0, 170.0)),
        supply_v=draw(st.floats(1.6, 2.6)),
        failures=draw(st.integers(0, min(chips - 1, 12))),
        confidence=draw(st.floats(0.05, 0.999)),
        target_fit=draw(st.floats(1.0, 1e4)),
    )


def bound_fit(plan: Plan, count: UpperCount) -> float:
    """The bound the plan ends with, by the functions that bound an account."""
    equivalent_h = plan.known("chips") * plan.known("hours") * min(TERN.factors(plan.temp_c, plan.supply_v))
    if count is poisson_upper_count:
        fit = fixed_look_bound(plan.failures, equivalent_h, plan.confidence).fit_upper
    else:
        fit = anytime_upper_fit(plan.failures, equivalent_h, plan.confidence, 5.0)
    assert fit is not None
    return fit


@given(plan=plans(), name=st.sampled_from(NAMES), count=st.sampled_from(BOTH))
def test_the_plan_that_is_found_meets_its_target(plan: Plan, name: Quantity, count: UpperCount) -> None:
    solved = solve(without(plan, name), TERN, count)
    assume(solved is not None)
    assert without(solved, name) == without(plan, name)
    assert bound_fit(solved, count) <= solved.known("target_fit") * (1 + 1e-8)


@given(plan=plans(), name=st.sampled_from(NAMES), count=st.sampled_from(BOTH))
def test_a_little_less_does_not_meet_it(plan: Plan, name: Quantity, count: UpperCount) -> None:
    solved = solve(without(plan, name), TERN, count)
    assume(solved is not None)
    value = solved.known(name)
    if name in {"chips", "failures"}:
        worse = value - 1 if name == "chips" else value + 1
        assume(plan.failures < worse if name == "chips" else worse < plan.chips)
        assume(worse <= LIMITS[name][1])
    elif name == "confidence":
        worse = value + 1e-6 * (1 - value)
        assume(worse < LIMITS["confidence"][1])
    else:
        worse = value * (1 - 1e-6) if name != "temp_c" else value - 1e-3
        assume(worse > LIMITS[name][0] and (name != "supply_v" or worse > 0.18))
    changed: dict[str, Any] = {name: worse}
    assert bound_fit(replace(solved, **changed), count) > plan.target_fit * (1 - 1e-9) or name == "target_fit"
    if name == "target_fit":
        assert bound_fit(solved, count) > worse


@given(plan=plans(), name=st.sampled_from(NAMES))
def test_the_anytime_bound_never_asks_for_less(plan: Plan, name: Quantity) -> None:
    fixed, watched = (solve(without(plan, name), TERN, count) for count in BOTH)
    if watched is None:
        return
    assert fixed is not None
    if name in {"failures", "confidence"}:  # what can be had
        assert watched.known(name) <= fixed.known(name)
    else:  # what is needed
        assert watched.known(name) >= fixed.known(name)


# --- what cannot be had --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "hopeless"),
    [
        ("chips", {"target_fit": 1e-6}),
        ("hours", {"target_fit": 1e-6, "chips": 1, "temp_c": 55.0}),
        ("temp_c", {"target_fit": 1e-6, "hours": 0.001}),
        ("failures", {"target_fit": 40.0}),
        ("confidence", {"target_fit": 0.001}),
        ("target_fit", {"hours": 0.001, "chips": 1, "temp_c": -100.0}),
    ],
)
def test_none_where_no_value_inside_the_limits_does(name: Quantity, hopeless: dict[str, float]) -> None:
    changed: dict[str, Any] = hopeless
    assert solve(without(replace(EXAMPLE, **changed), name), TRADE, poisson_upper_count) is None


@pytest.mark.parametrize("mechanism", [Mechanism("a", 0.7, 3.5), Mechanism("a", 0.7, 0.0, 40.0)])
def test_supply(mechanism: Mechanism) -> None:
    acceleration = Acceleration((mechanism,), (UseCondition(1.0, 55.0, 1.8),))
    plan = replace(EXAMPLE, supply_v=None, target_fit=51.0864450648790 / 2)
    solved = solve(plan, acceleration, poisson_upper_count)
    # twice the factor: gamma (V - 1.8) = log 2, or (V / 1.8)^40 = 2
    needed_v = 1.8 + math.log(2) / 3.5 if mechanism.gamma_per_v else 1.8 * 2 ** (1 / 40)
    assert solved.supply_v == pytest.approx(needed_v, rel=1e-9)
    weak = Acceleration((replace(mechanism, gamma_per_v=0.0, voltage_exponent=2.0),), acceleration.profile)
    gentle = solve(replace(plan, target_fit=1e9), weak, poisson_upper_count)
    assert gentle.supply_v == pytest.approx(0.18)  # a tenth of the use supply: nothing lower is tried
    hopeless = replace(plan, target_fit=1e-6, hours=0.001, temp_c=-100.0, chips=1)
    assert solve(hopeless, weak, poisson_upper_count) is None


def test_a_mechanism_that_nothing_speeds_up_decides() -> None:
    """The oxide is fast enough from 125 °C on; what is worse when cold, and not sped up at all, is not."""
    cold = Acceleration((*TRADE.mechanisms, Mechanism("cold", -0.1)), TRADE.profile)
    plan = replace(EXAMPLE, temp_c=None)
    assert solve(plan, TRADE, poisson_upper_count) is not None
    assert solve(plan, cold, poisson_upper_count) is None


def test_a_target_that_the_coldest_stress_meets_is_met_there() -> None:
    easy = replace(EXAMPLE, temp_c=None, target_fit=1e9, hours=1e7, chips=1_000_000)
    assert solve(easy, TRADE, poisson_upper_count).temp_c == pytest.approx(-100.0)


def test_more_than_is_asked_for_ends_at_the_limit() -> None:
    easy = replace(EXAMPLE, target_fit=1e9)
    assert solve(without(easy, "confidence"), TRADE, poisson_upper_count).confidence == 0.999999
    assert solve(without(easy, "failures"), TRADE, poisson_upper_count).failures == 230
    assert solve(without(easy, "hours"), TRADE, poisson_upper_count).hours == 0.001
    assert solve(replace(easy, chips=None, failures=7), TRADE, poisson_upper_count).chips == 8


# --- activation energies that are not known exactly ----------------------------------------------------------------


def careful_fit(plan: Plan, count: UpperCount) -> float:
    """The worst bound of ``UNSURE``, mechanism by mechanism, by the functions that make a careful claim."""
    at = (UNSURE.profile, plan.temp_c, plan.supply_v, UNSURE.self_heating_c)
    bounds = []
    for mechanism, energy in zip(UNSURE.mechanisms, UNSURE.energies, strict=True):
        confidence = plan.known("confidence")
        if isinstance(energy, EaNormal):  # half of the error allowed, shared by two
            low_ev = energy.lower_ev((1 - confidence) / 4)
            energy, confidence = EaInterval(low_ev, 9.0), guarded_confidence(confidence)  # noqa: PLW2901
        equivalent_h = plan.known("chips") * plan.known("hours") * float(floor_factor(mechanism, energy, *at))
        bounds.append(count(int(plan.known("failures")), confidence) * 1e9 / equivalent_h)
    return max(bounds)


@given(plan=plans(), name=st.sampled_from(NAMES), count=st.sampled_from(BOTH))
def test_an_uncertain_plan_just_meets_its_target(plan: Plan, name: Quantity, count: UpperCount) -> None:
    solved = solve(without(plan, name), UNSURE, count)
    assume(solved is not None)
    assert without(solved, name) == without(plan, name)
    fit = careful_fit(solved, count) / solved.known("target_fit")
    assert fit <= 1 + 1e-8
    at_a_limit = solved.known(name) in LIMITS[name] or name in {"temp_c", "supply_v"}
    if name not in {"chips", "failures"} and not at_a_limit:
        assert fit == pytest.approx(1.0, rel=1e-8)


@given(plan=plans(), name=st.sampled_from(NAMES))
def test_an_uncertain_plan_never_asks_for_less(plan: Plan, name: Quantity) -> None:
    sure, unsure = (solve(without(plan, name), at, poisson_upper_count) for at in (TERN, UNSURE))
    if unsure is None:
        return
    assert sure is not None
    if name in {"failures", "confidence"}:
        assert unsure.known(name) <= sure.known(name)
    else:
        assert unsure.known(name) >= sure.known(name)


@pytest.mark.parametrize("energy", [EaInterval(0.6, 0.9), EaInterval(0.6, 0.7)])
def test_the_worst_end_of_an_interval(energy: EaInterval) -> None:
    """As if the worst end were stated: the lower one above the temperature of use, the upper one below it."""
    part = replace(TRADE, energies=(energy,))
    for temp_c, worst_ev in ((125.0, energy.low_ev), (20.0, energy.high_ev)):
        plan = replace(EXAMPLE, chips=None, temp_c=temp_c, target_fit=1e6)
        stated = replace(TRADE, mechanisms=(Mechanism("loss", worst_ev),))
        assert solve(plan, part, poisson_upper_count) == solve(plan, stated, poisson_upper_count)


def test_an_energy_stated_without_any_doubt_is_a_certain_one() -> None:
    sure: tuple[Energy, ...] = (None, EaInterval(0.7, 0.7), None)
    for name in NAMES:
        plan = without(replace(EXAMPLE, target_fit=40.0), name)
        assert solve(plan, replace(TERN, energies=sure), BOTH[1]) == solve(plan, TERN, BOTH[1])


def test_a_temperature_for_a_normal_error_is_sought_above_use() -> None:
    easy = replace(EXAMPLE, temp_c=None, target_fit=1e9)
    assert solve(easy, UNSURE_TRADE, poisson_upper_count).temp_c == pytest.approx(55.001)
    assert solve(easy, UNSURE, poisson_upper_count).temp_c == pytest.approx(60.001)


# --- price, characteristic, life, other stresses -------------------------------------------------------------------


@pytest.mark.parametrize("count", BOTH)
def test_the_price_of_a_failure(count: UpperCount) -> None:
    hours = hours_by_failures(EXAMPLE, TRADE, count, 3)
    for failures, needed_h in enumerate(hours):
        solved = solve(replace(EXAMPLE, hours=None, failures=failures), TRADE, count)
        assert needed_h == pytest.approx(solved.hours, rel=1e-12)
    assert list(hours) == sorted(hours)
    if count is poisson_upper_count:  # 2.0223 / 0.9163, from the chi-square table
        assert hours[1] / hours[0] == pytest.approx(2.0223132453247 / 0.91629073187416, rel=1e-12)


@given(share=st.floats(0.0, 5.0), failures=st.integers(0, 20), expected=st.floats(0.0, 40.0))
def test_chance_of_passing_is_a_poisson_probability(share: float, failures: int, expected: float) -> None:
    chance = scipy.stats.poisson.cdf(failures, share * expected)
    assert chance_of_passing(share, failures, expected) == pytest.approx(chance, rel=1e-9)


def test_at_the_target_the_plan_of_the_example_passes_with_what_confidence_leaves() -> None:
    (demand,) = demands(EXAMPLE, TRADE, poisson_upper_count)
    assert demand.chip_hours == pytest.approx(231_000.0)
    assert chance_of_passing(1.0, 0, demand.count) == pytest.approx(0.4, rel=1e-9)


@pytest.mark.parametrize(
    ("confidence", "failures", "passes"),
    [
        (0.60, 1, 0.52127012093),
        (0.60, 3, 0.627072527328),
        (0.90, 1, 0.147090324456),
        (0.90, 10, 0.283838297404),
        (0.95, 2, 0.0940094297332),
    ],
)
def test_a_watched_fixed_look_bound_passes_bad_parts_too_often(
    confidence: float, failures: int, passes: float
) -> None:
    """Computed with mpmath: the chance that a product just at the target passes."""
    expected = poisson_upper_count(failures, confidence)
    chance = chance_of_passing_watched(1.0, failures, expected, confidence, poisson_upper_count)
    assert chance == pytest.approx(passes, rel=1e-10)


@given(
    share=st.floats(0.0, 4.0),
    failures=st.integers(0, 10),
    confidence=st.floats(0.1, 0.99),
    room=st.floats(0.5, 2.0),
)
def test_the_watched_anytime_bound_keeps_its_promise(
    share: float, failures: int, confidence: float, room: float
) -> None:
    expected = room * anytime_upper_count(failures, confidence)
    chance = chance_of_passing_watched(share, failures, expected, confidence, anytime_upper_count)
    assert 0 <= chance <= 1
    if share >= 1:
        assert chance <= 1 - confidence + 1e-12
    if share == 0:
        assert chance == (1.0 if expected >= anytime_upper_count(0, confidence) else 0.0)


def test_a_plan_too_short_for_any_line_never_passes() -> None:
    assert chance_of_passing_watched(0.0, 3, 0.5, 0.6, poisson_upper_count) == 0.0


def test_years_covered() -> None:
    """1000 h at 77.645... times are 8.857 years of 8766 h."""
    assert covered_years(1000.0, TRADE.factors(125.0, 1.8)[0]) == pytest.approx(
        77645.38205530277 / 8766, rel=1e-12
    )


def test_comparing_stresses() -> None:
    stresses = [(125.0, 1.98), (150.0, 1.98), (125.0, 2.1), (20.0, 0.01)]
    plan = replace(EXAMPLE, target_fit=50.0, confidence=0.9)
    rows = compare(plan, TERN, poisson_upper_count, stresses, 15.0)
    assert [(row.temp_c, row.supply_v) for row in rows] == stresses
    for row in rows[:3]:
        assert row.factors == TERN.factors(row.temp_c, row.supply_v)
        at = replace(plan, hours=None, temp_c=row.temp_c, supply_v=row.supply_v)
        assert row.hours == solve(at, TERN, poisson_upper_count).hours
        assert covered_years(row.life_h, min(row.factors)) == pytest.approx(15.0)
    assert rows[0].hours > rows[1].hours
    assert rows[3].hours is None


# --- refusals ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: replace(EXAMPLE, chips=0), "chips must be a whole number from 1 to 1000000; got 0"),
        (lambda: replace(EXAMPLE, chips=1.5), "chips must be a whole number .* got 1.5"),
        (lambda: replace(EXAMPLE, hours=0.0), "hours must be from 0.001 to 1e.07; got 0.0"),
        (lambda: replace(EXAMPLE, hours=math.nan), "hours must be .* got nan"),
        (lambda: replace(EXAMPLE, temp_c=401.0), "temp_c must be from -100 to 400; got 401.0"),
        (lambda: replace(EXAMPLE, supply_v=0.0), "supply_v must be"),
        (lambda: replace(EXAMPLE, failures=-1), "failures must be a whole number from 0"),
        (lambda: replace(EXAMPLE, failures=231), "failures must be fewer than the chips, 231; got 231"),
        (lambda: replace(EXAMPLE, confidence=1.0), "confidence must be from 0.01 to 0.999999; got 1.0"),
        (lambda: replace(EXAMPLE, target_fit=-5.0), "target_fit must be"),
        (lambda: solve(EXAMPLE, TRADE, poisson_upper_count), "exactly one quantity must be None; got none"),
        (
            lambda: solve(replace(EXAMPLE, chips=None, hours=None), TRADE, poisson_upper_count),
            "exactly one quantity must be None; got chips, hours",
        ),
        (
            lambda: hours_by_failures(replace(EXAMPLE, chips=None), TRADE, poisson_upper_count, 1),
            "chips must be known here",
        ),
        (
            lambda: solve(replace(EXAMPLE, supply_v=None), TRADE, poisson_upper_count),
            "supply_v can be solved for where a mechanism has gamma_per_v or voltage_exponent above 0",
        ),
        (
            lambda: Acceleration((Mechanism("c", -0.1),), TRADE.profile).least_temp_c([2.0], 1.8, 0.9),
            "temp_c can be solved for where a mechanism has ea_ev above 0",
        ),
        (lambda: Acceleration((), TRADE.profile), "mechanisms must be at least one"),
        (lambda: Acceleration(TRADE.mechanisms, TRADE.profile, math.inf), "self_heating_c must be"),
        (lambda: replace(TRADE, energies=(None, None)), "energies must be none or 1, one a mechanism; got 2"),
        (
            lambda: solve(replace(EXAMPLE, hours=None, temp_c=55.0), UNSURE_TRADE, poisson_upper_count),
            "temp_c must be above 55 where an activation energy has a standard deviation, .* got 55.0",
        ),
        (lambda: hours_by_failures(EXAMPLE, TRADE, poisson_upper_count, -1), "most must be"),
        (lambda: chance_of_passing(-1.0, 0, 1.0), "truth_over_target must be"),
        (lambda: chance_of_passing(1.0, -1, 1.0), "failures must be"),
        (lambda: chance_of_passing(1.0, 0, -1.0), "expected_at_target must be"),
        (
            lambda: chance_of_passing_watched(1.0, -1, 1.0, 0.9, poisson_upper_count),
            "failures must be",
        ),
        (lambda: covered_years(-1.0, 2.0), "hours must be"),
        (lambda: covered_years(1.0, 0.0), "factor must be"),
        (lambda: compare(EXAMPLE, TRADE, poisson_upper_count, [], 0.0), "life_years must be"),
    ],
)
def test_out_of_range_is_refused(call: Callable[[], object], names: str) -> None:
    with pytest.raises(ValueError, match=names):
        call()
