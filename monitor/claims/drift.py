"""Parametric drift: what chips measure at read points, who has shifted, and where the worst would be at end of life.

At a read point chips are taken from stress and measured (cell read margin, standby current, access time). A value
outside its limits is a parametric failure; it is reported, and never counted as a functional failure here.

- A chip has **shifted** when its change since 0 h lies further from the median change of the chips at that read point
  than 3 x 1.4826 x MAD, the median absolute deviation (1.4826 makes it the standard deviation of a normal population).
  Common practice; no standard asks for it.
- An **extrapolation** is a least-squares line through the values of one chip, its own and no other's, with the textbook
  prediction interval for one more measurement: ``y +- t s sqrt(1 + 1/n + (x - mean x)^2 / Sxx)``, t with n - 2 degrees
  of freedom. Which of the models holds is not for the data of four read points to say: all are shown. Values that lie
  on the line exactly give an interval of no width; it knows nothing of the meter's resolution.

The chip shown is the worst of many, picked after looking; its interval is that of one chip and makes no allowance for
the choice.
"""

from __future__ import annotations

import math
import statistics
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from scipy.special import stdtrit

from monitor.claims import _checks

Model = Literal["linear", "log", "power"]

MODELS: tuple[Model, ...] = ("linear", "log", "power")
"""The models of an extrapolation, in the order they are reported."""

MODEL_NOTES: dict[Model, str] = {
    "linear": "value = a + b t; the 0 h value is a point like the others",
    "log": "value = a + b log10(t / 1 h); the 0 h value has no logarithm and is left out of the fit",
    "power": "change since 0 h = A (t / 1 h)^n; the 0 h value is taken as exact, its scatter is in no interval",
}
"""What each model fits, and how it uses the 0 h value."""

WINDOW_H = 96.0
"""Hours from the end of stress within which to measure: JESD22-A108, older revisions; from memory.

Later revisions allow 168 h to parts of up to 10 V.
"""

RESTRESS_NOTE = (
    "measured later after stress than the window allows: drift may have relaxed, and JESD22-A108 asks for stress again "
    "before the measurement (24 h for each week begun; from memory, look it up in the revision that applies)"
)
"""What to say of a late readout."""

LEAST_MARGIN = "least margin at the last read point"
LEAST_PREDICTED_MARGIN = "least predicted margin"

_BEYOND = 3.0
_MAD_TO_SIGMA = 1.4826
_MEAN_DEVIATION_TO_SIGMA = 1.2533  # sqrt(pi / 2), the like factor for the mean absolute deviation
_ROUNDING = (
    8 * sys.float_info.epsilon
)  # of the larger value: differences of decimals are not known any better
_LEAST_POINTS = 3  # two leave no degree of freedom to tell a line from noise
_BEYOND_NUMBERS = "the prediction or its interval is beyond any number"
_RESTRESS_H = 24.0
_WEEK_H = 168.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a parameter, in its unit; at least one, both inclusive. Raises ValueError otherwise."""

    low: float | None
    high: float | None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("low or high must be a number; got neither")
        if self.low is not None:
            _checks.finite("low", self.low)
        if self.high is not None:
            _checks.finite("high", self.high)
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low must be below high, {self.high!r}; got {self.low!r}")

    def margin(self, value: float) -> float:
        """Distance to the nearer limit, in the parameter's unit; negative outside."""
        return min(self.margins(value, value))

    def margins(self, low_end: float, high_end: float) -> list[float]:
        """Margin of a range's low end to the low limit and of its high end to the high one; of the limits given."""
        margins = [] if self.low is None else [low_end - self.low]
        return margins if self.high is None else [*margins, self.high - high_end]


@dataclass(frozen=True, slots=True)
class Measurement:
    """A chip's value at a read point. ``off_stress_h``: hours from the end of stress to the measurement, if known."""

    serial: str
    read_point_h: float
    value: float
    off_stress_h: float | None = None


