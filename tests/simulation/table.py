"""The sum over many seeds: fault, times injected, messages in flight, lost, double counted."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from tests.simulation.world import Outcome


@dataclass
class Table:
    """Adds outcomes up. A message that is lost or doubled is held against every fault of its seed."""

    seeds: int = 0
    sent: int = 0
    virtual_s: float = 0.0
    failed: list[int] = field(default_factory=list)
    injected: Counter[str] = field(default_factory=Counter)
    in_flight: Counter[str] = field(default_factory=Counter)
    lost: Counter[str] = field(default_factory=Counter)
    doubled: Counter[str] = field(default_factory=Counter)
    all_lost: int = 0
    all_doubled: int = 0

    def add(self, outcome: Outcome) -> None:
        """Add one seed."""
        self.seeds += 1
        self.sent += outcome.sent
        self.virtual_s += outcome.virtual_s
        self.all_lost += outcome.lost
        self.all_doubled += outcome.doubled
        self.injected += outcome.injected
        self.in_flight += outcome.in_flight
        for kind in outcome.injected:
            self.lost[kind] += outcome.lost
            self.doubled[kind] += outcome.doubled
        if outcome.failures:
            self.failed.append(outcome.seed)

    def text(self) -> str:
        """The table in Markdown, with a line on what it is the sum of."""
        rows = [
            "| fault | times injected | messages in flight | lost | double counted |",
            "| --- | --: | --: | --: | --: |",
        ]
        for kind in sorted(self.injected):
            numbers = (self.injected[kind], self.in_flight[kind], self.lost[kind], self.doubled[kind])
            rows.append(f"| {kind} | {' | '.join(f'{number:,}' for number in numbers)} |")
        total = (sum(self.injected.values()), sum(self.in_flight.values()), self.all_lost, self.all_doubled)
        rows.append(f"| all | {' | '.join(f'{number:,}' for number in total)} |")
        failed = f"failed: {', '.join(map(str, self.failed))}" if self.failed else "none failed"
        rows.append(
            f"\n{self.seeds:,} seeds, {self.sent:,} messages, {self.virtual_s / 3600:,.0f} h of virtual time; {failed}."
        )
        return "\n".join(rows)
