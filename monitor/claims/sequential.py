"""The sequential plan: after every hour and every failure it accepts, rejects, or goes on.

Wald's probability-ratio test of a constant failure rate. With the target ``lam1`` (to be rejected; consumer's risk
beta), a good rate ``lam0 = lam1 / d`` (to be accepted; producer's risk alpha) and ``delta = lam1 - lam0``, after r
failures in H equivalent device-hours::

    accept as soon as     H >= h_a + s r        h_a = ln((1 - alpha) / beta) / delta
    reject at a failure   H <= s r - h_r        h_r = ln((1 - beta) / alpha) / delta,     s = ln(d) / delta

(Wald, Sequential Analysis, 1947; Epstein and Sobel, Ann. Math. Stat. 26:82, 1955.) The truncated plan ends at the
latest with the r0-th failure (reject) or at T0 hours (accept): r0 is the least r with
``chi2.ppf(alpha, 2 r) / chi2.ppf(1 - beta, 2 r) >= 1 / d``, and ``T0 = chi2.ppf(alpha, 2 r0) / (2 lam0)``, the
fixed-duration plan of the same risks (practice of MIL-HDBK-781A).

The risks asked for are not the risks run. An open plan rejects with room to spare at a failure, so that alpha comes out
smaller and beta slightly larger; truncation then adds to both (10 % asked of each is 11 % and 12 % run at d = 2). The
risks run are therefore computed exactly: between two boundary hours the count is Poisson and its ceiling constant, and
the distribution of the count is carried from one boundary hour to the next. All of it holds for a rate that is constant
over equivalent hours, and for a campaign that goes on until the plan decides.

**The chi-square (fixed-look) bound is not valid after such a stop**: the plan chose the moment by the failures seen.
**The anytime bound is valid**, here as after any other stop.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc, gammaincc, gammainccinv, gammaincinv

from monitor.claims import _checks
from monitor.claims._walk import poisson_probabilities
from monitor.claims.bounds import FIT_PER_HOUR

Verdict = Literal["accept", "reject", "go on"]
"""What a plan says along a path."""

Standing = Literal["accept", "reject", "go on", "over"]
"""Where a point lies; "over" is beyond both ends of a truncated plan, where a plan ended either way."""

_MOST_FAILURES = 10_000  # an r0 beyond it is a slip in the discrimination, and hours of computing
_UNDECIDED = 1e-15  # an open plan is followed until less probability than this is left


@dataclass(frozen=True, slots=True)
class Truncation:
    """Where a plan ends: rejected at the ``failures``-th failure, accepted at ``equivalent_h``."""

    failures: int
    equivalent_h: float


@dataclass(frozen=True, slots=True)
class Boundaries:
    """The lines by number of failures: one element for each of ``failures``; NaN where there is no such line."""

    failures: NDArray[np.int64]
    accept_h: NDArray[np.float64]
    reject_h: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Decision:
    """The first crossing of a path, with hours and failures there; of a path that goes on, where it is now."""

    verdict: Verdict
    equivalent_h: float
    failures: int


@dataclass(frozen=True, slots=True)
class Risks:
    """Probability of rejecting the good rate (producer) and of accepting the rate to be rejected (consumer)."""

    producer: float
    consumer: float


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    """The plan's lines in equivalent device-hours; ``sequential_plan`` makes one. Open where ``truncation`` is None.

    ``producer_risk`` and ``consumer_risk`` are the risks asked for; ``exact_risks`` tells the risks run.
    """

    target_fit: float
    discrimination: float
    producer_risk: float
    consumer_risk: float
    slope_h: float
    accept_intercept_h: float
    reject_intercept_h: float
    truncation: Truncation | None

    def accept_h(self, failures: int) -> float | None:
        """Hours from which ``failures`` failures accept; None from the truncating failure on.

        Less the hours so far, it is what is still to go without a further failure, if the plan has not ended before.
        """
        _checks.count("failures", failures)
        line_h = self.accept_intercept_h + self.slope_h * failures
        if self.truncation is None:
            return line_h
        return None if failures >= self.truncation.failures else min(line_h, self.truncation.equivalent_h)

    def reject_h(self, failures: int) -> float | None:
        """Hours up to which the ``failures``-th failure rejects; None where no such failure can."""
        _checks.count("failures", failures)
        if self.truncation is not None and failures >= self.truncation.failures:
            return self.truncation.equivalent_h
        # The line never passes T0 before the truncating failure, the least one that keeps both risks.
        line_h = self.slope_h * failures - self.reject_intercept_h
        return line_h if line_h > 0 else None

    def boundaries(self, most_failures: int) -> Boundaries:
        """The lines for 0 to ``most_failures`` failures, or to the truncating failure if that comes first."""
        _checks.count("most_failures", most_failures)
        if self.truncation is not None:
            most_failures = min(most_failures, self.truncation.failures)
        failures = np.arange(most_failures + 1)
        return Boundaries(
            failures,
            np.array([self.accept_h(r) for r in failures.tolist()], dtype=np.float64),  # None becomes NaN
            np.array([self.reject_h(r) for r in failures.tolist()], dtype=np.float64),
        )

    def standing(self, failures: int, equivalent_h: float) -> Standing:
        """Where the present point lies. It is not the verdict: the lines rise, and a path may leave a zone again.

        A path that was accepted, and then failed often, may stand at "go on" or "reject"; one that was rejected, and
        then ran long, at "go on" or "accept". ``decision`` tells the verdict, from the hours of the failures.
        """
        _checks.not_negative("equivalent_h", equivalent_h)
        accept_h, reject_h = self.accept_h(failures), self.reject_h(failures)
        if reject_h is not None and equivalent_h <= reject_h:
            return "reject"
        if accept_h is None:
            return "over"
        return "accept" if equivalent_h >= accept_h else "go on"

    def decision(self, failure_hours: Sequence[float], equivalent_h: float) -> Decision:
        """The verdict of a plan watched all the time: the first crossing up to ``equivalent_h``, final once made.

        ``failure_hours`` are the equivalent hours of the whole campaign at each failure, in rising order, none beyond
        ``equivalent_h``. A failure at the very hours of an acceptance counts before it.
        """
        _check_path(failure_hours, equivalent_h)
        for failures, failed_h in enumerate(failure_hours):
            accept_h, reject_h = self.accept_h(failures), self.reject_h(failures + 1)
            if accept_h is not None and failed_h > accept_h:
                return Decision("accept", accept_h, failures)
            if reject_h is not None and failed_h <= reject_h:
                return Decision("reject", failed_h, failures + 1)
        failures = len(failure_hours)
        accept_h = self.accept_h(failures)
        if accept_h is not None and equivalent_h >= accept_h:
            return Decision("accept", accept_h, failures)
        return Decision("go on", equivalent_h, failures)


def sequential_plan(
    target_fit: float,
    discrimination: float,
    producer_risk: float,
    consumer_risk: float,
    *,
    truncated: bool = True,
) -> SequentialPlan:
    """The plan that rejects ``target_fit`` (FIT) and accepts ``target_fit / discrimination``, at about the risks given.

    Raises ValueError for a target that is not above 0, a discrimination that is not above 1 or so near to 1 that the
    truncation lies beyond 10 000 failures, and risks outside the open interval from 0 to 0.5.
    """
    _checks.positive("target_fit", target_fit)
    _check_discrimination(discrimination)
    _check_risk("producer_risk", producer_risk)
    _check_risk("consumer_risk", consumer_risk)
    bad_rate = target_fit / FIT_PER_HOUR
    difference = bad_rate * (1 - 1 / discrimination)
    failures = _truncating_failure(discrimination, producer_risk, consumer_risk)
    end_h = float(gammaincinv(failures, producer_risk)) * discrimination / bad_rate
    return SequentialPlan(
        target_fit,
        discrimination,
        producer_risk,
        consumer_risk,
        slope_h=math.log(discrimination) / difference,
        accept_intercept_h=math.log((1 - producer_risk) / consumer_risk) / difference,
        reject_intercept_h=math.log((1 - consumer_risk) / producer_risk) / difference,
        truncation=Truncation(failures, end_h) if truncated else None,
    )


def exact_risks(plan: SequentialPlan) -> Risks:
    """The risks the plan runs: exact sums, good to about 1e-13."""
    good, bad = (_stops(plan, truth) for truth in (1 / plan.discrimination, 1.0))
    return Risks(producer=float(good.rejected.sum()), consumer=float(bad.accepted.sum()))


def operating_characteristic(plan: SequentialPlan, truth_over_target: float) -> float:
    """Probability that the plan accepts when the true rate is ``truth_over_target`` times the target; exact."""
    return float(_stops(plan, truth_over_target).accepted.sum())


def expected_exposure_h(plan: SequentialPlan, truth_over_target: float) -> float:
    """Expected equivalent hours until the plan ends when the true rate is ``truth_over_target`` times the target.

    Wald's equation: expected failures at the end over the rate; exact.
    """
    stops = _stops(plan, truth_over_target)
    failures = np.arange(stops.accepted.size)
    expected_failures = float(failures @ (stops.accepted + stops.rejected))
    return expected_failures * FIT_PER_HOUR / (truth_over_target * plan.target_fit)


def stepped_accept_probability(accept_h: ArrayLike, reject_h: ArrayLike, rate_per_h: float) -> float:
    """Probability of acceptance under any stepped plan, such as a printed table; exact.

    Both one-dimensional, of one length, by number of failures from 0: ``accept_h[r]`` hours from which r failures
    accept, ``reject_h[r]`` hours up to which the r-th failure rejects. None or NaN stands at the head of ``reject_h``,
    where nothing rejects, and at the last place of ``accept_h``, which is the truncating failure: it rejects at any
    hour, up to the last of ``accept_h``. Hours and ``rate_per_h`` may be in any one unit of time.

    Raises ValueError for lines that fall, are not positive, have gaps, or do not end so.
    """
    accepts = np.asarray(accept_h, dtype=np.float64)
    rejects = np.asarray(reject_h, dtype=np.float64)
    _check_steps(accepts, rejects)
    _checks.positive("rate_per_h", rate_per_h)
    return float(_walk(accepts[:-1], rejects, rate_per_h).accepted.sum())


def fixed_duration_risks(duration_over_theta1: float, accept_failures: int, discrimination: float) -> Risks:
    """Risks of the plan that runs a fixed time and accepts up to ``accept_failures`` failures (MIL-HDBK-781A).

    ``duration_over_theta1`` is the expected number of failures at the rate to be rejected; divided by
    ``discrimination`` (above 1) that at the good rate.
    """
    _checks.positive("duration_over_theta1", duration_over_theta1)
    _checks.count("accept_failures", accept_failures)
    _check_discrimination(discrimination)
    return Risks(
        producer=float(gammainc(accept_failures + 1, duration_over_theta1 / discrimination)),
        consumer=float(gammaincc(accept_failures + 1, duration_over_theta1)),
    )


@dataclass(frozen=True, slots=True)
class _Stops:
    """Probability of ending accepted, and rejected, with 0, 1, 2, ... failures."""

    accepted: NDArray[np.float64]
    rejected: NDArray[np.float64]


def _stops(plan: SequentialPlan, truth_over_target: float) -> _Stops:
    _checks.positive("truth_over_target", truth_over_target)
    rate_per_h = truth_over_target * plan.target_fit / FIT_PER_HOUR
    if plan.truncation is not None:
        lines = plan.boundaries(plan.truncation.failures)
        return _walk(lines.accept_h[:-1], lines.reject_h, rate_per_h)
    most_failures = 64
    while True:
        lines = plan.boundaries(most_failures)
        stops = _walk(lines.accept_h[:-1], lines.reject_h, rate_per_h)
        if (
            stops.rejected[-1] < _UNDECIDED
        ):  # all that ever reaches the last count, however it would have ended
            return stops
        most_failures *= 2


def _walk(accepts: NDArray[np.float64], rejects: NDArray[np.float64], rate_per_h: float) -> _Stops:
    """Carry the distribution of the count from one boundary hour to the next.

    At any hour the counts still going on are those from ``low`` (fewer failures were accepted) to below ``top`` (the
    failure that makes ``top`` rejects at once). With one more of ``rejects`` than of ``accepts``, the last count
    rejects whenever it is reached.
    """
    most_failures = accepts.size
    floors = np.append(np.nan_to_num(rejects[:-1], nan=-1.0), math.inf)
    inner = floors[(floors > 0) & (floors < accepts[-1])]
    ends = np.unique(np.concatenate([accepts, inner]))
    starts = np.concatenate([[0.0], ends[:-1]])
    lows = np.searchsorted(accepts, np.append(starts, ends[-1]), side="right")
    tops = np.searchsorted(floors, starts, side="right")
    going = np.zeros(most_failures)
    going[0] = 1.0
    accepted, rejected = np.zeros(most_failures + 1), np.zeros(most_failures + 1)
    means = rate_per_h * (ends - starts)
    for (low, next_low), top, mean in zip(itertools.pairwise(lows), tops, means, strict=True):
        if low >= top:  # wide steps: the line of rejection has met that of acceptance
            break
        before = going[low:top]
        after = np.convolve(before, poisson_probabilities(mean, top - low))[: top - low]
        rejected[top] += before @ gammainc(np.arange(top - low, 0, -1), mean)
        going[low:top] = after
        accepted[low:next_low] = going[low:next_low]
    return _Stops(accepted, rejected)


def _truncating_failure(discrimination: float, producer_risk: float, consumer_risk: float) -> int:
    def enough(failures: int) -> bool:
        ratio = gammaincinv(failures, producer_risk) / gammainccinv(failures, consumer_risk)
        return bool(ratio * discrimination >= 1)

    failures = 1 + bisect.bisect_left(range(1, _MOST_FAILURES + 1), True, key=enough)
    if failures > _MOST_FAILURES:
        raise ValueError(
            f"discrimination must let the plan end within {_MOST_FAILURES} failures; got {discrimination!r} "
            f"at risks of {producer_risk!r} and {consumer_risk!r}"
        )
    return failures


def _check_discrimination(value: float) -> None:
    if not 1 < value < math.inf:
        raise ValueError(f"discrimination must be a finite number above 1; got {value!r}")


def _check_risk(name: str, value: float) -> None:
    if not 0 < value < 0.5:
        raise ValueError(f"{name} must lie between 0 and 0.5, both excluded; got {value!r}")


def _check_path(failure_hours: Sequence[float], equivalent_h: float) -> None:
    _checks.not_negative("equivalent_h", equivalent_h)
    last_h = 0.0
    for failed_h in failure_hours:
        if not last_h <= failed_h <= equivalent_h:
            raise ValueError(
                f"failure_hours must rise from 0 to at most equivalent_h, {equivalent_h!r}; got {failed_h!r} "
                f"after {last_h!r}"
            )
        last_h = failed_h


def _check_steps(accepts: NDArray[np.float64], rejects: NDArray[np.float64]) -> None:
    if accepts.ndim != 1 or accepts.size < 2 or not _rises(accepts[:-1]) or not np.isnan(accepts[-1]):
        raise ValueError(f"accept_h must rise from above 0 and end with NaN; got {accepts.tolist()!r}")
    steps = rejects[np.isnan(rejects).argmin() :] if rejects.ndim == 1 and rejects.size else rejects
    if rejects.shape != accepts.shape or steps.size == rejects.size or not _rises(steps):
        raise ValueError(
            f"reject_h must be as long as accept_h, begin with NaN, then rise from above 0; got {rejects.tolist()!r}"
        )
    if rejects[-1] < accepts[-2]:
        raise ValueError(
            f"reject_h must end at the last of accept_h, {float(accepts[-2])!r}; got {float(rejects[-1])!r}"
        )


def _rises(hours: NDArray[np.float64]) -> bool:
    """Finite, above 0 and never falling; NaN anywhere is none of these."""
    return bool(np.isfinite(hours).all() and (hours > 0).all() and (np.diff(hours) >= 0).all())
