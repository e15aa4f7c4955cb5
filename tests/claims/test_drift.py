"""Parametric drift: changes and margins, shifted chips, extrapolation, the readout window.

Sources:
- Least squares, residual spread and prediction intervals: statsmodels (OLS, get_prediction) and scipy (linregress);
  NIST's certified Norris fit and R's cars fit stand with the published values.
- 1.4826 and 1.2533: 1 / the normal's upper quartile and sqrt(pi / 2), by scipy; the rule 3 x 1.4826 x MAD is common
  practice.
- The readout window and the re-stress table of JESD22-A108 are from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.claims import drift as d
from monitor.claims.drift import (
    LEAST_MARGIN,
    LEAST_PREDICTED_MARGIN,
    MODELS,
    Drift,
    Extrapolation,
    Limits,
    MeasuredParameter,
    Measurement,
    Model,
    ParameterDrift,
    Prediction,
    chip_drift,
    extrapolate,
    fit_line,
    late_readouts,
    life_in_stress_h,
    parameter_drift,
    restress_h,
)

HOURS = (0.0, 168.0, 500.0, 1000.0)
BOTH = Limits(0.0, 100.0)

confidences = st.floats(0.5, 0.99)
hour_sets = st.lists(st.integers(1, 3000), min_size=3, max_size=8, unique=True).map(
    lambda hours: [0.0, *(float(h) for h in sorted(hours))]
)


def measured(values: dict[str, tuple[float, ...]], limits: Limits = BOTH) -> MeasuredParameter:
    """A parameter of chips measured at the first of HOURS."""
    rows = [
        Measurement(serial, hour, value)
        for serial, series in values.items()
        for hour, value in zip(HOURS, series, strict=False)
    ]
    return MeasuredParameter("cell read margin", "mV", limits, tuple(rows))


def drift_of(values: dict[str, tuple[float, ...]], limits: Limits = BOTH) -> ParameterDrift:
    return parameter_drift(measured(values, limits), life_h=87660.0, acceleration=50.0, confidence=0.9)


def predicted(
    chip: Drift, model: Model, life_h: float, confidence: float = 0.9, limits: Limits = BOTH
) -> Prediction:
    prediction = extrapolate(chip, limits, model, life_h, confidence).prediction
    assert prediction is not None
    return prediction


# --- chips ---------------------------------------------------------------------------------------------------------


def test_changes_and_margins_of_one_chip() -> None:
    chip = chip_drift("A-1", HOURS, (-40.0, -30.0, -44.0, -51.0), Limits(-50.0, 0.0))
    assert chip.changes == (0.0, 10.0, -4.0, -11.0)
    assert chip.relative_changes == (
        0.0,
        0.25,
        -0.1,
        -0.275,
    )  # of the size of the 0 h value: the sign is the change's
    assert chip.margins == (10.0, 20.0, 6.0, -1.0)


def test_without_a_0_h_value_there_is_no_change() -> None:
    chip = chip_drift("A-1", HOURS[1:], (1.0, 2.0, 3.0), BOTH)
    assert chip.changes == chip.relative_changes == (None, None, None)
    assert chip.margins == (1.0, 2.0, 3.0)


def test_a_0_h_value_of_0_has_no_relative_change() -> None:
    chip = chip_drift("A-1", (0.0, 168.0), (0.0, 2.0), BOTH)
    assert chip.changes == (0.0, 2.0)
    assert chip.relative_changes == (None, None)


@pytest.mark.parametrize(
    ("limits", "margin"),
    [(Limits(2.0, None), 3.0), (Limits(None, 9.0), 4.0), (Limits(2.0, 9.0), 3.0), (Limits(5.0, 6.0), 0.0)],
)
def test_the_margin_is_to_the_nearer_of_the_limits_given(limits: Limits, margin: float) -> None:
    assert limits.margin(5.0) == margin


# --- the population at a read point --------------------------------------------------------------------------------


def test_read_points_have_count_median_and_worst_chip() -> None:
    result = drift_of({"B": (50.0, 40.0, 30.0), "A": (60.0, 55.0), "C": (10.0, 12.0, 14.0)})
    assert [(p.read_point_h, p.n, p.median, p.least_margin, p.worst_serial) for p in result.read_points] == [
        (0.0, 3, 50.0, 10.0, "C"),
        (168.0, 3, 40.0, 12.0, "C"),
        (500.0, 2, 22.0, 14.0, "C"),
    ]
    assert [(p.compared, p.median_change) for p in result.read_points] == [(0, None), (3, -5.0), (2, -8.0)]
    assert [chip.serial for chip in result.chips] == ["A", "B", "C"]
    assert result.life_stress_h == 87660.0 / 50.0
    assert (result.name, result.unit, result.limits, result.confidence) == (
        "cell read margin",
        "mV",
        BOTH,
        0.9,
    )


def test_chips_without_a_0_h_value_are_not_compared() -> None:
    rows = [Measurement(s, h, v) for s, h, v in (("A", 0, 5.0), ("A", 168, 6.0), ("B", 168, 50.0))]
    result = parameter_drift(MeasuredParameter("p", "V", BOTH, tuple(rows)), 1e5, 10.0, 0.9)
    assert (result.read_points[1].n, result.read_points[1].compared) == (2, 1)
    assert result.shifted == ()


def test_the_constants_make_both_deviations_the_standard_deviation_of_a_normal() -> None:
    assert 1 / scipy.stats.norm.ppf(0.75) == pytest.approx(d._MAD_TO_SIGMA, abs=5e-5)
    assert math.sqrt(math.pi / 2) == pytest.approx(d._MEAN_DEVIATION_TO_SIGMA, abs=5e-5)


@pytest.mark.parametrize(("change", "flagged"), [(4.44, False), (4.45, True), (-4.44, False), (-4.45, True)])
def test_a_chip_is_shifted_beyond_three_robust_standard_deviations(change: float, flagged: bool) -> None:
    """Median 0 and MAD 1 by scipy, so the distance is 3 x 1.4826 = 4.4478."""
    changes = [-2.0, -1.0, 0.0, 0.0, 0.0, 1.0, change, 2.0, -math.copysign(1.0, change)]
    assert float(np.median(changes)) == 0.0
    assert scipy.stats.median_abs_deviation(changes) == 1.0
    result = drift_of({f"A-{i}": (0.0, c) for i, c in enumerate(changes)}, Limits(-100.0, 100.0))
    assert [s.serial for s in result.shifted] == (["A-6"] if flagged else [])
    assert result.read_points[1].shift_beyond == pytest.approx(3 * 1.4826, rel=1e-15)
    for shift in result.shifted:
        assert (shift.read_point_h, shift.change, shift.from_median) == (168.0, change, change)


@given(st.lists(st.integers(-50, 50), min_size=1, max_size=12))
def test_shifted_chips_against_scipy(changes: list[int]) -> None:
    """Whole numbers, so that every difference is exact."""
    mad = float(scipy.stats.median_abs_deviation(changes))
    assume(mad > 0)
    off = np.abs(np.array(changes) - np.median(changes))
    result = drift_of({f"A-{i:02}": (0.0, float(c)) for i, c in enumerate(changes)}, Limits(-100.0, 100.0))
    assert [s.serial for s in result.shifted] == [f"A-{i:02}" for i in np.flatnonzero(off > 3 * 1.4826 * mad)]


def test_with_a_coarse_meter_one_step_is_no_shift() -> None:
    """40 of 77 chips unchanged, 37 one step up: MAD is 0; mean absolute deviation 37/77, so beyond 1.81 steps."""
    result = drift_of({f"A-{i:02}": (50.0, 50.0 + (i >= 40)) for i in range(77)})
    assert result.shifted == ()
    assert result.read_points[1].shift_beyond == pytest.approx(3 * 1.2533 * 37 / 77, rel=1e-12)


def test_with_a_mad_of_0_a_lone_chip_far_off_is_shifted() -> None:
    result = drift_of({f"A-{i:02}": (50.0, 50.0 + 3 * (i == 7)) for i in range(77)})
    assert [s.serial for s in result.shifted] == ["A-07"]


def test_rounding_is_no_shift() -> None:
    """Every chip changed by 0.1 as written; in binary the differences are not one and the same."""
    result = drift_of({f"A-{i:02}": (i / 10, (i + 1) / 10) for i in range(60)})
    changes = {chip.changes[1] for chip in result.chips}
    assert len(changes) > 1
    assert result.shifted == ()


def test_rounding_of_a_lone_chip_is_no_shift() -> None:
    """2.3 - 1.3 is two last digits short of 1 in binary."""
    assert 2.3 - 1.3 != 1.0
    result = drift_of({f"A-{i:02}": (1.0, 2.0) for i in range(20)} | {"B": (1.3, 2.3)})
    assert result.shifted == ()


@given(
    st.lists(st.integers(-20, 20), min_size=2, max_size=9),
    st.integers(-1000, 1000),
    st.sampled_from([1, -1]),
)
def test_what_all_chips_do_is_no_shift(changes: list[int], common: int, sign: int) -> None:
    """Adding to all changes, or turning all round, flags the same chips."""
    wide = Limits(-1e4, 1e4)
    plain = drift_of({f"A-{i:02}": (0.0, float(c)) for i, c in enumerate(changes)}, wide)
    moved = drift_of({f"A-{i:02}": (0.0, float(sign * c + common)) for i, c in enumerate(changes)}, wide)
    assert [s.serial for s in moved.shifted] == [s.serial for s in plain.shifted]


def test_a_value_outside_its_limits_is_a_parametric_failure_and_one_on_them_is_not() -> None:
    result = drift_of({"A": (0.0, 100.0), "B": (-0.5, 101.0), "C": (50.0, 50.0)})
    assert [(f.serial, f.read_point_h, f.value, f.margin) for f in result.failures] == [
        ("B", 0.0, -0.5, -0.5),
        ("B", 168.0, 101.0, -1.0),
    ]


# --- lines and their prediction intervals --------------------------------------------------------------------------


points = st.lists(
    st.tuples(st.integers(-1000, 1000), st.integers(-(10**6), 10**6)), min_size=3, max_size=12
).filter(lambda ps: len({x for x, _ in ps}) > 1)


@given(points, st.floats(-5000, 5000), confidences)
def test_lines_against_statsmodels(ps: list[tuple[int, int]], at: float, confidence: float) -> None:
    x, y = np.array(ps, dtype=float).T
    fit = fit_line(x.tolist(), y.tolist())
    theirs = sm.OLS(y, sm.add_constant(x, has_constant="add")).fit()
    scale = float(np.abs(y).max()) + 1.0
    reach_of_x = 1.0 + (abs(at) + float(np.abs(x).max())) / math.sqrt(fit.x_squares)
    tolerance = 1e-9 * scale * reach_of_x
    assert fit.at(0.0) == pytest.approx(theirs.params[0], abs=tolerance)
    assert fit.at(at) == pytest.approx(theirs.params[0] + theirs.params[1] * at, abs=tolerance)
    assert fit.residual_sd == pytest.approx(math.sqrt(theirs.scale), rel=1e-8, abs=1e-9 * scale)
    frame = theirs.get_prediction([[1.0, at]]).summary_frame(alpha=1 - confidence)
    reach = fit.reach(at, (1 + confidence) / 2)
    assert fit.at(at) + reach == pytest.approx(frame["obs_ci_upper"].item(), rel=1e-7, abs=100 * tolerance)
    assert fit.at(at) - reach == pytest.approx(frame["obs_ci_lower"].item(), rel=1e-7, abs=100 * tolerance)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("limits", [Limits(20.0, None), Limits(None, 70.0), Limits(20.0, 70.0)])
def test_extrapolations_against_statsmodels(model: Model, limits: Limits) -> None:
    values, life_h, confidence = np.array([50.0, 47.0, 45.5, 42.0]), 2500.0, 0.9
    after = np.array(HOURS[1:])
    x, y, x_life = {
        "linear": (np.array(HOURS), values, life_h),
        "log": (np.log10(after), values[1:], math.log10(life_h)),
        "power": (np.log(after), np.log(50.0 - values[1:]), math.log(life_h)),
    }[model]
    theirs = sm.OLS(y, sm.add_constant(x)).fit().get_prediction([[1.0, x_life]])
    two_sided = theirs.summary_frame(alpha=1 - confidence)
    one_sided = theirs.summary_frame(alpha=2 * (1 - confidence))

    def value(column: str, frame: object = two_sided) -> float:
        number = float(frame[column].item())  # type: ignore[index]
        return 50.0 - math.exp(number) if model == "power" else number

    low, high = ("obs_ci_upper", "obs_ci_lower") if model == "power" else ("obs_ci_lower", "obs_ci_upper")
    p = predicted(chip_drift("A", HOURS, values.tolist(), limits), model, life_h, confidence, limits)
    assert p.at_h == life_h
    assert p.points == len(x)
    assert p.value == pytest.approx(value("mean"), rel=1e-10)
    assert (p.low_end, p.high_end) == pytest.approx((value(low), value(high)), rel=1e-9)
    bounds = (value(low, one_sided), value(high, one_sided))
    margins = limits.margins(*bounds)
    toward_low = limits.low is not None and margins[0] == min(margins)
    assert p.bound == pytest.approx(bounds[0 if toward_low else 1], rel=1e-9)
    assert p.bound_margin == pytest.approx(min(margins), rel=1e-9)
    assert p.margin == pytest.approx(min(limits.margins(value("mean"), value("mean"))), rel=1e-9)


@given(
    hour_sets,
    st.tuples(st.floats(0.01, 10), st.floats(0.1, 1.5)),
    st.sampled_from([1, -1]),
    st.floats(1, 1e5),
    st.lists(st.floats(0.5, 2), min_size=8, max_size=8),
)
def test_power_law_against_scipy(
    hours: list[float], law: tuple[float, float], sign: int, life_h: float, noise: list[float]
) -> None:
    changes = [sign * law[0] * h ** law[1] * e for h, e in zip(hours[1:], noise, strict=False)]
    chip = chip_drift("A", hours, [0.0, *changes], BOTH)
    theirs = scipy.stats.linregress(np.log(hours[1:]), np.log(np.abs(changes)))
    there = theirs.intercept + theirs.slope * math.log(life_h)
    assume(abs(there) < 500)
    p = extrapolate(chip, BOTH, "power", life_h, 0.9).prediction
    assume(p is not None)
    assert p is not None
    assert p.value == pytest.approx(sign * math.exp(there), rel=1e-7)
    assert p.coefficients == pytest.approx(
        (sign * math.exp(theirs.intercept), theirs.slope), rel=1e-7, abs=1e-9
    )
    assert p.low_end <= p.value <= p.high_end


@given(hour_sets, st.integers(-100, 100), st.integers(-100, 100), st.floats(0.001, 1e6))
def test_an_exact_line_extrapolates_exactly(hours: list[float], a: int, b: int, life_h: float) -> None:
    chip = chip_drift("A", hours, [a + b * h for h in hours], BOTH)
    p = predicted(chip, "linear", life_h)
    scale = abs(a) + abs(b) * max(*hours, life_h) + 1
    assert p.value == pytest.approx(a + b * life_h, abs=1e-10 * scale)
    assert p.high_end - p.low_end <= 1e-8 * scale * (1 + life_h / max(hours))


@given(hour_sets, st.floats(-10, 10), st.floats(-10, 10), st.floats(0.1, 1e6))
def test_an_exact_log_extrapolates_exactly_whatever_the_0_h_value(
    hours: list[float], a: float, b: float, life_h: float
) -> None:
    assume(math.log10(hours[-1] / hours[1]) > 0.1)
    values = [1234.5, *(a + b * math.log10(h) for h in hours[1:])]
    p = predicted(chip_drift("A", hours, values, BOTH), "log", life_h)
    assert p.value == pytest.approx(a + b * math.log10(life_h), abs=1e-9)
    assert p.coefficients == pytest.approx((a, b), abs=1e-9)


@given(st.floats(0.001, 1), st.floats(0.1, 1), st.sampled_from([1, -1]), st.floats(1, 1e5))
def test_an_exact_power_law_extrapolates_exactly(
    factor: float, exponent: float, sign: int, life_h: float
) -> None:
    chip = chip_drift("A", HOURS, [0.0, *(sign * factor * h**exponent for h in HOURS[1:])], BOTH)
    p = predicted(chip, "power", life_h)
    assert p.value == pytest.approx(sign * factor * life_h**exponent, rel=1e-9)
    assert p.coefficients == pytest.approx((sign * factor, exponent), rel=1e-9)


@given(st.lists(st.floats(-5, 5), min_size=4, max_size=4), st.floats(0.1, 0.9), confidences)
def test_the_interval_shrinks_with_the_noise(noise: list[float], less: float, confidence: float) -> None:
    def width(factor: float) -> float:
        values = [50 - 0.01 * h + factor * e for h, e in zip(HOURS, noise, strict=True)]
        p = predicted(chip_drift("A", HOURS, values, BOTH), "linear", 2000.0, confidence)
        return p.high_end - p.low_end

    assume(width(1.0) > 1e-6)
    assert width(less) == pytest.approx(less * width(1.0), rel=1e-4)


@given(st.lists(st.floats(-5, 5), min_size=4, max_size=4), confidences, st.sampled_from(MODELS))
def test_intervals_nest_and_the_one_sided_bound_lies_inside(
    noise: list[float], confidence: float, model: Model
) -> None:
    values = [80.0, *(60 - 0.01 * h + e for h, e in zip(HOURS[1:], noise[1:], strict=True))]
    low_only = Limits(0.0, None)
    chip = chip_drift("A", HOURS, values, low_only)
    p = predicted(chip, model, 2000.0, confidence, low_only)
    wider = extrapolate(chip, low_only, model, 2000.0, (1 + confidence) / 2).prediction
    assert p.low_end <= p.bound <= p.value <= p.high_end
    assert p.bound_margin == p.bound
    if wider is not None:
        assert wider.low_end <= p.low_end
        assert p.high_end <= wider.high_end
        assert wider.bound == pytest.approx(p.low_end, rel=1e-9, abs=1e-9)  # (1 + C) / 2 on one side


def test_coverage_of_the_prediction_interval() -> None:
    """2000 seeded chips on a line with normal noise: the value then measured lies inside 90 times in a hundred."""
    rng = np.random.default_rng(20260301)
    runs, confidence, life_h = 2000, 0.9, 2000.0
    two_sided = one_sided = 0
    low_only = Limits(0.0, None)
    for noise in rng.normal(size=(runs, 5)):
        values = [90 - 0.01 * h + e for h, e in zip(HOURS, noise[:4], strict=True)]
        p = predicted(chip_drift("A", HOURS, values, low_only), "linear", life_h, confidence, low_only)
        then = 90 - 0.01 * life_h + noise[4]
        two_sided += p.low_end <= then <= p.high_end
        one_sided += p.bound <= then
    for inside in (two_sided, one_sided):
        assert (
            scipy.stats.binom.ppf(0.0005, runs, confidence)
            <= inside
            <= scipy.stats.binom.ppf(0.9995, runs, confidence)
        )


def test_one_limit_is_met_by_the_bound_and_two_by_both_ends() -> None:
    """A bound inside, and the wider end outside: enough against one limit, not against two."""
    values = (50.0, 48.0, 47.0, 41.0)
    p = predicted(chip_drift("A", HOURS, values, BOTH), "linear", 2000.0)
    between = (p.low_end + p.bound) / 2
    assert p.low_end < between < p.bound
    for limits, inside in ((Limits(between, None), True), (Limits(between, 1000.0), False)):
        again = predicted(chip_drift("A", HOURS, values, limits), "linear", 2000.0, limits=limits)
        assert again.inside
        assert again.inside_with_confidence is inside


def test_a_prediction_outside_says_so() -> None:
    p = predicted(chip_drift("A", HOURS, (50.0, 41.6, 25.0, 0.0), BOTH), "linear", 2000.0)
    assert p.value == pytest.approx(-50.0)
    assert p.margin == pytest.approx(-50.0)
    assert not p.inside
    assert not p.inside_with_confidence


# --- where there is nothing to fit ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "values", "fitted"),
    [
        ((0.0,), (50.0,), {}),
        ((0.0, 168.0), (50.0, 49.0), {}),
        ((0.0, 168.0, 500.0), (50.0, 49.0, 48.0), {"linear"}),
        ((168.0, 500.0, 1000.0), (50.0, 49.0, 48.0), {"linear", "log"}),
        (HOURS, (50.0, 49.0, 48.0, 47.0), {"linear", "log", "power"}),
        (HOURS, (50.0, 50.0, 48.0, 47.0), {"linear", "log"}),
        (HOURS, (50.0, 51.0, 48.0, 47.0), {"linear", "log"}),
    ],
)
def test_models_that_can_be_fitted(
    hours: tuple[float, ...], values: tuple[float, ...], fitted: set[str]
) -> None:
    chip = chip_drift("A", hours, values, BOTH)
    found = [extrapolate(chip, BOTH, model, 2000.0, 0.9) for model in MODELS]
    assert {e.model for e in found if e.prediction} == set(fitted)
    assert all((e.prediction is None) is (e.reason is not None) for e in found)


@pytest.mark.parametrize(
    ("hours", "values", "reason"),
    [
        ((0.0, 168.0, 500.0), (50.0, 49.0, 48.0), "2 usable read points; 3 are needed"),
        ((168.0, 500.0, 1000.0), (50.0, 49.0, 48.0), "without a 0 h value there is no change to fit"),
        (HOURS, (50.0, 50.0, 48.0, 47.0), "a change of 0 has no logarithm"),
        (HOURS, (50.0, 51.0, 48.0, 47.0), "changes of both signs follow no power law"),
        (HOURS, (50.0, 49.0, 49.9999, 1.0), "the prediction or its interval is beyond any number"),
        ((0.0, 1e15, 1e15 + 1, 1e15 + 2), (1.0, 2.0, 3.0, 4.0), "the read points are too close together"),
    ],
)
def test_reasons_against_a_power_law(
    hours: tuple[float, ...], values: tuple[float, ...], reason: str
) -> None:
    found = extrapolate(chip_drift("A", hours, values, BOTH), BOTH, "power", 1e9, 0.999).reason
    assert found == reason


# --- which chips are shown -----------------------------------------------------------------------------------------


def shown(extrapolations: tuple[Extrapolation, ...]) -> list[tuple[str, str, tuple[str, ...]]]:
    return [(e.model, e.serial, e.shown_for) for e in extrapolations]


def test_one_chip_that_is_worst_now_and_then_is_shown_once() -> None:
    result = drift_of({"A": (20.0, 19.0, 17.0, 15.0), "B": (50.0, 49.0, 48.0, 47.0)})
    both = (LEAST_MARGIN, LEAST_PREDICTED_MARGIN)
    assert shown(result.extrapolations) == [(model, "A", both) for model in MODELS]


def test_the_worst_now_and_the_worst_then_are_both_shown() -> None:
    """A is near its limit and stays there; B is far from it and falls fast."""
    result = drift_of({"A": (5.0, 4.9, 4.9, 4.9), "B": (50.0, 43.0, 30.0, 10.0)})
    assert shown(result.extrapolations) == [
        (model, serial, (why,))
        for model in MODELS
        for serial, why in (("A", LEAST_MARGIN), ("B", LEAST_PREDICTED_MARGIN))
    ]
    assert [e.prediction.inside for e in result.extrapolations[:2] if e.prediction] == [True, False]


def test_a_worst_chip_that_cannot_be_fitted_is_shown_with_the_reason() -> None:
    result = drift_of({"A": (5.0, 5.0, 4.0, 3.0), "B": (50.0, 49.0, 48.0, 47.0)})
    power = [e for e in result.extrapolations if e.model == "power"]
    assert [(e.serial, e.shown_for, e.reason) for e in power] == [
        ("A", (LEAST_MARGIN,), "a change of 0 has no logarithm"),
        ("B", (LEAST_PREDICTED_MARGIN,), None),
    ]


def test_where_no_chip_can_be_fitted_the_reason_stands_alone() -> None:
    result = drift_of({"A": (5.0, 4.0), "B": (50.0, 49.0)})
    assert shown(result.extrapolations) == [(model, "A", (LEAST_MARGIN,)) for model in MODELS]
    assert all(e.prediction is None and "3 are needed" in str(e.reason) for e in result.extrapolations)


def test_the_order_of_the_rows_does_not_show() -> None:
    p = measured({"A": (5.0, 4.9, 4.8, 4.9), "B": (50.0, 43.0, 30.0, 10.0)})
    turned = MeasuredParameter(p.name, p.unit, p.limits, p.measurements[::-1])
    assert parameter_drift(p, 1e5, 50.0, 0.9) == parameter_drift(turned, 1e5, 50.0, 0.9)


# --- the readout window --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("overrun_h", "hours"),
    [(0, 0), (0.5, 24), (168, 24), (168.5, 48), (336, 48), (336.5, 72), (504, 72), (505, 96)],
)
def test_restress_hours(overrun_h: float, hours: float) -> None:
    """JESD22-A108's table up to 504 h, and 24 h for each further week begun; from memory."""
    assert restress_h(overrun_h) == hours


