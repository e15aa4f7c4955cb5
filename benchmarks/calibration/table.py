"""The table: how often each claim was true against what it says, as a page in Markdown and as JSON."""

from __future__ import annotations

import json
import math
import os
import platform
from dataclasses import asdict, dataclass
from importlib.metadata import version
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

Expects = Literal["covers", "nears", "fails", "agrees"]
"""A bound that is to cover at least as often as it says, or (approximate limits) nearly so; one that must not; a
probability that is to come true."""

TOLERANCE_SE = 3.0
NEAR = 0.03  # short by no more than this are limits that call themselves approximate


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: how often the claim was true in so many campaigns, against what it says."""

    claim: str
    setting: str
    says: float
    found: float
    campaigns: int
    expects: Expects

    @property
    def standard_error(self) -> float:
        """Monte Carlo standard error of what was found."""
        return math.sqrt(self.found * (1 - self.found) / self.campaigns)

    @property
    def verdict(self) -> str:
        """In a word, by three standard errors of a share that is as it says."""
        tolerance = TOLERANCE_SE * math.sqrt(self.says * (1 - self.says) / self.campaigns)
        missing = self.says - self.found
        match self.expects:
            case "covers":
                return "holds" if missing <= tolerance else "ANTI-CONSERVATIVE"
            case "nears":
                return "near" if missing <= max(tolerance, NEAR) else "ANTI-CONSERVATIVE"
            case "fails":
                return "fails as it must" if missing > tolerance else "not seen to fail"
            case "agrees":
                return "agrees" if abs(missing) <= tolerance else "DISAGREES"

    @property
    def is_finding(self) -> bool:
        """Whether the verdict is not the one expected."""
        return self.verdict not in {"holds", "near", "fails as it must", "agrees"}


def row(claim: str, setting: str, says: float, true: ArrayLike, expects: Expects = "covers") -> Row:
    """A row from one mark for each campaign: whether what was claimed is true."""
    marks = np.asarray(true, dtype=np.bool_)
    return Row(claim, setting, float(says), float(marks.mean()), marks.size, expects)


def failures_in_words(number: int) -> str:
    """``1 failure``, ``3 failures``."""
    return f"{number} failure" + "s" * (number != 1)


_HEAD = """# Calibration: is each bound right as often as it says?

Written by `make calibration`. Each row is a number of simulated campaigns in which the truth is known, because it was
drawn. *Says* is the confidence of a bound, or a probability that was told. *Found* is the share of campaigns in which
the claim was true, with its Monte Carlo standard error.

- **holds**: true as often as it says, or more often (within three standard errors of a share that is as it says).
- **fails as it must**: a rule that is known to break the promise, shown at work.
- **near**: limits that call themselves approximate, short by no more than 0.03.
- **agrees**: a probability that was told, and came true that often.
- **ANTI-CONSERVATIVE**, **DISAGREES** or **not seen to fail**: not what was expected.

Not simulated: the any-time bounds per read and of early life, the bound per bit, the prediction bounds of drift, and
the pass line and the sequential plan together with an uncertain activation energy.
"""

_READING = """## What the table says

The bound for one look keeps its promise at one look, and "the worst place" shows that it has nothing to spare there.
Just before it, it never misses; were the bound a twentieth lower than it is, that row would tell.
The any-time bound keeps it at every instant of a campaign at once, so also for whoever stops when the target is met,
pulls good chips after a failure, or runs each chip at a temperature of its own. The pass line and the sequential plan
run the risks that they state. The total over mechanisms keeps its confidence, in all three kinds; the weighted one has
nothing to spare where only the least accelerated mechanism fails. A forecast comes true as often as it says.

Two rows of the any-time bound are alike on purpose: who stops when it meets a target just below the truth errs in
exactly the campaigns in which it is ever below the truth.

Much more often than it says is not wrong, but wide: failures are whole numbers, so between the worst places there is
room; an interval of the activation energy that is taken at its worst end, and an error shared between energy and
count, cost what they must cover in the worst case.

## Where a bound does not hold

- **Fixed look, watched.** Who stops as soon as the bound for one look meets the target is wrong more often than it
  says, and the more failures the test may go on after, the worse. The loss is known exactly ("what watching leaves").
  The same goes for the bound for one look after the stop of a sequential plan.
- **A life with the wrong shape.** Early failures judged as a constant rate look better than they are in the first
  year; wear-out judged so looks better than it is beyond the hours tested. The shape is an assumption, no result:
  look at the range of shapes that the figures show.
- **A rate in FIT where the true shape is 0.5.** The same fault in the usual words: the rate over the test is not that
  of the first year.
- **An activation energy that is lower than stated.** The hours are credited too generously. An interval or an error
  stated beforehand carries it.
- **Hours that nobody verified.** Where failures are found only at read points, hours of chips that have failed
  already, unseen, must not be credited. Up to the last good reading they may be.
- **Reads of one bad cell.** They do not fail each by itself. The bound per read is for those that do.
- **Limits of a fitted life.** Likelihood-ratio limits are approximate, at few failures most of all, and rows are of
  campaigns with three failures or more, as no fewer are fitted. Hence the verdict *near*.

## What was simulated

Lives come from the simulator's own law; stress shortens them by an Arrhenius factor that the benchmark computes from
the SI constants, apart from the claims' code. Failed chips leave the test and are not replaced, unless a row says
otherwise. Hours are credited at the set-point, or at each chip's own temperature. *End to end* rows go from simulated
racks over the run file and the ledger to the figures document: few campaigns, so the share found is rough, but the
figures are held against the simulator's truth one by one. Of rows that have nothing to spare, one in some seven hundred
falls outside three standard errors by chance.
"""


def page(rows: dict[str, list[Row]], seed: int, campaigns: int, runs: int) -> str:
    """The page as Markdown."""
    parts = [_HEAD, _provenance(seed, campaigns, runs)]
    for name, group in rows.items():
        parts.append(f"## {name}\n")
        parts.append("| claim | setting | says | found | standard error | campaigns | verdict |")
        parts.append("| --- | --- | ---: | ---: | ---: | ---: | --- |")
        parts += [_line(each) for each in group]
        parts.append("")
    return "\n".join([*parts, _READING])


def _provenance(seed: int, campaigns: int, runs: int) -> str:
    versions = ", ".join(f"{name} {version(name)}" for name in ("lifebound", "numpy", "scipy"))
    return (
        f"Command: `python -m benchmarks.calibration --campaigns {campaigns} --end-to-end {runs} --seed {seed}`. "
        f"{versions}, Python {platform.python_version()}; {platform.machine()}, {os.cpu_count()} cores. "
        "Costly rows run a half or a tenth of the campaigns.\n"
    )


def _line(each: Row) -> str:
    figures = f"{each.says:.4f} | {each.found:.4f} | {each.standard_error:.4f} | {each.campaigns}"
    verdict = f"**{each.verdict}**" if each.is_finding or each.expects == "fails" else each.verdict
    return f"| {each.claim} | {each.setting} | {figures} | {verdict} |"


def as_json(rows: dict[str, list[Row]]) -> str:
    """The rows as JSON."""
    listed = [
        {"group": name, **asdict(each), "standard_error": each.standard_error, "verdict": each.verdict}
        for name, group in rows.items()
        for each in group
    ]
    return json.dumps(listed, indent=1)
