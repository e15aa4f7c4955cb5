"""Parametric drift: what chips measure at read points, who has shifted, and who was measured too late.

At a read point chips are taken from stress and measured (cell read margin, standby current, access time). A value
outside its limits is a parametric failure; it is reported, and never counted as a functional failure here.

A chip has **shifted** when its change since 0 h lies further from the median change of the chips at that read point
than 3 x 1.4826 x MAD, the median absolute deviation (1.4826 makes it the standard deviation of a normal population).
Common practice; no standard asks for it.

Where a chip would be at the end of life is for ``monitor.claims.extrapolation``.
"""

from __future__ import annotations

import math
import statistics
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from monitor.claims import _checks

WINDOW_H = 96.0
"""Hours from the end of stress within which to measure: JESD22-A108, older revisions; from memory.

Later revisions allow 168 h to parts of up to 10 V.
"""

RESTRESS_NOTE = (
    "measured later after stress than the window allows: drift may have relaxed, and JESD22-A108 asks for stress again "
    "before the measurement (24 h for each week begun; from memory, look it up in the revision that applies)"
)
"""What to say of a late readout."""

_BEYOND = 3.0
_MAD_TO_SIGMA = 1.4826
_MEAN_DEVIATION_TO_SIGMA = 1.2533  # sqrt(pi / 2), the like factor for the mean absolute deviation
_ROUNDING = 8 * sys.float_info.epsilon  # of the larger value: no difference of decimals is known better
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
class LateReadout:
    """A chip measured at a read point later after stress than the window allows; see RESTRESS_NOTE."""

    serial: str
    read_point_h: float
    off_stress_h: float
    overrun_h: float
    restress_h: float


# --- chips and read points -------------------------------------------------------------------------------------------


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


def chip_drifts(parameter: MeasuredParameter) -> tuple[Drift, ...]:
    """Each chip of a parameter, by serial.

    Raises ValueError without a measurement, and for a chip measured twice at a read point.
    """
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


def read_points(chips: Sequence[Drift]) -> tuple[ReadPoint, ...]:
    """The read points of the chips, as they rise."""
    return tuple(_read_point(hour, chips) for hour in sorted({h for chip in chips for h in chip.hours}))


def shifted_chips(points: Iterable[ReadPoint], chips: Sequence[Drift]) -> tuple[ShiftedChip, ...]:
    """The chips that have shifted, by read point and in the order of ``chips``."""
    return tuple(shift for point in points for shift in _shifted(point, chips))


def parametric_failures(points: Iterable[ReadPoint], chips: Sequence[Drift]) -> tuple[ParametricFailure, ...]:
    """The values outside their limits, by read point and in the order of ``chips``."""
    return tuple(
        ParametricFailure(chip.serial, point.read_point_h, chip.values[i], chip.margins[i])
        for point in points
        for chip, i in _at(point.read_point_h, chips)
        if chip.margins[i] < 0
    )


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


# --- the readout window ----------------------------------------------------------------------------------------------


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
