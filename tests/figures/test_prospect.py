"""What ``check`` says before a campaign begins, against the worked figures of the project's statistics reference.

The reference's example (231 chips, Ea 0.7 eV, 55 to 125 degC, CODATA k, target 100 FIT; computed there with mpmath):
hours until the bound meets the target with no failure are 510.864450649 (chi-square) and 620.354705801 (any time,
c = 5) at 60 %, 1283.77252731 and 1523.30981174 at 90 %. 51.09 FIT is its bound after 1000 h at 60 %.
"""

from __future__ import annotations

import pytest

from monitor.campaign import Source, parse
from monitor.cli.check import explain
from monitor.figures import Prospect, prospect

CAMPAIGN = """
[campaign]
id = "reference"
planned_hours = {planned}
confidence = [{confidence}]
target_fit = 100
read_points_h = [168, 500]
[stress]
temp_c = 125.0
temp_tol_minus_c = 2.0
temp_tol_plus_c = 5.0
supply_v = {supply_v}
supply_tol_v = 0.04
read_rate_hz = 100
report_interval_s = 10
[use]
life_years = 10
reads_per_day = 100
supply_v = 1.80
[[use.profile]]
share = 1.0
temp_c = 55.0
[[mechanism]]
name = "any"
ea_ev = 0.7
[[chips]]
rack = "oven-1"
board = 1
sockets = "1-231"
lot = "A"
serial = "A-{{n:03}}"
"""


def of(confidence: float, planned: float = 1000, supply_v: float = 1.98) -> Prospect:
    text = CAMPAIGN.format(confidence=confidence, planned=planned, supply_v=supply_v)
    return prospect(parse(Source("reference.toml", text)))


@pytest.mark.parametrize(
    ("confidence", "one_look_h", "any_time_h"),
    [(0.60, 510.864450649, 620.354705801), (0.90, 1283.77252731, 1523.30981174)],
)
def test_hours_to_the_target(confidence: float, one_look_h: float, any_time_h: float) -> None:
    target = of(confidence).target
    assert target.confidence == confidence
    assert (target.hours, target.hours_anytime) == pytest.approx((one_look_h, any_time_h), rel=1e-11)
    assert target.reachable == (any_time_h <= 1000)


def test_the_verdict_turns_at_the_planned_hours() -> None:
    assert not of(0.90, planned=1523.3).target.reachable
    assert of(0.90, planned=1523.4).target.reachable


def test_bound_at_the_planned_end_and_the_stress_of_a_life() -> None:
    (any_mechanism,) = of(0.60).mechanisms
    assert any_mechanism.planned[0].fit_upper == pytest.approx(51.0864450649, rel=1e-11)
    # ten years of 8766 h over the factor 77.64538205530277, and 1000 h times it over them
    assert any_mechanism.life_stress_h == pytest.approx(87_660 / 77.64538205530277, rel=1e-12)
    assert any_mechanism.planned_life_coverage == pytest.approx(77_645.38205530277 / 87_660, rel=1e-12)


def test_reads_of_a_life() -> None:
    """100 a day for 10 years of 365.25 days are 365,250 reads; at 100 a second they take 3652.5 s = 1.0145833 h."""
    summary = of(0.60)
    assert summary.field_reads == pytest.approx(365_250)
    assert summary.reads_stress_h == pytest.approx(3652.5 / 3600)
    assert summary.planned_read_coverage == pytest.approx(1000 * 3600 / 3652.5)


def test_the_text_says_for_what_use_and_whether_the_target_can_be_met() -> None:
    text = explain(of(0.90))
    for words in (
        "at 55 C, 1.8 V",
        "read points 168, 500 h",
        "NOT within the planned hours",
        "any time 1,530 h, one look 1,290 h",
        "acceleration 77.65",
    ):
        assert words in text, text
    for words in ("of at least 3 lots", "any, 0.7 eV; taken as certain", "cover 0.886 field lives"):
        assert words in text.replace("\n    ", " "), text
    assert text.count("warning") == 3


def test_a_stress_milder_than_the_use_is_warned_of() -> None:
    assert any("stress.supply_v" in warning for warning in of(0.60, supply_v=1.5).warnings)
