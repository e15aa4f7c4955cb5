"""Fixed-look bounds on a failure rate, in FIT (failures per 1e9 device-hours), from failures and exposure.

A **fixed-look** bound is right for one look at a time fixed in advance. It is the chi-square one of the trade (JESD85;
NIST/SEMATECH e-Handbook 8.4.5.1, time censored: 2 r + 2 degrees of freedom for the upper bound, 2 r for the lower one).
Who watches it and stops when it meets the target errs more often than it says (monitor.claims.stopping tells how
often); for watching there is the anytime bound (monitor.claims.anytime).

A test that ends at a failure, not at a time, has 2 r degrees of freedom on both sides (``failure_truncated_bound``).

Accuracy: counts are within 1e-14 of their exact value, relative, for up to 1e5 failures and confidences from 1e-9 to
1 - 1e-9 (held against mpmath).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainccinv, gammaincinv

from monitor.claims import _checks

FIT_PER_HOUR = 1e9
"""A rate of one failure per hour, in FIT."""


@dataclass(frozen=True, slots=True)
class FixedLookBound:
    """Fixed-look bounds and point estimate in FIT. This bound is for one look at a time fixed in advance.

    ``confidence`` is that of each limit by itself; where ``two_sided`` is set, that both hold. Without exposure there
    is no upper bound and no point (None); the lower bound is 0 as long as nothing failed.
    """

    confidence: float
    fit_upper: float | None
    fit_lower: float | None
    fit_point: float | None
    two_sided: bool = False


@dataclass(frozen=True, slots=True)
class MttfBound:
    """Bounds and point estimate of the mean time to failure in device-hours, where failures come at a constant rate.

    ``confidence`` and ``two_sided`` as in FixedLookBound. Without failures there is no upper bound and no point,
    without exposure no lower bound either (None).
    """

    confidence: float
    lower_h: float | None
    upper_h: float | None
    point_h: float | None
    two_sided: bool = False


def poisson_upper_count(failures: int, confidence: float) -> float:
    """One-sided upper bound on the expected count after ``failures``: ``chi2.ppf(C, 2 r + 2) / 2``.

    Good for one look at a time fixed in advance. (Garwood, Biometrika 28:437, 1936.)
    """
    _checks.count("failures", failures)
    _checks.confidence_level(confidence)
    return float(gammaincinv(failures + 1.0, confidence))


def poisson_upper_counts(failures: ArrayLike, confidence: float) -> NDArray[np.float64]:
    """``poisson_upper_count`` of each of ``failures`` (whole numbers, any shape), in an array of that shape.

    Good for one look at a time fixed in advance. (Garwood, Biometrika 28:437, 1936.)
    """
    for value in np.ravel(failures).tolist():
        _checks.count("failures", value)
    _checks.confidence_level(confidence)
    return np.asarray(gammaincinv(np.asarray(failures) + 1.0, confidence))


def poisson_lower_count(failures: int, confidence: float) -> float:
    """One-sided lower bound on the expected count after ``failures``: ``chi2.ppf(1 - C, 2 r) / 2``; 0 at r = 0.

    Good for one look at a time fixed in advance. (Garwood, Biometrika 28:437, 1936.)
    """
    _checks.count("failures", failures)
    _checks.confidence_level(confidence)
    if failures == 0:
        return 0.0
    return float(gammainccinv(float(failures), confidence))


def fixed_look_bound(failures: int, equivalent_h: float, confidence: float) -> FixedLookBound:
    """Bounds and point estimate of the failure rate in FIT, over ``equivalent_h`` equivalent device-hours.

    Good for one look at a time fixed in advance; watched while it moves, it is too low too often.
    """
    _checks.not_negative("equivalent_h", equivalent_h)
    counts = poisson_lower_count(failures, confidence), poisson_upper_count(failures, confidence)
    return _bound(confidence, counts, failures, equivalent_h)


def two_sided_bound(failures: int, equivalent_h: float, confidence: float) -> FixedLookBound:
    """Both limits of the failure rate in FIT at once: each is missed with probability ``(1 - C) / 2`` at most.

    Good for one look at a time fixed in advance. At 0 failures the lower limit is 0 and the upper one stays at the
    two-sided level, 3.689 expected failures at 95 %; here the tables of the trade differ: some give the one-sided
    limit, 2.996. (Garwood, Biometrika 28:437, 1936; NIST/SEMATECH e-Handbook 8.4.5.1.)
    """
    _checks.count("failures", failures)
    _checks.not_negative("equivalent_h", equivalent_h)
    _checks.confidence_level(confidence)
    # By its tail: (1 + C) / 2 would lose the digits of a small 1 - C, and the lower limit at one failure with them.
    tail = (1 - confidence) / 2
    lower_count = float(gammaincinv(float(failures), tail)) if failures else 0.0
    upper_count = float(gammainccinv(failures + 1.0, tail))
    return _bound(confidence, (lower_count, upper_count), failures, equivalent_h, two_sided=True)


def failure_truncated_bound(failures: int, equivalent_h: float, confidence: float) -> FixedLookBound:
    """Bounds and point estimate of the failure rate in FIT, of a test that ended at its failure number ``failures``.

    ``chi2.ppf(C, 2 r) / 2`` and ``chi2.ppf(1 - C, 2 r) / 2`` over ``equivalent_h``, the equivalent device-hours (above
    0) up to that failure. Its number r (1 or more) was fixed in advance. (MIL-HDBK-338B; NIST/SEMATECH e-Handbook
    8.4.5.1, failure censored.)
    """
    _checks.count("failures", failures)
    if failures == 0:
        raise ValueError(f"failures must be 1 or more where a failure ends the test; got {failures!r}")
    _checks.positive("equivalent_h", equivalent_h)
    counts = poisson_lower_count(failures, confidence), poisson_upper_count(failures - 1, confidence)
    return _bound(confidence, counts, failures, equivalent_h)


def mttf_bound(rate: FixedLookBound) -> MttfBound:
    """The mean time to failure, ``1e9 / FIT`` hours, of any of the bounds above: its upper limit is their lower one.

    (NIST/SEMATECH e-Handbook 8.4.5.1, there MTBF.)
    """
    return MttfBound(
        rate.confidence,
        lower_h=_hours(rate.fit_upper),
        upper_h=_hours(rate.fit_lower),
        point_h=_hours(rate.fit_point),
        two_sided=rate.two_sided,
    )


def _bound(
    confidence: float,
    counts: tuple[float, float],
    failures: int,
    equivalent_h: float,
    two_sided: bool = False,
) -> FixedLookBound:
    """The lower and the upper of ``counts``, and the failures, over the exposure."""
    lower_count, upper_count = counts
    if equivalent_h == 0:
        return FixedLookBound(confidence, None, 0.0 if failures == 0 else None, None, two_sided)
    return FixedLookBound(
        confidence,
        _fit(upper_count, equivalent_h),
        _fit(lower_count, equivalent_h),
        _fit(failures, equivalent_h),
        two_sided,
    )


def _fit(count: float, equivalent_h: float) -> float:
    return count * FIT_PER_HOUR / equivalent_h


def _hours(fit: float | None) -> float | None:
    return FIT_PER_HOUR / fit if fit else None
