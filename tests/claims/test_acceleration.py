"""Acceleration factors, the effective temperature of a profile, and the warnings.

Sources: independent arithmetic by mpmath (the equations: JESD74A [1], thermal; JESD91 and JEP122, exponential in
voltage), and laws. The published factors are in tests/published.
"""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from monitor.claims import ZERO_C_K, Mechanism, UseCondition, acceleration_factor
from monitor.claims.acceleration import (
    HIGHEST_USUAL_FACTOR,
    WIDEST_USUAL_EXTRAPOLATION_C,
    effective_temp_c,
    weaknesses,
)

# The invented campaign's profile and mechanisms.
PROFILE = [
    UseCondition(0.06, -20.0, 1.80, 4.0),
    UseCondition(0.20, 25.0, 1.75, 4.0),
    UseCondition(0.74, 60.0, 1.85, 2.5),
]
MECHANISMS = [
    Mechanism("charge-loss", 1.1),
    Mechanism("gate-oxide", 0.7, gamma_per_v=3.5),
    Mechanism("inter-metal", 0.75, voltage_exponent=40.0),
    Mechanism("hot-carrier", -0.15, gamma_per_v=2.0),
]
THERMAL = Mechanism("thermal", ea_ev=0.7)


def mpmath_factor(
    mechanism: Mechanism, profile: list[UseCondition], temp_c: float, supply_v: float, heating_c: float
) -> float:
    """The definition at 40 digits: factor by factor, no logarithms."""
    with mpmath.workdps(40):
        k = mpmath.mpf("8.617333262e-5")

        def junction(ambient: float, heating: float) -> mpmath.mpf:
            return mpmath.mpf(ambient) + mpmath.mpf(heating) + mpmath.mpf("273.15")

        stress_h = mpmath.mpf(0)
        for use in profile:
            inverse_k = 1 / junction(use.temp_c, use.self_heating_c) - 1 / junction(temp_c, heating_c)
            one = mpmath.exp(mpmath.mpf(mechanism.ea_ev) / k * inverse_k)
            one *= mpmath.exp(mpmath.mpf(mechanism.gamma_per_v) * (mpmath.mpf(supply_v) - use.supply_v))
            one *= (mpmath.mpf(supply_v) / use.supply_v) ** mechanism.voltage_exponent
            stress_h += mpmath.mpf(use.share) / one
        return float(1 / stress_h)


@pytest.mark.parametrize("mechanism", MECHANISMS, ids=lambda mechanism: mechanism.name)
@pytest.mark.parametrize(("temp_c", "supply_v"), [(125.0, 1.98), (150.0, 2.2), (85.0, 1.8), (-40.0, 1.6)])
def test_against_mpmath(mechanism: Mechanism, temp_c: float, supply_v: float) -> None:
    for profile in ([UseCondition(1.0, 55.0, 1.8, 4.0)], PROFILE):
        expected = mpmath_factor(mechanism, profile, temp_c, supply_v, 4.0)
        assert float(acceleration_factor(mechanism, profile, temp_c, supply_v, 4.0)) == pytest.approx(
            expected, rel=1e-12
        )


@pytest.mark.parametrize(
    ("ea_ev", "use_c", "stress_c"),
    [
        (0.04, -272.0, -271.5),  # near absolute zero: 1/T is all there is
        (0.001, -273.0, 1000.0),
        (5.0, -60.0, 300.0),
        (2.0, 1500.0, 3000.0),
        (1.1, 300.0, -60.0),  # a factor of 1e-16
        (-0.2, 25.0, -200.0),  # worse when cold
        (1e-9, -40.0, 150.0),
    ],
)
def test_extreme_temperatures_against_mpmath(ea_ev: float, use_c: float, stress_c: float) -> None:
    """An exponent of some hundreds carries its own rounding into the factor: hence 1e-10."""
    mechanism, use = Mechanism("extreme", ea_ev), [UseCondition(1.0, use_c, 1.8)]
    expected = mpmath_factor(mechanism, use, stress_c, 1.8, 0.0)
    assert float(acceleration_factor(mechanism, use, stress_c, 1.8, 0.0)) == pytest.approx(
        expected, rel=1e-10
    )


def test_use_is_its_own_stress() -> None:
    for mechanism in MECHANISMS:
        for use in PROFILE:
            alone = [UseCondition(1.0, use.temp_c, use.supply_v, use.self_heating_c)]
            assert acceleration_factor(mechanism, alone, use.temp_c, use.supply_v, use.self_heating_c) == 1.0


