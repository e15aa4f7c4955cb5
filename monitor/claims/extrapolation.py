"""Where a chip's measured value would be at the end of life, and with it all that is said of a parameter.

An **extrapolation** is a least-squares line through the values of one chip, its own and no other's, with the textbook
prediction interval for one more measurement: ``y +- t s sqrt(1 + 1/n + (x - mean x)^2 / Sxx)``, t with n - 2 degrees of
freedom. Which of the models holds is not for the data of four read points to say: all are shown. Values that lie on the
line exactly give an interval of no width; it knows nothing of the meter's resolution.

The chip shown is the worst of many, picked after looking; its interval is that of one chip and makes no allowance for
the choice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from scipy.special import stdtrit

from monitor.claims import _checks
from monitor.claims.drift import (
    Drift,
    Limits,
    MeasuredParameter,
    ParametricFailure,
    ReadPoint,
    ShiftedChip,
    chip_drifts,
    parametric_failures,
    read_points,
    shifted_chips,
)

Model = Literal["linear", "log", "power"]

MODELS: tuple[Model, ...] = ("linear", "log", "power")
"""The models of an extrapolation, in the order they are reported."""

MODEL_NOTES: dict[Model, str] = {
    "linear": "value = a + b t; the 0 h value is a point like the others",
    "log": "value = a + b log10(t / 1 h); the 0 h value has no logarithm and is left out of the fit",
    "power": "change since 0 h = A (t / 1 h)^n; the 0 h value is taken as exact, its scatter is in no interval",
}
"""What each model fits, and how it uses the 0 h value."""

LEAST_MARGIN = "least margin at the last read point"
LEAST_PREDICTED_MARGIN = "least predicted margin"

_LEAST_POINTS = 3  # two leave no degree of freedom to tell a line from noise
_BEYOND_NUMBERS = "the prediction or its interval is beyond any number"


@dataclass(frozen=True, slots=True)
class LineFit:
    """Least-squares line through n points: ``y = y_mean + slope (x - x_mean)``.

    ``residual_sd`` has n - 2 degrees of freedom; ``x_squares`` is the sum of squares of x about its mean.
    """

    n: int
    x_mean: float
    y_mean: float
    slope: float
    residual_sd: float
    x_squares: float

    def at(self, x: float) -> float:
        """The line at x."""
        return self.y_mean + self.slope * (x - self.x_mean)

    def reach(self, x: float, probability: float) -> float:
        """How far above the line one more y at x stays with ``probability``; negative below one half.

        (Draper & Smith, Applied Regression Analysis, section 1.4; from memory.)
        """
        _checks.confidence_level(probability)
        distance = x - self.x_mean
        spread = math.sqrt(1 + 1 / self.n + distance * distance / self.x_squares)
        return _t_quantile(self.n - 2, probability) * self.residual_sd * spread


@dataclass(frozen=True, slots=True)
class Prediction:
    """One more measurement of the chip at ``at_h`` hours of stress, in the parameter's unit.

    ``coefficients`` are (a, b), for a power law (A, n), as MODEL_NOTES names them. ``low_end`` and ``high_end`` hold
    the value with the confidence; ``bound`` does so on one side, toward the limit that it comes nearest to.
    ``inside`` tells of the value; ``inside_with_confidence`` of the bound, or of both ends where there are two limits.
    """

    at_h: float
    coefficients: tuple[float, float]
    points: int
    value: float
    margin: float
    low_end: float
    high_end: float
    bound: float
    bound_margin: float
    inside: bool
    inside_with_confidence: bool


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """A model for one chip: its prediction, or the reason why there is none.

    ``shown_for`` tells why this chip was picked; empty when it was asked for.
    """

    model: Model
    serial: str
    shown_for: tuple[str, ...]
    prediction: Prediction | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class ParameterDrift:
    """All that is said of one parameter; read points rise, chips stand by serial."""

    name: str
    unit: str
    limits: Limits
    chips: tuple[Drift, ...]
    read_points: tuple[ReadPoint, ...]
    shifted: tuple[ShiftedChip, ...]
    failures: tuple[ParametricFailure, ...]
    confidence: float
    life_stress_h: float
    extrapolations: tuple[Extrapolation, ...]


def parameter_drift(
    parameter: MeasuredParameter, life_h: float, acceleration: float, confidence: float
) -> ParameterDrift:
    """Drift of a parameter over its chips, and extrapolations to a field life of ``life_h`` hours of use.

    ``acceleration``: hours of use that one hour of stress stands for. Each model is shown for the chip with the least
    margin at the last read point and, where that is another, for the chip with the least predicted margin.

    Raises ValueError for a life or an acceleration that is not above 0, for a confidence outside (0, 1), without a
    measurement, and for a chip measured twice at a read point.
    """
    life_stress_h = life_in_stress_h(life_h, acceleration)
    _checks.confidence_level(confidence)
    chips = chip_drifts(parameter)
    points = read_points(chips)
    return ParameterDrift(
        parameter.name,
        parameter.unit,
        parameter.limits,
        chips,
        points,
        shifted_chips(points, chips),
        parametric_failures(points, chips),
        confidence,
        life_stress_h,
        tuple(_worst(chips, points[-1].worst_serial, parameter.limits, life_stress_h, confidence)),
    )


def _worst(
    chips: Sequence[Drift], least_now: str, limits: Limits, life_stress_h: float, confidence: float
) -> list[Extrapolation]:
    """For each model: the chip worst at the last read point, and the chip worst as predicted if that is another."""
    found = []
    for model in MODELS:
        by_serial = {c.serial: extrapolate(c, limits, model, life_stress_h, confidence) for c in chips}
        shown = {least_now: [LEAST_MARGIN]}
        predicted = [(e.prediction.margin, e.serial) for e in by_serial.values() if e.prediction]
        if predicted:
            shown.setdefault(min(predicted)[1], []).append(LEAST_PREDICTED_MARGIN)
        found += [replace(by_serial[serial], shown_for=tuple(why)) for serial, why in shown.items()]
    return found


def life_in_stress_h(life_h: float, acceleration: float) -> float:
    """The field life of ``life_h`` hours of use, in hours of stress: ``life_h / acceleration``."""
    _checks.positive("life_h", life_h)
    _checks.positive("acceleration", acceleration)
    life_stress_h = life_h / acceleration
    if not 0 < life_stress_h < math.inf:
        raise ValueError(f"acceleration must leave a life that a number holds; got {acceleration!r}")
    return life_stress_h


def extrapolate(
    chip: Drift, limits: Limits, model: Model, life_stress_h: float, confidence: float
) -> Extrapolation:
    """One chip's value after ``life_stress_h`` hours of stress, by ``model``; MODEL_NOTES tells what is fitted.

    Where the model cannot be fitted there is a reason instead of a prediction. Raises ValueError for a model unknown,
    hours that are not above 0 and a confidence outside (0, 1).
    """
    _checks.positive("life_stress_h", life_stress_h)
    _checks.confidence_level(confidence)
    try:
        line = _line(chip, model)
        outcome = line if isinstance(line, str) else _prediction(line, limits, life_stress_h, confidence)
    except OverflowError:
        outcome = _BEYOND_NUMBERS
    if isinstance(outcome, Prediction) and not _all_finite(outcome):
        outcome = _BEYOND_NUMBERS
    if isinstance(outcome, str):
        return Extrapolation(model, chip.serial, (), None, outcome)
    return Extrapolation(model, chip.serial, (), outcome, None)


@dataclass(frozen=True, slots=True)
class _Line:
    """A fit with the way in and out: hours to x, y to a value, and the coefficients as they are reported.

    ``rising``: whether the value rises with y.
    """

    fit: LineFit
    coefficients: tuple[float, float]
    to_x: Callable[[float], float]
    to_value: Callable[[float], float]
    rising: bool


def _line(chip: Drift, model: Model) -> _Line | str:
    """The fit of ``model``, or the reason why there is none."""
    match model:
        case "linear":
            return _straight(chip, float)
        case "log":
            return _straight(chip, math.log10, after_h=0.0)
        case "power":
            return _power(chip)
    raise ValueError(f"model must be one of {', '.join(MODELS)}; got {model!r}")


def _straight(chip: Drift, to_x: Callable[[float], float], after_h: float = -1.0) -> _Line | str:
    points = [(to_x(h), value) for h, value in zip(chip.hours, chip.values, strict=True) if h > after_h]
    fit = _fit(points)
    return fit if isinstance(fit, str) else _Line(fit, (fit.at(0.0), fit.slope), to_x, float, True)


def _power(chip: Drift) -> _Line | str:
    if chip.hours[0] > 0:
        return "without a 0 h value there is no change to fit"
    initial = chip.values[0]
    changes = [change for change in chip.changes[1:] if change is not None]
    if 0.0 in changes:
        return "a change of 0 has no logarithm"
    if min(changes, default=0.0) < 0 < max(changes, default=0.0):
        return "changes of both signs follow no power law"
    fit = _fit([(math.log(h), math.log(abs(c))) for h, c in zip(chip.hours[1:], changes, strict=True)])
    if isinstance(fit, str):
        return fit
    sign = math.copysign(1.0, changes[0])

    def to_value(y: float) -> float:
        return initial + sign * math.exp(y)

    return _Line(fit, (sign * math.exp(fit.at(0.0)), fit.slope), math.log, to_value, sign > 0)


def _fit(points: Sequence[tuple[float, float]]) -> LineFit | str:
    if len(points) < _LEAST_POINTS:
        return f"{len(points)} usable read points; {_LEAST_POINTS} are needed"
    x, y = [x for x, _ in points], [y for _, y in points]
    return fit_line(x, y) if len(set(x)) > 1 else "the read points are too close together"


def fit_line(x: Sequence[float], y: Sequence[float]) -> LineFit:
    """Least-squares line of y on x, in any order.

    Raises ValueError for fewer than 3 points, lengths that differ, and an x that is one and the same throughout.
    """
    n = len(x)
    if n < _LEAST_POINTS or n != len(y):
        raise ValueError(
            f"x and y must be of one length, {_LEAST_POINTS} or more; got {n} and {len(y)} values"
        )
    for x_value, y_value in zip(x, y, strict=True):
        _checks.finite("x", x_value)
        _checks.finite("y", y_value)
    x_mean, y_mean = math.fsum(x) / n, math.fsum(y) / n
    x_off, y_off = [v - x_mean for v in x], [v - y_mean for v in y]
    x_squares = math.fsum(d * d for d in x_off)
    if not 0 < x_squares < math.inf:
        raise ValueError(f"x must have values that differ, by a number that can be squared; got {x[0]!r} ...")
    slope = math.fsum(a * b for a, b in zip(x_off, y_off, strict=True)) / x_squares
    residuals = [b - slope * a for a, b in zip(x_off, y_off, strict=True)]
    residual_sd = math.sqrt(math.fsum(r * r for r in residuals) / (n - 2))
    return LineFit(n, x_mean, y_mean, slope, residual_sd, x_squares)


def _prediction(line: _Line, limits: Limits, life_stress_h: float, confidence: float) -> Prediction:
    x = line.to_x(life_stress_h)
    y = line.fit.at(x)
    value = line.to_value(y)

    def ends(probability: float) -> tuple[float, float]:
        reach = line.fit.reach(x, probability) * (1 if line.rising else -1)
        return line.to_value(y - reach), line.to_value(y + reach)

    low_end, high_end = ends((1 + confidence) / 2)
    low_bound, high_bound = ends(confidence)
    bound_margins = limits.margins(low_bound, high_bound)
    bound_margin = min(bound_margins)
    toward_low = limits.low is not None and bound_margins[0] == bound_margin
    two_limits = len(bound_margins) > 1
    margin = limits.margin(value)
    return Prediction(
        at_h=life_stress_h,
        coefficients=line.coefficients,
        points=line.fit.n,
        value=value,
        margin=margin,
        low_end=low_end,
        high_end=high_end,
        bound=low_bound if toward_low else high_bound,
        bound_margin=bound_margin,
        inside=margin >= 0,
        inside_with_confidence=(min(limits.margins(low_end, high_end)) if two_limits else bound_margin) >= 0,
    )


def _all_finite(p: Prediction) -> bool:
    numbers = (*p.coefficients, p.value, p.margin, p.low_end, p.high_end, p.bound, p.bound_margin)
    return all(math.isfinite(number) for number in numbers)


@lru_cache(maxsize=256)
def _t_quantile(degrees: int, probability: float) -> float:
    return float(stdtrit(degrees, probability))