def test_late_readouts_by_read_point_and_chip() -> None:
    rows = [
        Measurement("B", 168.0, 1.0, 96.0),  # the window itself is in time
        Measurement("A", 500.0, 1.0, 100.0),
        Measurement("A", 500.0, 2.0, 300.0),  # another parameter, measured later
        Measurement("B", 500.0, 1.0, None),
        Measurement("C", 168.0, 1.0, 97.0),
        Measurement("C", 0.0, 1.0, 5000.0),  # before any stress
    ]
    assert [
        (r.serial, r.read_point_h, r.off_stress_h, r.overrun_h, r.restress_h) for r in late_readouts(rows)
    ] == [
        ("C", 168.0, 97.0, 1.0, 24.0),
        ("A", 500.0, 300.0, 204.0, 48.0),
    ]
    assert [(r.serial, r.overrun_h) for r in late_readouts(rows, window_h=168.0)] == [("A", 132.0)]


# --- refusals ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 90, math.nan])
def test_confidence_out_of_range(confidence: float) -> None:
    chip = chip_drift("A", HOURS, (4.0, 3.0, 2.0, 1.0), BOTH)
    for refused in (
        lambda: extrapolate(chip, BOTH, "linear", 1e3, confidence),
        lambda: parameter_drift(measured({"A": (1.0,)}), 1e5, 50.0, confidence),
        lambda: fit_line([0, 1, 2], [0, 1, 3]).reach(1.0, confidence),
    ):
        with pytest.raises(ValueError, match=rf"confidence must .*got {confidence}"):
            refused()


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_life_acceleration_and_window_out_of_range(bad: float) -> None:
    chip = chip_drift("A", HOURS, (4.0, 3.0, 2.0, 1.0), BOTH)
    with pytest.raises(ValueError, match=rf"life_h must .*got {bad}"):
        life_in_stress_h(bad, 50.0)
    with pytest.raises(ValueError, match=rf"acceleration must .*got {bad}"):
        life_in_stress_h(1e5, bad)
    with pytest.raises(ValueError, match=rf"life_h must .*got {bad}"):
        parameter_drift(measured({"A": (1.0,)}), bad, 50.0, 0.9)
    with pytest.raises(ValueError, match=rf"acceleration must .*got {bad}"):
        parameter_drift(measured({"A": (1.0,)}), 1e5, bad, 0.9)
    with pytest.raises(ValueError, match=rf"life_stress_h must .*got {bad}"):
        extrapolate(chip, BOTH, "linear", bad, 0.9)
    with pytest.raises(ValueError, match=rf"window_h must .*got {bad}"):
        late_readouts([], bad)