def test_shape_is_the_broadcast_one() -> None:
    temps = np.array([[120.0], [125.0]])
    volts = np.array([1.9, 2.0, 2.1])
    factor = acceleration_factor(MECHANISMS[1], PROFILE, temps, volts, 4.0)
    assert factor.shape == (2, 3)
    assert factor.dtype == np.float64
    assert acceleration_factor(THERMAL, PROFILE, temps, 1.8, 4.0).shape == (2, 1)
    assert acceleration_factor(THERMAL, PROFILE, 125, 1.8, 4.0).shape == ()
    assert acceleration_factor(THERMAL, PROFILE, np.empty(0), 1.8, 4.0).shape == (0,)


@given(
    temps=hnp.arrays(np.float64, st.integers(1, 70), elements=st.floats(-60, 200)),
    volts=st.data(),
    mechanism=st.sampled_from([*MECHANISMS, Mechanism("square", 0.5, voltage_exponent=2.0)]),
)
def test_batch_equals_one_by_one_bit_for_bit(
    temps: np.ndarray, volts: st.DataObject, mechanism: Mechanism
) -> None:
    supplies = volts.draw(hnp.arrays(np.float64, temps.shape, elements=st.floats(0.5, 4.0)))
    batch = acceleration_factor(mechanism, PROFILE, temps, supplies, 4.0)
    singles = [
        float(acceleration_factor(mechanism, PROFILE, float(t), float(v), 4.0))
        for t, v in zip(temps, supplies, strict=True)
    ]
    assert batch.tolist() == singles
    backwards = acceleration_factor(mechanism, PROFILE, temps[::-1], supplies[::-1], 4.0)
    assert backwards[::-1].tolist() == singles
    for start in range(min(5, len(temps))):  # other places in the vector registers
        assert (
            acceleration_factor(mechanism, PROFILE, temps[start:], supplies[start:], 4.0).tolist()
            == (singles[start:])
        )
    strided = np.column_stack([temps, supplies])
    assert acceleration_factor(mechanism, PROFILE, strided[:, 0], strided[:, 1], 4.0).tolist() == singles


@given(
    temp_c=st.floats(-40, 199),
    step_c=st.floats(0.01, 50),
    supply_v=st.floats(1.0, 3.0),
    step_v=st.floats(0.001, 1),
)
def test_hotter_and_higher_is_faster(temp_c: float, step_c: float, supply_v: float, step_v: float) -> None:
    for mechanism in MECHANISMS[1:3]:
        factor = acceleration_factor(
            mechanism,
            PROFILE,
            [temp_c, temp_c + step_c, temp_c],
            [supply_v, supply_v, supply_v + step_v],
            4.0,
        )
        assert factor[0] < factor[1]
        assert factor[0] < factor[2]


def test_profile_lies_between_its_conditions_and_its_order_hardly_shows() -> None:
    alone = [
        float(
            acceleration_factor(
                THERMAL, [UseCondition(1.0, u.temp_c, u.supply_v, u.self_heating_c)], 125, 1.8, 4.0
            )
        )
        for u in PROFILE
    ]
    mixed = float(acceleration_factor(THERMAL, PROFILE, 125, 1.8, 4.0))
    assert min(alone) < mixed < max(alone)
    harmonic = 1 / math.fsum(u.share / factor for u, factor in zip(PROFILE, alone, strict=True))
    assert mixed == pytest.approx(harmonic, rel=1e-14)
    assert float(acceleration_factor(THERMAL, PROFILE[::-1], 125, 1.8, 4.0)) == pytest.approx(
        mixed, rel=1e-14
    )


ONE = [UseCondition(1.0, 55.0, 1.8)]