@dataclass(frozen=True, slots=True)
class MeasuredParameter:
    """A parameter and its measurements, in any order, each chip at most once at a read point."""

    name: str
    unit: str
    limits: Limits
    measurements: tuple[Measurement, ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """One chip over its read points: values, changes since 0 h, margins to the nearer limit; all of one length.

    A change is None without a 0 h value; a relative one (of the size of the 0 h value) also where that is 0.
    """

    serial: str
    hours: tuple[float, ...]
    values: tuple[float, ...]
    changes: tuple[float | None, ...]
    relative_changes: tuple[float | None, ...]
    margins: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ReadPoint:
    """All chips at one read point. After 0 h, ``compared`` chips have a 0 h value too.

    The last two are None where none is compared. ``shift_beyond`` is the distance from ``median_change`` beyond which
    a chip has shifted.
    """

    read_point_h: float
    n: int
    median: float
    least_margin: float
    worst_serial: str
    compared: int
    median_change: float | None
    shift_beyond: float | None


@dataclass(frozen=True, slots=True)
class ShiftedChip:
    """A chip whose change since 0 h stands out from its population's at a read point."""

    serial: str
    read_point_h: float
    change: float
    from_median: float


@dataclass(frozen=True, slots=True)
class ParametricFailure:
    """A value outside the limits; ``margin`` is negative. Not a functional failure."""

    serial: str
    read_point_h: float
    value: float
    margin: float


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


@dataclass(frozen=True, slots=True)
class LateReadout:
    """A chip measured at a read point later after stress than the window allows; see RESTRESS_NOTE."""

    serial: str
    read_point_h: float
    off_stress_h: float
    overrun_h: float
    restress_h: float


# --- chips and read points -----------------------------------------------------------------------------------------


def chip_drift(serial: str, hours: Sequence[float], values: Sequence[float], limits: Limits) -> Drift:
    """Changes and margins of one chip; ``hours`` rise from 0 or later.

    Raises ValueError for hours that do not rise or are negative, and for lengths that differ or are 0.
    """
    if not hours or len(hours) != len(values):
        raise ValueError(f"values must be one for each of the hours; got {len(values)} for {len(hours)}")
    for hour, value in zip(hours, values, strict=True):
        _checks.not_negative("hours", hour)
        _checks.finite("values", value)
    for earlier, later in pairwise(hours):
        if not earlier < later:
            raise ValueError(f"hours must rise; got {later!r} after {earlier!r}")
    initial = values[0] if hours[0] == 0 else None
    changes = tuple(None if initial is None else value - initial for value in values)
    return Drift(
        serial,
        tuple(hours),
        tuple(values),
        changes,
        tuple(change / abs(initial) if change is not None and initial else None for change in changes),
        tuple(limits.margin(value) for value in values),
    )


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
    chips = _chips(parameter)
    points = tuple(_read_point(hour, chips) for hour in sorted({h for chip in chips for h in chip.hours}))
    return ParameterDrift(
        parameter.name,
        parameter.unit,
        parameter.limits,
        chips,
        points,
        tuple(shift for point in points for shift in _shifted(point, chips)),
        tuple(failure for point in points for failure in _failures(point.read_point_h, chips)),
        confidence,
        life_stress_h,
        tuple(_worst(chips, points[-1].worst_serial, parameter.limits, life_stress_h, confidence)),
    )


def _chips(parameter: MeasuredParameter) -> tuple[Drift, ...]:
    series: dict[str, list[tuple[float, float]]] = {}
    for m in parameter.measurements:
        series.setdefault(m.serial, []).append((m.read_point_h, m.value))
    if not series:
        raise ValueError("measurements must be one or more; got none")
    chips = []
    for serial, points in sorted(series.items()):
        points.sort()
        chips.append(chip_drift(serial, [h for h, _ in points], [v for _, v in points], parameter.limits))
    return tuple(chips)


def _at(hour: float, chips: Iterable[Drift]) -> list[tuple[Drift, int]]:
    """The chips measured at ``hour``, each with the place of that hour in its series."""
    return [(chip, chip.hours.index(hour)) for chip in chips if hour in chip.hours]


def _read_point(hour: float, chips: Sequence[Drift]) -> ReadPoint:
    there = _at(hour, chips)
    least_margin, worst_serial = min((chip.margins[i], chip.serial) for chip, i in there)
    changes = [change for chip, i in there if i > 0 and (change := chip.changes[i]) is not None]
    median_change = shift_beyond = None
    if changes:
        largest = max(abs(value) for chip, i in there for value in (chip.values[0], chip.values[i]))
        median_change = statistics.median(changes)
        shift_beyond = _shift_beyond(changes, median_change, _ROUNDING * largest)
    return ReadPoint(
        hour,
        len(there),
        statistics.median(chip.values[i] for chip, i in there),
        least_margin,
        worst_serial,
        len(changes),
        median_change,
        shift_beyond,
    )


def _shift_beyond(changes: Sequence[float], median: float, rounding: float) -> float:
    """The distance from the median beyond which a change stands out.

    Where more than half of the changes are one and the same (a coarse meter), MAD is 0 and would condemn whoever is one
    step off; the mean absolute deviation takes its place (Iglewicz & Hoaglin, 1993; from memory).
    """
    deviations = [abs(change - median) for change in changes]
    sigma = _MAD_TO_SIGMA * statistics.median(deviations)
    if sigma <= rounding:
        sigma = _MEAN_DEVIATION_TO_SIGMA * math.fsum(deviations) / len(deviations)
    return max(_BEYOND * sigma, rounding)


def _shifted(point: ReadPoint, chips: Sequence[Drift]) -> list[ShiftedChip]:
    if point.median_change is None or point.shift_beyond is None:
        return []
    found = []
    for chip, i in _at(point.read_point_h, chips):
        change = chip.changes[i]
        if change is not None and abs(change - point.median_change) > point.shift_beyond:
            found.append(ShiftedChip(chip.serial, point.read_point_h, change, change - point.median_change))
    return found


def _failures(hour: float, chips: Sequence[Drift]) -> list[ParametricFailure]:
    return [
        ParametricFailure(chip.serial, hour, chip.values[i], chip.margins[i])
        for chip, i in _at(hour, chips)
        if chip.margins[i] < 0
    ]


# --- extrapolation -------------------------------------------------------------------------------------------------


def life_in_stress_h(life_h: float, acceleration: float) -> float:
    """The field life of ``life_h`` hours of use, in hours of stress: ``life_h / acceleration``."""
    _checks.positive("life_h", life_h)
    _checks.positive("acceleration", acceleration)
    life_stress_h = life_h / acceleration
    if not 0 < life_stress_h < math.inf:
        raise ValueError(f"acceleration must leave a life that a number holds; got {acceleration!r}")
    return life_stress_h


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


@lru_cache(maxsize=256)
def _t_quantile(degrees: int, probability: float) -> float:
    return float(stdtrit(degrees, probability))


# --- the readout window --------------------------------------------------------------------------------------------


def restress_h(overrun_h: float) -> float:
    """Hours of stress again for a readout ``overrun_h`` past the window: 24 h for each week begun, 0 without overrun.

    JESD22-A108 (up to 168 h: 24 h; to 336 h: 48 h; to 504 h: 72 h); from memory.
    """
    _checks.not_negative("overrun_h", overrun_h)
    return _RESTRESS_H * math.ceil(overrun_h / _WEEK_H)


def late_readouts(measurements: Iterable[Measurement], window_h: float = WINDOW_H) -> list[LateReadout]:
    """Chips measured more than ``window_h`` after stress, by read point and serial, each with its latest measurement.

    Of any parameters together. At 0 h there was no stress; where the time off stress is not known nothing is said.
    """
    _checks.positive("window_h", window_h)
    latest: dict[tuple[float, str], float] = {}
    for m in measurements:
        if m.read_point_h > 0 and m.off_stress_h is not None:
            _checks.not_negative("off_stress_h", m.off_stress_h)
            key = (m.read_point_h, m.serial)
            latest[key] = max(m.off_stress_h, latest.get(key, 0.0))
    return [
        LateReadout(serial, hour, off_h, off_h - window_h, restress_h(off_h - window_h))
        for (hour, serial), off_h in sorted(latest.items())
        if off_h > window_h
    ]
