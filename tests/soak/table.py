"""The outcome of many rounds as a table: fault, times injected, messages in flight, lost, double counted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tests.faults.verdict import Verdict

HEAD = ("fault", "times injected", "messages in flight", "lost", "double counted")


@dataclass(frozen=True)
class Injected:
    """One fault as it happened; ``in_flight`` are the messages in flight at that moment."""

    fault: str
    in_flight: int


@dataclass(frozen=True)
class Outcome:
    """What a round came to; ``took_s`` is for the reader only."""

    number: int
    injected: list[Injected]
    verdict: Verdict
    took_s: float

    def __str__(self) -> str:
        verdict = self.verdict
        faults = ", ".join(one.fault for one in self.injected) or "no fault"
        state = "sound" if verdict.sound else "NOT SOUND: " + "; ".join(verdict.wrong)
        return (
            f"round {self.number}: {verdict.sent} messages, {verdict.lost} lost, {verdict.doubled} double counted, "
            f"{verdict.duplicates} duplicates told; {state} ({self.took_s:.0f} s; {faults})"
        )


def table(outcomes: Sequence[Outcome], faults: Iterable[str]) -> str:
    """The table in Markdown.

    A message that a round lost or counted twice is put to every fault of the round: which of them it was cannot be
    told. The last line counts each round once.
    """
    rows = [_row(fault, outcomes) for fault in faults]
    rows.append(
        (
            "**all**",
            sum(len(outcome.injected) for outcome in outcomes),
            sum(one.in_flight for outcome in outcomes for one in outcome.injected),
            sum(outcome.verdict.lost for outcome in outcomes),
            sum(outcome.verdict.doubled for outcome in outcomes),
        )
    )
    lines = [HEAD, ("---", "---:", "---:", "---:", "---:"), *rows]
    return "\n".join("| " + " | ".join(_text(cell) for cell in line) + " |" for line in lines)


def _row(fault: str, outcomes: Sequence[Outcome]) -> tuple[str, int, int, int, int]:
    met = [outcome for outcome in outcomes if any(one.fault == fault for one in outcome.injected)]
    those = [one for outcome in met for one in outcome.injected if one.fault == fault]
    return (
        fault,
        len(those),
        sum(one.in_flight for one in those),
        sum(outcome.verdict.lost for outcome in met),
        sum(outcome.verdict.doubled for outcome in met),
    )


def _text(cell: object) -> str:
    return f"{cell:,}" if isinstance(cell, int) else str(cell)
