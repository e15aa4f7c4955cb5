"""Drift figures from measurements entered into the journal: which value stands, and what is strange to the campaign."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.figures import from_json, to_json
from monitor.figures.document import ParameterFigures
from monitor.journal.exchange import Line
from monitor.ledger import Ledger, freeze, thaw
from monitor.service.account import Account
from shared.entries import Measured, Readout, ReadPointFile
from tests.figures.bench import START_MS, Bench, make_campaign
from tests.journal.entries import readpoints

FACTOR = 77.64538205  # 125 to 55 °C at 0.7 eV (ten digits by mpmath)
LIFE_H = 15 * 365.25 * 24
HOUR_MS = 3_600_000


def readout(serial: str, hour: float, value: float, **changes: Any) -> Readout:
    """A margin in mV, at least 10."""
    usual: dict[str, Any] = {"parameter": "margin", "unit": "mV", "low_limit": 10.0}
    return Readout(serial=serial, read_point_h=hour, value=value, **(usual | changes))


def file(*readouts: Readout, mechanism: str = "charge-loss") -> ReadPointFile:
    return ReadPointFile(
        file="rp.csv", sha256="0" * 64, mechanism=mechanism, who="bench", when_ms=START_MS, readouts=readouts
    )


def drift_of(*files: ReadPointFile, **changes: Any) -> list[ParameterFigures]:
    """The figures of a campaign with these files and not one tally."""
    bench = Bench(**changes)
    for one in files:
        bench.hear(Line(t_recv_ms=START_MS, readpoint=one))
    assert from_json(to_json(bench.figures)) == bench.figures
    return bench.figures.drift


def four(hour: float, *values: float, **changes: Any) -> list[Readout]:
    """The four chips of the bench at a read point."""
    return [
        readout(serial, hour, value, **changes)
        for serial, value in zip(("A-1", "A-2", "B-1", "B-2"), values, strict=True)
    ]


def test_nothing_measured_is_no_drift() -> None:
    assert Bench().figures.drift == []


def test_each_read_point_of_a_parameter_by_hand() -> None:
    """Medians of four; the margin is the value less the lower limit of 10; A-2 is outside at 168 h."""
    (item,) = drift_of(file(*four(0, 20, 21, 22, 23)), file(*four(168, 19, 9, 21, 24)))
    assert (item.parameter, item.unit, item.low_limit, item.high_limit) == ("margin", "mV", 10.0, None)
    assert (item.mechanism, item.confidence) == ("charge-loss", 0.9)
    assert item.life_stress_h == pytest.approx(LIFE_H / FACTOR, rel=1e-9)
    start, later = item.read_points
    assert (start.read_point_h, start.chips, start.median, start.least_margin) == (0.0, 4, 21.5, 10.0)
    assert (start.worst_serial, start.median_change, start.shift_beyond) == ("A-1", None, None)
    assert (later.read_point_h, later.chips, later.median, later.least_margin) == (168.0, 4, 20.0, -1.0)
    assert (later.worst_serial, later.median_change) == ("A-2", -1.0)  # changes -1, -12, -1, +1
    assert [(line.serial, line.read_point_h, line.value) for line in item.outside] == [("A-2", 168.0, 9.0)]


def test_a_parametric_failure_is_none_of_the_reads() -> None:
    bench = Bench()
    bench.hours(0, 3)
    before = bench.figures
    bench.hear(Line(t_recv_ms=START_MS + 3 * HOUR_MS, readpoint=file(*four(0, 1, 1, 1, 1))))
    after = bench.figures
    assert len(after.drift[0].outside) == 4
    for key in ("chips", "failures", "mechanisms", "target", "exposure", "reads", "intake"):
        assert getattr(after, key) == getattr(before, key)


def test_of_a_place_measured_twice_the_later_value_stands() -> None:
    first, again = file(*four(0, 20, 21, 22, 23)), file(readout("A-1", 0, 30))
    (item,) = drift_of(first, again)
    assert item.read_points[0].median == 22.5
    assert item.read_points[0].chips == 4
    (in_one,) = drift_of(file(*four(0, 20, 21, 22, 23), readout("A-1", 0, 30)))
    assert in_one.read_points == item.read_points
    (back,) = drift_of(again, first)
    assert back.read_points[0].median == 21.5


def test_a_later_file_of_the_same_parameter_sets_the_mechanism() -> None:
    two = [{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}]
    (item,) = drift_of(
        file(*four(0, 20, 21, 22, 23)), file(readout("A-1", 168, 20), mechanism="gate-oxide"), mechanism=two
    )
    assert item.mechanism == "gate-oxide"


def test_a_mechanism_that_the_campaign_does_not_know_is_the_least_accelerated_one() -> None:
    two = [{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}]
    (item,) = drift_of(file(*four(0, 20, 21, 22, 23), mechanism="tunnel"), mechanism=two)
    (known,) = drift_of(file(*four(0, 20, 21, 22, 23), mechanism="gate-oxide"), mechanism=two)
    assert item == known
    assert item.life_stress_h > LIFE_H / FACTOR


def test_chips_that_the_campaign_does_not_know_are_left_out() -> None:
    (item,) = drift_of(file(readout("Z-9", 0, -5.0), *four(0, 20, 21, 22, 23)))
    assert item.read_points[0].chips == 4
    assert item.outside == []
    assert drift_of(file(readout("Z-9", 0, -5.0))) == []
    assert drift_of(file()) == []


def test_parameters_stand_in_the_order_in_which_they_were_entered() -> None:
    ohm = {"parameter": "path", "unit": "Ω", "low_limit": None, "high_limit": 5.0}
    found = drift_of(
        file(readout("A-1", 0, 1.0, **ohm), readout("A-1", 0, 20.0)), file(readout("A-2", 0, 2.0, **ohm))
    )
    assert [(item.parameter, item.read_points[0].chips) for item in found] == [("path", 2), ("margin", 1)]


def test_another_unit_of_a_run_from_elsewhere_is_not_mixed_in() -> None:
    """No file that the command takes has it; the values of the other unit are left out, not averaged."""
    (item,) = drift_of(
        file(*four(0, 20, 21, 22, 23)), file(*four(168, 0.019, 0.02, 0.021, 0.022, unit="V", low_limit=0.01))
    )
    assert item.unit == "V"
    assert [p.read_point_h for p in item.read_points] == [168.0]


def test_a_value_that_is_corrected_into_another_unit_stands_in_it() -> None:
    """The last entered says what the unit is, even of a place that was measured before."""
    first = file(*four(0, 20, 21, 22, 23))
    (item,) = drift_of(first, file(readout("A-1", 0, 0.02, unit="V", low_limit=0.01)))
    assert item.unit == "V"


@pytest.mark.parametrize(
    "limits",
    [{"low_limit": None, "high_limit": None}, {"low_limit": 5.0, "high_limit": 1.0}],
    ids=["no limit", "crossed limits"],
)
def test_limits_that_no_file_would_pass_are_no_figures_and_no_crash(limits: dict[str, Any]) -> None:
    assert drift_of(file(*four(0, 20, 21, 22, 23, **limits))) == []


def test_late_measurements_are_told_by_the_hours_off_stress() -> None:
    """96 h are in time, 97 h are not; without both times nothing is said."""
    timed = {"removed_ms": START_MS, "measured_ms": START_MS + 96 * HOUR_MS}
    late = {"removed_ms": START_MS, "measured_ms": START_MS + 97 * HOUR_MS}
    (item,) = drift_of(
        file(
            readout("A-1", 168, 20, **timed),
            readout("A-2", 168, 20, **late),
            readout("B-1", 168, 20, removed_ms=START_MS),
        )
    )
    assert [(line.serial, line.off_stress_h) for line in item.late] == [("A-2", 97.0)]


def test_the_careful_factor_stretches_the_field_life() -> None:
    """0.5 eV at worst: 22.4 times, exp(0.5 x 6.21736) by hand."""
    stated = [{"name": "charge-loss", "ea_ev": 0.7, "ea_low_ev": 0.5, "ea_high_ev": 0.8}]
    (item,) = drift_of(file(*four(0, 20, 21, 22, 23)), mechanism=stated)
    assert LIFE_H / item.life_stress_h == pytest.approx(22.396, rel=1e-3)


def test_a_drift_is_extrapolated_when_there_are_read_points_enough() -> None:
    """From 20 mV to 11 mV in 1000 h: in 15 years at 77.6 times, 1693 h, every model is below the limit of 10 mV."""
    files = [
        file(*four(hour, *[value] * 4)) for hour, value in ((0, 20), (168, 17.5), (500, 14.5), (1000, 11.0))
    ]
    (item,) = drift_of(*files)
    assert item.extrapolations
    for line in item.extrapolations:
        assert (line.value is None) == (line.reason is not None)
    assert {line.inside for line in item.extrapolations if line.value is not None} == {False}


# --- whatever a run from elsewhere holds ---------------------------------------------------------------------------

known = st.sampled_from(["A-1", "A-2", "B-1", "Z-9"])
likely = st.builds(
    Readout,
    serial=known,
    read_point_h=st.sampled_from([0.0, 168.0, 168.0000001, 1e6]),
    parameter=st.sampled_from(["margin", "\x1b[2J"]),
    unit=st.sampled_from(["mV", "V"]),
    value=st.sampled_from([0.0, 1.0, -1.0, 1e-40, 1e40, -1e40]) | st.floats(-100, 100),
    low_limit=st.none() | st.sampled_from([-1e40, 0.0, 10.0]),
    high_limit=st.none() | st.sampled_from([0.0, 20.0, 1e40]),
    removed_ms=st.none() | st.sampled_from([0, START_MS, -(2**53)]),
    measured_ms=st.none() | st.sampled_from([0, START_MS, 2**53]),
)
files_of_a_run = st.builds(
    ReadPointFile,
    file=st.just("x"),
    sha256=st.just("0" * 64),
    mechanism=st.sampled_from(["charge-loss", "tunnel", ""]),
    who=st.just("x"),
    when_ms=st.just(0),
    readouts=st.lists(likely, max_size=12).map(tuple),
)


@pytest.mark.parametrize(
    "readouts",
    [
        [readout("A-1", 0.0, 1.7e308, low_limit=-1.7e308)],
        [readout("A-1", 0.0, 1.7e308), readout("A-1", 168.0, -1.7e308)],
        [readout("A-1", 0.0, 1.7e308), readout("A-2", 0.0, 1.7e308)],
    ],
    ids=["margin", "change", "median"],
)
def test_values_beyond_any_quantity_give_no_document_that_cannot_be_read(readouts: list[Readout]) -> None:
    drift_of(file(*readouts))


@settings(max_examples=100)
@given(st.lists(files_of_a_run, max_size=4))
def test_no_entry_is_too_strange_for_the_figures(files: list[ReadPointFile]) -> None:
    account = Account(make_campaign())
    account.apply(Measured(START_MS, one) for one in files)
    figures = account.figures()
    assert from_json(to_json(figures)) == figures
    assert all(item.read_points for item in figures.drift)


@settings(max_examples=50)
@given(st.lists(readpoints, max_size=3))
def test_a_snapshot_keeps_every_readout(files: list[ReadPointFile]) -> None:
    campaign = make_campaign()
    ledger = Ledger(campaign)
    for one in files:
        ledger.apply(Measured(START_MS, one))
    again = thaw(campaign, freeze(ledger))
    assert again is not None
    assert repr(again.readpoints) == repr(files)
    assert msgspec.json.encode(again.readpoints) == msgspec.json.encode(files)