@pytest.mark.parametrize(
    ("profile", "temp_c", "supply_v", "heating_c", "message"),
    [
        ([], 125.0, 1.8, 0.0, r"profile must have shares that add up to 1; got 0\.0"),
        ([UseCondition(0.5, 55.0, 1.8)], 125.0, 1.8, 0.0, r"profile .*got 0\.5"),
        (ONE, [125.0, math.nan], 1.8, 0.0, r"temp_c .*got nan"),
        (ONE, -273.15, 1.8, 0.0, r"temp_c .*absolute zero; got -273\.15"),
        (ONE, 125.0, math.inf, 0.0, r"supply_v .*got inf"),
        (ONE, 125.0, [1.8, 0.0], 0.0, r"supply_v must be above 0 V.*got 0\.0"),
        ([UseCondition(1.0, 55.0, 0.0)], 125.0, 1.8, 0.0, r"profile supply_v .*got 0\.0"),
        (ONE, 125.0, 1.8, math.nan, r"self_heating_c .*got nan"),
        (ONE, 125.0, 1e12, 0.0, r"temp_c must be such that the acceleration factor is a number; got 125\.0"),
        (ONE, -273.0, 1.8, 0.0, r"temp_c must be such that the acceleration factor is a number; got -273\.0"),
    ],
)
def test_refusals(
    profile: list[UseCondition], temp_c: object, supply_v: object, heating_c: float, message: str
) -> None:
    power_law = Mechanism("power law", 0.7, voltage_exponent=40.0)
    with pytest.raises(ValueError, match=message):
        acceleration_factor(power_law, profile, temp_c, supply_v, heating_c)


USE = {"share": 1.0, "temp_c": 55.0, "supply_v": 1.8}
BAD_FACTS = [
    (UseCondition, USE | {"share": 0.0}, r"share .*got 0\.0"),
    (UseCondition, USE | {"share": 1.01}, r"share .*got 1\.01"),
    (UseCondition, USE | {"share": math.nan}, r"share .*got nan"),
    (UseCondition, USE | {"temp_c": -280.0}, r"temp_c .*got -280\.0"),
    (UseCondition, USE | {"supply_v": math.nan}, r"supply_v .*got nan"),
    (UseCondition, USE | {"self_heating_c": math.inf}, r"self_heating_c .*got inf"),
    (Mechanism, {"name": "x", "ea_ev": math.nan}, r"ea_ev .*got nan"),
    (
        Mechanism,
        {"name": "x", "ea_ev": 0.7, "gamma_per_v": 1.0, "voltage_exponent": 2.0},
        r"exclude each other; got 1\.0 and 2\.0",
    ),
]


