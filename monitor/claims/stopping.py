"""What stopping by result does to a fixed-look bound, exactly, and a pass line that stays honest when watched.

A rule "pass after r failures once the exposure is ``t_r``" draws pass lines ``t_0, t_1, ... t_R`` across the plane of
exposure and failures. Exposure is counted in failures expected at the target rate, so no rate and no clock enter. The
walk of a campaign goes from one line to the next by Poisson steps, and who stands at r failures on line r has passed:
summed over the lines, this is the exact probability of ever passing (first passage of a Poisson process; Epstein &
Sobel, Annals of Mathematical Statistics 26:82, 1955, have it for sequential life tests). All terms are positive, so
nothing cancels.

Where the pass lines are those of the fixed-look bound, ``t_r = chi2.ppf(C, 2 r + 2) / 2``, a test at the target rate
passes more often than ``1 - C``: with one failure allowed and 90 %, in 14.7 % of all campaigns. ``pass_line`` raises
the confidence of the lines until it is ``1 - C`` again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammainccinv, pdtr, pdtrik

from monitor.claims import _checks
from monitor.claims._walk import poisson_probabilities
from monitor.claims.bounds import poisson_upper_count, poisson_upper_counts


@dataclass(frozen=True, slots=True)
class PassDecision:
    """The verdict of a watched test, "passed", "failed" or "go on", with exposure and failures where it fell.

    Of a test that goes on they are where it is now.
    """

    verdict: Literal["passed", "failed", "go on"]
    expected: float
    failures: int


@dataclass(frozen=True, slots=True)
class PassLine:
    """Exposures at which a test passes, watched all the time: "the rate is at most the target, at ``confidence``".

    ``counts[r]`` is the exposure at which r failures pass, in failures expected at the target rate: the fixed-look
    upper count at ``adjusted_confidence``. Target, confidence and failures allowed must be fixed before the start.
    """

    confidence: float
    adjusted_confidence: float
    counts: tuple[float, ...]

    @property
    def failures_allowed(self) -> int:
        """The most failures that can pass."""
        return len(self.counts) - 1

    def passes(self, failures: int, expected: float) -> bool:
        """Whether ``failures`` pass at an exposure of ``expected``, target rate times equivalent device-hours."""
        _checks.not_negative("expected", expected)
        return not self.fails(failures) and expected >= self.counts[failures]

    def fails(self, failures: int) -> bool:
        """Whether ``failures`` are so many that no exposure passes them."""
        _checks.count("failures", failures)
        return failures > self.failures_allowed

    def decision(self, failure_expected: Sequence[float], expected: float) -> PassDecision:
        """The verdict of a test watched all the time, final once made: the first line that is reached passes.

        ``failure_expected`` is the exposure at each failure, in rising order, none beyond the present ``expected``, all
        in failures expected at the target rate. A failure at the very exposure of its line counts before the pass.
        """
        _checks.not_negative("expected", expected)
        for failures, at in enumerate(failure_expected):
            if at > self.counts[failures]:
                return PassDecision("passed", self.counts[failures], failures)
            if self.fails(failures + 1):
                return PassDecision("failed", at, failures + 1)
        failures = len(failure_expected)
        if self.passes(failures, expected):
            return PassDecision("passed", self.counts[failures], failures)
        return PassDecision("go on", expected, failures)


def pass_probability(truth_over_target: float, pass_counts: Sequence[float]) -> float:
    """Probability that a test, watched all the time, ever passes.

    ``truth_over_target`` is the true rate in units of the target rate, 0 or more. ``pass_counts[r]`` is the exposure at
    which r failures pass, in failures expected at the target rate, none below the one before it; more failures than the
    list has lines for never pass. For looks at some times only, each of them is the first look at or after the line.
    """
    _checks.not_negative("truth_over_target", truth_over_target)
    return float(_passing(truth_over_target, _rising("pass_counts", pass_counts)).sum())


def watched_miss_probability(
    confidence: float,
    failures_allowed: int,
    truth_over_target: float = 1.0,
    looks: Sequence[float] | None = None,
) -> float:
    """Probability that the fixed-look bound claimed at the end of a watched test lies below the true rate.

    The test stops as soon as the bound meets the target, at the latest at the exposure at which ``failures_allowed``
    failures meet it (the planned exposure); the bound at that moment is claimed. The truth is taken just above
    ``truth_over_target`` (1 or more) times the target: at 1, every claim "at most the target" is a miss. Read at one
    time fixed in advance, the bound would miss with probability ``1 - C`` at most.

    ``looks``: looked at only at these fractions of the planned exposure (above 0, rising, at most 1), the last one ends
    the test; None: all the time.
    """
    _checks.confidence_level(confidence)
    _checks.count("failures_allowed", failures_allowed)
    if not 1 <= truth_over_target < np.inf:
        raise ValueError(f"truth_over_target must be a finite number, 1 or more; got {truth_over_target!r}")
    lines = poisson_upper_counts(np.arange(failures_allowed + 1), confidence)
    end = float(lines[-1])
    if looks is not None:
        at = _fractions(looks) * end
        end = float(at[-1])
        lines = _seen(lines, at)
    passing = _passing(truth_over_target, lines)
    remaining = truth_over_target * (end - lines)
    return float(passing.sum()) + _missing_at_the_end(confidence, truth_over_target * end, remaining, passing)


def pass_line(failures_allowed: int, confidence: float) -> PassLine:
    """The pass line for a test that may be watched all the time and allows ``failures_allowed`` failures.

    Its lines are those of the fixed-look bound at the one higher confidence at which a test at the target rate passes
    with probability ``1 - C``; at a higher rate it passes more rarely. With no failure allowed, watching changes
    nothing and the confidence stays.
    """
    _checks.count("failures_allowed", failures_allowed)
    _checks.confidence_level(confidence)
    orders = np.arange(1.0, failures_allowed + 2)
    miss = 1 - confidence

    def lines(tail: float) -> NDArray[np.float64]:
        return np.asarray(gammainccinv(orders, tail))

    def excess(tail: float) -> float:
        return float(_passing(1.0, lines(tail)).sum()) - miss

    tail = miss
    if (
        failures_allowed > 0
    ):  # each line by itself is passed with probability `tail`, all with at most R + 1 times that
        tail = float(brentq(excess, miss / orders.size, miss, xtol=1e-300, rtol=1e-14))
    return PassLine(confidence, 1 - tail, tuple(lines(tail).tolist()))


def _passing(truth_over_target: float, lines: NDArray[np.float64]) -> NDArray[np.float64]:
    """The probability of passing at each line."""
    passing = np.zeros(lines.size)
    standing = np.ones(1)  # by failures beyond those the line allows: none, one, two ...
    steps = np.diff(lines, prepend=0.0) * truth_over_target
    for failures, step in enumerate(steps.tolist()):
        still_open = lines.size - failures
        standing = np.convolve(standing, poisson_probabilities(step, still_open))[:still_open]
        passing[failures] = standing[0]
        standing = standing[1:]
    return passing


def _missing_at_the_end(
    confidence: float, expected: float, remaining: NDArray[np.float64], passing: NDArray[np.float64]
) -> float:
    """The probability of not passing and yet ending with so few failures that the bound lies below the truth.

    ``expected`` failures at the true rate in the whole test, ``remaining`` of them after each line.
    """
    most = _most_failures_under(expected, confidence)
    if most < passing.size:
        return 0.0  # so few have passed
    later = most - np.arange(passing.size)
    return float(pdtr(most, expected) - (passing * pdtr(later, remaining)).sum())


def _most_failures_under(expected: float, confidence: float) -> int:
    """The most failures whose upper count is at most ``expected``; -1 where not even that of none is."""
    if poisson_upper_count(0, confidence) > expected:
        return -1
    return int(pdtrik(1 - confidence, expected))


def _seen(lines: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """The first look at or after each line; lines after the last look are dropped."""
    look = np.searchsorted(at, lines)
    return np.asarray(at[look[look < at.size]])


def _rising(name: str, values: Sequence[float]) -> NDArray[np.float64]:
    """As an array; refuses empty lists, falling ones, and what is not finite and 0 or more."""
    if len(values) == 0:
        raise ValueError(f"{name} must hold at least one number; got {values!r}")
    for value in values:
        _checks.not_negative(name, value)
    array = np.asarray(values, dtype=np.float64)
    if (np.diff(array) < 0).any():
        raise ValueError(f"{name} must rise; got {values!r}")
    return array


def _fractions(looks: Sequence[float]) -> NDArray[np.float64]:
    fractions = _rising("looks", looks)
    if not 0 < fractions[0] <= fractions[-1] <= 1:
        raise ValueError(f"looks must lie above 0 and be 1 at most; got {looks!r}")
    return fractions
