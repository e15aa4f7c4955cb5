"""The failed chips with their dispositions, and which of them look like one incident of the equipment."""

from __future__ import annotations

import math
from collections.abc import Set
from dataclasses import dataclass

from monitor.campaign import Campaign
from monitor.figures.document import Incident
from monitor.ledger import Failure, Ledger
from shared.entries import Disposition
from shared.quantities import MS_PER_S


@dataclass(frozen=True, slots=True)
class FailedChip:
    """A failed chip and the disposition that stands, if any."""

    index: int
    failure: Failure
    disposition: Disposition | None

    @property
    def not_relevant(self) -> bool:
        """Whether a person has dispositioned the failure out."""
        return self.disposition is not None and self.disposition.cls == "not-relevant"

    def counts_for(self, mechanism: str, known: Set[str]) -> bool:
        """Whether the failure counts for ``mechanism``; one whose mechanism is not known counts for every one."""
        if self.not_relevant:
            return False
        named = self.disposition.mechanism if self.disposition else None
        return named == mechanism or named not in known


def failed_chips(ledger: Ledger) -> list[FailedChip]:
    """Every failed chip, by time of failure and then in the order of the campaign file."""
    found = []
    for index, witness in enumerate(ledger.witnesses):
        if witness.failure is not None:
            entered = ledger.dispositions.get(ledger.campaign.chips[index].serial)
            found.append(FailedChip(index, witness.failure, entered[-1] if entered else None))
    return sorted(found, key=lambda f: (f.failure.t_ms, f.index))


def incidents(campaign: Campaign, failed: list[FailedChip]) -> list[Incident]:
    """Suspected equipment incidents: enough chips of one board failed in one boot within the common-cause time."""
    rule = campaign.failure
    within_ms = math.floor(rule.common_cause_s * MS_PER_S)
    groups: dict[tuple[str, int, str], list[FailedChip]] = {}
    for f in failed:
        chip = campaign.chips[f.index]
        groups.setdefault((chip.rack, chip.board, f.failure.boot), []).append(f)
    found = []
    for (rack, board, _), group in groups.items():
        for together in _together(sorted(group, key=_instant), within_ms, rule.common_cause_chips):
            serials = [campaign.chips[f.index].serial for f in together]
            found.append(Incident(rack, board, serials, together[0].failure.t_ms))
    return sorted(found, key=lambda i: (i.t_ms, i.rack, i.board))


def _instant(failed: FailedChip) -> tuple[int, int]:
    return failed.failure.up_ms, failed.index


def _together(group: list[FailedChip], within_ms: int, least: int) -> list[list[FailedChip]]:
    """Runs of ``group`` (in time order) that start with their earliest and hold all within ``within_ms`` of it."""
    found = []
    start = 0
    while start < len(group):
        end = start
        while end < len(group) and group[end].failure.up_ms - group[start].failure.up_ms <= within_ms:
            end += 1
        if end - start >= least:
            found.append(group[start:end])
            start = end
        else:
            start += 1
    return found