@pytest.mark.parametrize(("kind", "fields", "message"), BAD_FACTS)
def test_facts_out_of_range_cannot_exist(kind: type, fields: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        kind(**fields)


# --- effective temperature -----------------------------------------------------------------------------------------

PROFILES = st.lists(
    st.tuples(st.floats(0.01, 1.0), st.floats(-60.0, 150.0), st.floats(0.0, 20.0)), min_size=1, max_size=5
).map(
    lambda lines: [
        UseCondition(share / math.fsum(line[0] for line in lines), temp_c, 1.8, heating_c)
        for share, temp_c, heating_c in lines
    ]
)


def junctions_c(profile: list[UseCondition]) -> list[float]:
    return [use.junction_k - ZERO_C_K for use in profile]


@given(
    profile=PROFILES,
    ea_ev=st.floats(-1.0, 2.5).filter(lambda ea_ev: abs(ea_ev) > 1e-3),
    stress_c=st.floats(0, 200),
)
def test_effective_temperature_has_the_factor_of_the_profile(
    profile: list[UseCondition], ea_ev: float, stress_c: float
) -> None:
    mechanism = Mechanism("thermal", ea_ev)
    one = [UseCondition(1.0, effective_temp_c(mechanism, profile), 1.8)]
    of_profile = float(acceleration_factor(mechanism, profile, stress_c, 1.8, 4.0))
    assert float(acceleration_factor(mechanism, one, stress_c, 1.8, 4.0)) == pytest.approx(
        of_profile, rel=1e-9
    )


@given(profile=PROFILES, low_ev=st.floats(0.0, 2.0), step_ev=st.floats(0.01, 1.0))
def test_effective_temperature_lies_inside_and_rises_with_the_energy(
    profile: list[UseCondition], low_ev: float, step_ev: float
) -> None:
    assume(low_ev > 1e-6)
    low = effective_temp_c(Mechanism("low", low_ev), profile)
    high = effective_temp_c(Mechanism("high", low_ev + step_ev), profile)
    assert min(junctions_c(profile)) - 1e-9 <= low <= high + 1e-9
    assert high <= max(junctions_c(profile)) + 1e-9


@pytest.mark.parametrize("ea_ev", [-2.0, -0.15, -1e-7, 1e-30, 1e-12, 1e-6, 0.01, 0.7, 1.1, 3.0, 40.0])
def test_effective_temperature_against_mpmath(ea_ev: float) -> None:
    """The definition at 60 digits."""
    with mpmath.workdps(60):
        scale = mpmath.mpf(ea_ev) / mpmath.mpf("8.617333262e-5")
        shares, total = [mpmath.mpf(use.share) for use in PROFILE], mpmath.mpf(0)
        for use, share in zip(PROFILE, shares, strict=True):
            junction = mpmath.mpf(use.temp_c) + mpmath.mpf(use.self_heating_c) + mpmath.mpf("273.15")
            total += share * mpmath.exp(-scale / junction)
        expected = float(-scale / mpmath.log(total / mpmath.fsum(shares)) - mpmath.mpf("273.15"))
    assert effective_temp_c(Mechanism("thermal", ea_ev), PROFILE) == pytest.approx(expected, abs=1e-9)


def test_effective_temperature_of_one_condition_is_its_junction() -> None:
    one = [UseCondition(1.0, 55.0, 1.8, 4.0)]
    for ea_ev in (-0.5, 0.0, 0.7):
        assert effective_temp_c(Mechanism("any", ea_ev), one) == pytest.approx(59.0, abs=1e-12)


def test_no_effective_temperature_without_an_activation_energy() -> None:
    with pytest.raises(
        ValueError, match=r"ea_ev must not be 0 where the junctions of a profile differ.*got 0\.0"
    ):
        effective_temp_c(Mechanism("athermal", 0.0, gamma_per_v=2.0), PROFILE)
    with pytest.raises(ValueError, match=r"profile must have shares that add up to 1"):
        effective_temp_c(THERMAL, PROFILE[:2])


# --- weaknesses ----------------------------------------------------------------------------------------------------


def test_an_ordinary_test_has_no_weakness() -> None:
    assert weaknesses(THERMAL, PROFILE, 125.0, 1.98, 4.0) == ()


@pytest.mark.parametrize(
    ("mechanism", "profile", "temp_c", "expected"),
    [
        (
            THERMAL,
            [UseCondition(0.94, 55.0, 1.8), UseCondition(0.06, 130.0, 1.8, 5.0)],
            125.0,
            [
                "Use is hotter than the stress for 6 % of the operating time: junction up to 135.0 °C in use, 125.0 °C"
            ],
        ),
        (
            THERMAL,
            [UseCondition(1.0, 55.0, 1.8)],
            50.0,
            ["Use is hotter than the stress for 100 %", "the stress is milder than use"],
        ),
        (Mechanism("steep", 1.1), [UseCondition(1.0, 55.0, 1.8)], 150.0, ["of use, more than 1000:"]),
        (
            Mechanism("flat", 0.1),
            [UseCondition(1.0, 25.0, 1.8)],
            126.0,
            ["The stress junction, 126.0 °C, is 101.0 °C away from the effective junction in use, 25.0 °C"],
        ),
        (
            Mechanism("athermal", 0.0, gamma_per_v=2.0),
            PROFILE,
            125.0,
            ["The activation energy is 0"],
        ),
    ],
)
def test_weaknesses(
    mechanism: Mechanism, profile: list[UseCondition], temp_c: float, expected: list[str]
) -> None:
    found = weaknesses(mechanism, profile, temp_c, 1.85, 0.0)
    assert len(found) == len(expected)
    for sentence, part in zip(found, expected, strict=True):
        assert part in sentence
        assert sentence.endswith(".")


def test_the_limits_themselves_are_not_warned_of() -> None:
    use = [UseCondition(1.0, 25.0, 1.8)]
    assert weaknesses(Mechanism("flat", 0.1), use, 25.0 + WIDEST_USUAL_EXTRAPOLATION_C, 1.8, 0.0) == ()
    gamma = math.log(HIGHEST_USUAL_FACTOR)
    for excess_v, count in ((-1e-6, 0), (1e-6, 1)):
        voltage = Mechanism("voltage", 0.0, gamma_per_v=gamma)
        assert len(weaknesses(voltage, use, 25.0, 2.8 + excess_v, 0.0)) == count


def test_weaknesses_refuse_what_the_factor_refuses() -> None:
    with pytest.raises(ValueError, match=r"temp_c .*got nan"):
        weaknesses(THERMAL, PROFILE, math.nan, 1.8, 0.0)
