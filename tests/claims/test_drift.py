"""Parametric drift: changes and margins, shifted chips, the readout window.

Sources:
- 1.4826 and 1.2533: 1 / the normal's upper quartile and sqrt(pi / 2), by scipy; the rule 3 x 1.4826 x MAD is common
  practice.
- The readout window and the re-stress table of JESD22-A108 are from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.claims import drift as d
from monitor.claims.drift import (
    Limits,
    MeasuredParameter,
    Measurement,
    chip_drift,
    late_readouts,
    restress_h,
)
from monitor.claims.extrapolation import ParameterDrift, parameter_drift

HOURS = (0.0, 168.0, 500.0, 1000.0)
BOTH = Limits(0.0, 100.0)


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


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_window_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"window_h must .*got {bad}"):
        late_readouts([], bad)


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
