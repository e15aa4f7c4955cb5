"""The limits of what is credited: inclusive at the decimal number written, and nothing a double further."""

from __future__ import annotations

import math

import pytest

from monitor.ledger.limits import Limits
from tests.figures.bench import make_campaign

LIMITS = Limits.of(make_campaign(stress={"max_gap_s": 10800.5, "bridge_gap_s": 0}))
UP, DOWN = math.inf, -math.inf


@pytest.mark.parametrize(("limit", "outward"), [(123.0, DOWN), (130.0, UP)])
def test_temperature(limit: float, outward: float) -> None:
    assert LIMITS.temperature_ok(limit)
    assert not LIMITS.temperature_ok(math.nextafter(limit, outward))
    assert LIMITS.temperature_ok(math.nextafter(limit, -outward))


@pytest.mark.parametrize(("limit", "outward"), [(1.94, DOWN), (2.02, UP)])
def test_supply(limit: float, outward: float) -> None:
    """1.98 - 0.04 and 1.98 + 0.04 are no such doubles; as decimals they are."""
    assert LIMITS.supply_ok(limit)
    assert not LIMITS.supply_ok(math.nextafter(limit, outward))
    assert LIMITS.supply_ok(math.nextafter(limit, -outward))


def test_a_lost_sensor_is_outside() -> None:
    assert not LIMITS.temperature_ok(None)
    assert not LIMITS.supply_ok(None)


def test_reads_at_nine_tenths_and_eleven_tenths_of_the_rate() -> None:
    """A thousand a second asked: 900 to 1100 a second, rounded to the whole read inside."""
    assert (LIMITS.min_reads(1000), LIMITS.max_reads(1000)) == (900, 1100)
    assert (LIMITS.min_reads(1), LIMITS.max_reads(1)) == (1, 1)
    assert (LIMITS.min_reads(1001), LIMITS.max_reads(1001)) == (901, 1101)


def test_a_gap_is_witnessed_up_to_the_limit() -> None:
    assert LIMITS.witnessed(10_800_500)
    assert not LIMITS.witnessed(10_800_501)
