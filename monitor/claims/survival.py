"""Survival curves without a model: Kaplan-Meier and Nelson-Aalen.

Chips put in later, or pulled, need no special care: each chip's hours start at its own zero, and a chip that was good
when last seen is right-censored at its hours. At equal hours failures come before removals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from monitor.claims import _checks
from monitor.claims._lifedata import Floats, life_data


@dataclass(frozen=True, slots=True, eq=False)
class StepCurve:
    """A curve that steps at the hours of failure and is flat between them; arrays of one element per step, read-only.

    ``estimate`` holds from its step on: the fraction surviving (1 before the first step) or the cumulative hazard (0
    before it). ``lower`` and ``upper`` are two-sided limits, good for one time chosen in advance, not for the curve as
    a whole. No failures: no steps.
    """

    confidence: float
    times_h: Floats
    at_risk: NDArray[np.int64]
    failures: NDArray[np.int64]
    estimate: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats


def kaplan_meier(times_h: ArrayLike, failed: ArrayLike, confidence: float) -> StepCurve:
    """Fraction surviving: the product of ``1 - d / n`` over steps with d failures among n at risk.

    Standard errors after Greenwood, ``S^2 sum d / (n (n - d))``; limits symmetric in ``log(-log S)``. Where nobody is
    left good, S is 0 and has neither (NaN). (Kaplan & Meier, JASA 53:457, 1958; Greenwood 1926; Kalbfleisch &
    Prentice, section 1.4; NIST/SEMATECH e-Handbook 8.2.1.5.)

    ``times_h`` are hours on test, one per chip; ``failed`` tells whether the chip failed at them.

    Raises ValueError for hours that are negative or not finite, marks that are not true or false or not one per chip,
    and a confidence outside 0 to 1.
    """
    times, at_risk, failures = _steps(times_h, failed, confidence)
    good = at_risk - failures
    survival = np.cumprod(good / at_risk, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # at S = 0, told apart just below
        relative_se = np.sqrt(np.cumsum(failures / (at_risk * good)))
        log_survival = np.cumsum(np.log1p(-failures / at_risk))
        reach = np.exp(_two_sided(confidence) * relative_se / -log_survival)
        curve = (survival * relative_se, survival**reach, survival ** (1 / reach))
    error, lower, upper = (np.where(survival > 0, values, np.nan) for values in curve)
    return _frozen(confidence, times, at_risk, failures, survival, error, lower, upper)


def nelson_aalen(times_h: ArrayLike, failed: ArrayLike, confidence: float) -> StepCurve:
    """Cumulative hazard: the sum of ``d / n`` over steps with d failures among n at risk.

    Variance after Aalen, ``sum d / n^2``; limits symmetric in ``log H``. (Nelson, J. Quality Technology 1:27, 1969;
    Aalen, Ann. Statist. 6:701, 1978.)

    Arguments and refusals as for `kaplan_meier`.
    """
    times, at_risk, failures = _steps(times_h, failed, confidence)
    hazard = np.cumsum(failures / at_risk, dtype=np.float64)
    error = np.sqrt(np.cumsum(failures / at_risk.astype(np.float64) ** 2))
    reach = np.exp(_two_sided(confidence) * error / hazard)
    return _frozen(confidence, times, at_risk, failures, hazard, error, hazard / reach, hazard * reach)


def _steps(
    times_h: ArrayLike, failed: ArrayLike, confidence: float
) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Distinct hours of failure, chips at risk just before each, and failures at it."""
    _checks.confidence_level(confidence)
    times, marks = life_data(times_h, failed)
    steps, failures = np.unique(times[marks], return_counts=True)
    at_risk = times.size - np.searchsorted(np.sort(times), steps, side="left")
    return steps, at_risk.astype(np.int64), failures.astype(np.int64)


def _two_sided(confidence: float) -> float:
    return float(ndtri((1 + confidence) / 2))


def _frozen(
    confidence: float,
    times: Floats,
    at_risk: NDArray[np.int64],
    failures: NDArray[np.int64],
    *curves: Floats,
) -> StepCurve:
    for array in (times, at_risk, failures, *curves):
        array.flags.writeable = False
    return StepCurve(confidence, times, at_risk, failures, *curves)
