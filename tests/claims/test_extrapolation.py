"""Extrapolation of measured values: lines and prediction intervals, models, and the chips that are shown.

Sources:
- Least squares, residual spread and prediction intervals: statsmodels (OLS, get_prediction) and scipy (linregress);
  NIST's certified Norris fit and R's cars fit stand with the published values.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.claims.drift import Drift, Limits, MeasuredParameter, Measurement, chip_drift
from monitor.claims.extrapolation import (
    LEAST_MARGIN,
    LEAST_PREDICTED_MARGIN,
    MODELS,
    Extrapolation,
    Model,
    ParameterDrift,
    Prediction,
    extrapolate,
    fit_line,
    life_in_stress_h,
    parameter_drift,
)

HOURS = (0.0, 168.0, 500.0, 1000.0)
BOTH = Limits(0.0, 100.0)

confidences = st.floats(0.5, 0.99)
hour_sets = st.lists(st.integers(1, 3000), min_size=3, max_size=8, unique=True).map(
    lambda hours: [0.0, *(float(h) for h in sorted(hours))]
)


def measured(values: dict[str, tuple[float, ...]]) -> MeasuredParameter:
    """A parameter of chips measured at the first of HOURS."""
    rows = [
        Measurement(serial, hour, value)
        for serial, series in values.items()
        for hour, value in zip(HOURS, series, strict=False)
    ]
    return MeasuredParameter("cell read margin", "mV", BOTH, tuple(rows))


def drift_of(values: dict[str, tuple[float, ...]]) -> ParameterDrift:
    return parameter_drift(measured(values), life_h=87660.0, acceleration=50.0, confidence=0.9)


def predicted(
    chip: Drift, model: Model, life_h: float, confidence: float = 0.9, limits: Limits = BOTH
) -> Prediction:
    prediction = extrapolate(chip, limits, model, life_h, confidence).prediction
    assert prediction is not None
    return prediction


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
def test_life_and_acceleration_out_of_range(bad: float) -> None:
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


@pytest.mark.parametrize(("life_h", "acceleration"), [(1e300, 1e-300), (1e-300, 1e300)])
def test_a_life_no_number_holds(life_h: float, acceleration: float) -> None:
    with pytest.raises(ValueError, match="acceleration must leave a life"):
        life_in_stress_h(life_h, acceleration)


def test_a_model_that_is_none() -> None:
    with pytest.raises(ValueError, match=r"model must be one of linear, log, power; got 'square'"):
        extrapolate(chip_drift("A", HOURS, (4.0, 3.0, 2.0, 1.0), BOTH), BOTH, "square", 1e3, 0.9)  # type: ignore[arg-type]


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
