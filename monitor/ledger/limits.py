"""The limits of what is credited, made ready for exact comparison.

Limits are compared as the decimal numbers written. Durations and counts become integers; measured values stay
doubles, and a limit such as 1.98 + 0.04 is added as decimals before it is rounded to a double once, so that a
measurement written as the limit itself lies inside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from monitor.campaign import Campaign
from shared.quantities import INT_MAX, MS_PER_H, MS_PER_S

MAX_DT_MS = 744 * MS_PER_H  # a longer step of up_ms is a counter fault
REORDER_OTHERS = 16  # this many later tallies waiting make a gap accepted
# Boots of a rack of which messages are taken: the latest ones. Receipts speak of the latest four boots only
# (RECEIPT_BOOTS) and a rack sends what it stored oldest first, so whatever it has of a boot that is so many boots
# back came in before the boots since, or nobody waits for it any more: nothing a rack may rely on is lost.
LIVE_BOOTS = 64
REOPEN_AFTER = 3  # tallies left out in a row that open the account anew


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one campaign. Inclusive, as in the campaign file."""

    temp_low_c: float
    temp_high_c: float
    supply_low_v: float
    supply_high_v: float
    min_reads_per_ms: Fraction
    max_reads_per_ms: Fraction
    max_gap_ms: int
    bridge_gap_ms: int
    hold_ms: int
    failed_reads: int

    @classmethod
    def of(cls, campaign: Campaign) -> Limits:
        """The limits of ``campaign``."""
        s = campaign.stress
        rate_per_ms = Fraction(s.read_rate_hz) / MS_PER_S
        return cls(
            temp_low_c=float(s.temp_c - s.temp_tol_minus_c),
            temp_high_c=float(s.temp_c + s.temp_tol_plus_c),
            supply_low_v=float(s.supply_v - s.supply_tol_v),
            supply_high_v=float(s.supply_v + s.supply_tol_v),
            min_reads_per_ms=Fraction(s.min_read_fraction) * rate_per_ms,
            max_reads_per_ms=Fraction(s.max_read_fraction) * rate_per_ms,
            max_gap_ms=_floor_ms(s.max_gap_s),
            bridge_gap_ms=_floor_ms(s.bridge_gap_s),
            hold_ms=math.ceil(s.reorder_hold_s * MS_PER_S),
            failed_reads=campaign.failure.errors,
        )

    def min_reads(self, dt_ms: int) -> int:
        """The least whole number of reads that counts as reading for ``dt_ms``."""
        rate = self.min_reads_per_ms
        return min(-(-rate.numerator * dt_ms // rate.denominator), INT_MAX)

    def max_reads(self, dt_ms: int) -> int:
        """The greatest whole number of reads that a rack can do in ``dt_ms``."""
        rate = self.max_reads_per_ms
        return min(rate.numerator * dt_ms // rate.denominator, INT_MAX)

    def witnessed(self, dt_ms: int) -> bool:
        """Whether an interval of ``dt_ms`` is short enough to rest on its two ends."""
        return dt_ms <= self.max_gap_ms or dt_ms <= self.bridge_gap_ms

    def temperature_ok(self, temp_c: float | None) -> bool:
        """Whether a measured temperature is inside; a lost sensor is not."""
        return temp_c is not None and self.temp_low_c <= temp_c <= self.temp_high_c

    def supply_ok(self, supply_v: float | None) -> bool:
        """Whether a measured supply is inside; a lost one is not."""
        return supply_v is not None and self.supply_low_v <= supply_v <= self.supply_high_v


def _floor_ms(seconds: Decimal) -> int:
    return math.floor(seconds * MS_PER_S)
