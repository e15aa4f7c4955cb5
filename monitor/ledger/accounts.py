"""The accounts: arrays over chips, and the reasons an hour is not credited.

Everything here is an integer; hours and rates are made from it at the last step. Weighted hours are kept as
fixed-point words (see ``weights``), so that sums are the same for any grouping.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from monitor.ledger.weights import split, totals

Longs = NDArray[np.int64]


class Reason(IntEnum):
    """Why an interval is not credited, in the order in which the reasons are asked for."""

    COUNTER = 0
    UNWITNESSED = 1
    TEMPERATURE = 2
    SUPPLY = 3
    NOT_READING = 4


CREDITED = -1
UNKNOWN = -2  # no interval of the present boot yet


@dataclass(slots=True)
class Accounts:
    """One column per chip of the campaign, in the order of the campaign file.

    Shapes: ``credited_ms``, ``reads_total``, ``reads_credited`` (chips,); ``uncredited_ms`` (reasons, chips);
    ``low`` and ``high`` (rows of ``weights``, chips). ``errors`` and ``errors_at_risk`` are Python integers because
    nothing bounds what a broken errors counter may claim. ``at_failure`` has, for each failed
    chip in the order in which the failures became known, the fixed-point weighted hours of all chips at that moment.
    ``told`` counts the failed reads that error messages tell of, ``widest`` the most wrong bits in a word they show.
    """

    credited_ms: Longs
    uncredited_ms: Longs
    low: Longs
    high: Longs
    reads_total: Longs
    reads_credited: Longs
    errors: list[int]
    errors_at_risk: list[int]
    failed: NDArray[np.bool_]
    last: NDArray[np.int8]
    at_failure: dict[int, list[int]]
    told: list[int]
    widest: int

    @classmethod
    def empty(cls, chips: int, rows: int) -> Accounts:
        """Accounts with nothing in them."""

        def zeros(*shape: int) -> Longs:
            return np.zeros(shape, dtype=np.int64)

        return cls(
            credited_ms=zeros(chips),
            uncredited_ms=zeros(len(Reason), chips),
            low=zeros(rows, chips),
            high=zeros(rows, chips),
            reads_total=zeros(chips),
            reads_credited=zeros(chips),
            errors=[0] * chips,
            errors_at_risk=[0] * chips,
            failed=np.zeros(chips, dtype=np.bool_),
            last=np.full(chips, UNKNOWN, dtype=np.int8),
            at_failure={},
            told=[0] * chips,
            widest=0,
        )

    def tell(self, chip: int, failed_reads: int, wrong_bits: int) -> None:
        """Note failed reads that an error message tells of, with the word it shows."""
        self.told[chip] += failed_reads
        self.widest = max(self.widest, wrong_bits)

    def fail(self, chip: int) -> None:
        """Take a chip out of the risk set for good."""
        if not self.failed[chip]:
            self.failed[chip] = True
            self.at_failure[chip] = totals(self.low, self.high)

    def enter(self, chip: int | slice | Longs, reason: int, ms: int, fixed: tuple[int, ...]) -> None:
        """Enter ``ms`` of one interval for one chip or several: credited, or under its reason."""
        if reason == CREDITED:
            self.credited_ms[chip] += ms
            for m, factor in enumerate(fixed):
                low, high = split(factor, ms)
                self.low[m, chip] += low
                self.high[m, chip] += high
        else:
            self.uncredited_ms[reason, chip] += ms
