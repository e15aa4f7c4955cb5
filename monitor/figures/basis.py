"""What a claim about one mechanism rests on: its failures and its hours, at the confidence asked for.

Where the campaign states how uncertain an activation energy is, the hours are those of the careful account and the
error allowed is split; otherwise they are the plain ones. Every claim that must hold is made from a basis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from monitor.campaign import Campaign
from monitor.claims import anytime_upper_count, count_confidence, poisson_upper_count
from monitor.figures.failed import FailedChip
from monitor.ledger import Ledger


@dataclass(frozen=True, slots=True)
class Basis:
    """One mechanism at one confidence; ``row`` is that of the ledger's weighted hours."""

    name: str
    confidence: float
    count_confidence: float  # what of it is left to the count of failures
    mixture_rate: float
    row: int
    acceleration: float  # at the set-point
    equivalent_h: float
    failures: int
    careful: bool

    def fixed_count(self, failures: int) -> float:
        """Fixed-look upper bound on the expected count."""
        return poisson_upper_count(failures, self.count_confidence)

    def anytime_count(self, failures: int) -> float:
        """Anytime upper bound on the expected count."""
        return anytime_upper_count(failures, self.count_confidence, self.mixture_rate)


@dataclass(frozen=True, slots=True)
class Standing:
    """The ledger's weighted hours, added up once for all claims: in total per row, and per row and chip."""

    ledger: Ledger
    failed: list[FailedChip]
    total_h: list[float]
    chip_h: NDArray[np.float64]
    counts: list[int]  # failures after disposition, per mechanism

    @classmethod
    def of(cls, ledger: Ledger, failed: list[FailedChip]) -> Standing:
        """Where the account stands."""
        accounts, weights = ledger.accounts, ledger.weights
        return cls(
            ledger,
            failed,
            weights.total_h(accounts.low, accounts.high),
            weights.equivalent_h(accounts.low, accounts.high),
            failures_by_mechanism(ledger, failed),
        )

    @classmethod
    def planned(cls, campaign: Campaign) -> Standing:
        """Where the account would stand with every chip credited at the set-point for all planned hours."""
        ledger = Ledger(campaign)
        factors = (*ledger.weights.at_set_point, *ledger.weights.guards_at_set_point)
        chip_h = np.outer(factors, np.full(len(campaign.chips), campaign.planned_hours))
        total_h = [len(campaign.chips) * campaign.planned_hours * factor for factor in factors]
        return cls(ledger, [], total_h, chip_h, [0] * len(campaign.mechanisms))

    def with_every_failure(self) -> Standing:
        """The same account with every failed chip counted, whatever its disposition."""
        failed = [replace(f, disposition=None) for f in self.failed]
        return replace(self, failed=failed, counts=failures_by_mechanism(self.ledger, failed))

    def plain(self, mechanism: int, confidence: float) -> Basis:
        """The activation energy taken as certain."""
        ledger = self.ledger
        return Basis(
            name=ledger.campaign.mechanisms[mechanism].name,
            confidence=confidence,
            count_confidence=confidence,
            mixture_rate=ledger.campaign.claims.mixture_rate,
            row=mechanism,
            acceleration=ledger.weights.at_set_point[mechanism],
            equivalent_h=self.total_h[mechanism],
            failures=self.counts[mechanism],
            careful=False,
        )

    def claimed(self, mechanism: int, confidence: float) -> Basis:
        """What is claimed: careful where anything is stated of the activation energy, else plain."""
        plain, weights = self.plain(mechanism, confidence), self.ledger.weights
        for i, guard in enumerate(weights.guards):
            if guard.mechanism == mechanism and guard.confidence in {None, confidence}:
                row = len(weights.mechanisms) + i
                return replace(
                    plain,
                    count_confidence=count_confidence(self.ledger.campaign.energies[mechanism], confidence),
                    row=row,
                    acceleration=weights.guards_at_set_point[i],
                    equivalent_h=self.total_h[row],
                    careful=True,
                )
        return plain

    def all_claimed(self, confidence: float) -> list[Basis]:
        """One basis per mechanism."""
        return [self.claimed(m, confidence) for m in range(len(self.ledger.campaign.mechanisms))]

    def marks(self, mechanism: int) -> NDArray[np.bool_]:
        """Per chip, whether it failed by this mechanism (or by one that nobody has named)."""
        marks = np.zeros(len(self.ledger.campaign.chips), dtype=np.bool_)
        marks[self._chips_failed_by(mechanism)] = True
        return marks

    def path_h(self, mechanism: int, row: int) -> list[float]:
        """Equivalent hours of all chips when each failure of a mechanism became known: rising, none beyond the present.

        A better-known instant takes a little credit back now and then; hence the running maximum.
        """
        ledger = self.ledger
        counted = set(self._chips_failed_by(mechanism))
        hours = [
            ledger.weights.row_h(totals)[row]
            for chip, totals in ledger.accounts.at_failure.items()
            if chip in counted
        ]
        return [min(h, self.total_h[row]) for h in accumulate(hours, max)]

    def _chips_failed_by(self, mechanism: int) -> list[int]:
        names = _names(self.ledger)
        name = self.ledger.campaign.mechanisms[mechanism].name
        return [f.index for f in self.failed if f.counts_for(name, names)]


def failures_by_mechanism(ledger: Ledger, failed: Sequence[FailedChip]) -> list[int]:
    """Failures after disposition, per mechanism; one whose mechanism is not known counts for every one."""
    names = _names(ledger)
    return [sum(f.counts_for(m.name, names) for f in failed) for m in ledger.campaign.mechanisms]


def _names(ledger: Ledger) -> set[str]:
    return {m.name for m in ledger.campaign.mechanisms}