@pytest.mark.parametrize(("life_h", "acceleration"), [(1e300, 1e-300), (1e-300, 1e300)])
def test_a_life_no_number_holds(life_h: float, acceleration: float) -> None:
    with pytest.raises(ValueError, match="acceleration must leave a life"):
        life_in_stress_h(life_h, acceleration)


@pytest.mark.parametrize(
    "hours", [(0.0, 168.0, 168.0), (168.0, 0.0, 500.0), (-1.0, 0.0, 1.0), (0.0, 1.0, math.nan)]
)
def test_hours_must_rise_from_0_or_later(hours: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="hours must"):
        chip_drift("A", hours, (1.0, 2.0, 3.0), BOTH)


def test_a_chip_measured_twice_at_a_read_point() -> None:
    twice = MeasuredParameter("p", "V", BOTH, (Measurement("A", 168.0, 1.0), Measurement("A", 168.0, 2.0)))
    with pytest.raises(ValueError, match=r"hours must rise; got 168.0 after 168.0"):
        parameter_drift(twice, 1e5, 50.0, 0.9)


def test_other_arguments_out_of_range() -> None:
    with pytest.raises(ValueError, match=r"values must be one for each of the hours; got 1 for 2"):
        chip_drift("A", (0.0, 1.0), (1.0,), BOTH)
    with pytest.raises(ValueError, match=r"values must be one for each of the hours; got 0 for 0"):
        chip_drift("A", (), (), BOTH)
    with pytest.raises(ValueError, match=r"values must be a finite number; got inf"):
        chip_drift("A", (0.0,), (math.inf,), BOTH)
    with pytest.raises(ValueError, match=r"measurements must be one or more"):
        parameter_drift(MeasuredParameter("p", "V", BOTH, ()), 1e5, 50.0, 0.9)
    with pytest.raises(ValueError, match=r"model must be one of linear, log, power; got 'square'"):
        extrapolate(chip_drift("A", HOURS, (4.0, 3.0, 2.0, 1.0), BOTH), BOTH, "square", 1e3, 0.9)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"overrun_h must .*got -1"):
        restress_h(-1)
    with pytest.raises(ValueError, match=r"off_stress_h must .*got -5"):
        late_readouts([Measurement("A", 168.0, 1.0, -5.0)])


@pytest.mark.parametrize(
    ("low", "high", "message"),
    [
        (None, None, "low or high must be a number"),
        (math.nan, None, "low must be a finite number"),
        (None, math.inf, "high must be a finite number"),
        (2.0, 2.0, r"low must be below high, 2.0; got 2.0"),
        (3.0, 2.0, r"low must be below high, 2.0; got 3.0"),
    ],
)
def test_limits_that_are_none(low: float | None, high: float | None, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Limits(low, high)


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        ([0.0, 1.0], [0.0, 1.0], "x and y must be of one length, 3 or more; got 2 and 2"),
        ([0.0, 1.0, 2.0], [0.0, 1.0], "x and y must be of one length, 3 or more; got 3 and 2"),
        ([1.0, 1.0, 1.0], [0.0, 1.0, 2.0], "x must have values that differ"),
        ([0.0, 1.0, math.nan], [0.0, 1.0, 2.0], "x must be a finite number"),
        ([0.0, 1.0, 2.0], [0.0, math.inf, 2.0], "y must be a finite number"),
    ],
)
def test_points_that_give_no_line(x: list[float], y: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fit_line(x, y)
