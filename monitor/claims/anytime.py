"""The anytime bound on a failure rate: right for any number of looks, and whenever the campaign is stopped.

It rests on an e-process: for any u in (0, 1), ``u^N(t) exp((1 - u) Lambda(t))`` is a nonnegative martingale when
failures N have cumulative intensity Lambda. Mixed over u by a Gamma(a, rate c) truncated to (0, 1) it becomes
``E(m; r)``, the evidence against ``Lambda = m`` after r failures; by Ville's inequality it exceeds ``1 / alpha`` at any
time at all with probability at most alpha. E rises with m, so the m not refuted are those below the one root of
``E(m; r) = 1 / alpha``. A larger c is narrower at no failures and wider at many.
"""

from __future__ import annotations

import math
from functools import lru_cache

from scipy.optimize import brentq
from scipy.special import gammainc

from monitor.claims import _checks
from monitor.claims.bounds import FIT_PER_HOUR

_STIRLING_FROM = 20.0  # four terms of the series are exact to 2e-15 from here on
_LARGE_SHAPE = 1e4  # from here on the series near the shape is longer than it is worth
_MOST_RESOLVED = 10**12  # beyond it a double no longer tells the root from its neighbours


def anytime_upper_count(
    failures: int, confidence: float, mixture_rate: float = 5.0, mixture_shape: float = 1.0
) -> float:
    """Upper bound on the expected count after ``failures``: the root m of ``E(m; r) = 1 / (1 - C)``.

    Good for any number of looks, and whenever the campaign is stopped. ``mixture_rate`` (c, 0 or more) and
    ``mixture_shape`` (a, above 0) must be fixed before the first look. Beyond 1e12 failures (a broken counter of failed
    reads gets there) it is a little more than the root, by less than 1e-5 of it.
    """
    _checks.count("failures", failures)
    _checks.confidence_level(confidence)
    _checks.not_negative("mixture_rate", mixture_rate)
    _checks.positive("mixture_shape", mixture_shape)
    return _anytime_root(int(failures), float(confidence), float(mixture_rate), float(mixture_shape))


def anytime_upper_fit(
    failures: int, equivalent_h: float, confidence: float, mixture_rate: float
) -> float | None:
    """Anytime upper bound on the failure rate in FIT; None without exposure.

    Good for any number of looks, and whenever the campaign is stopped. Where the rate changes, it bounds the
    exposure-weighted average up to the look.
    """
    _checks.not_negative("equivalent_h", equivalent_h)
    count = anytime_upper_count(failures, confidence, mixture_rate)
    return None if equivalent_h == 0 else count * FIT_PER_HOUR / equivalent_h


def log_evidence(
    expected: float, failures: int, mixture_rate: float = 5.0, mixture_shape: float = 1.0
) -> float:
    """``log E(m; r)``: evidence against an expected count of ``expected`` (m) after ``failures`` (r).

    With s = a + r and 1F1 the confluent hypergeometric function,
    ``E = [a / s] 1F1(1; s + 1; m + c) / 1F1(1; a + 1; c)``.
    """
    _checks.not_negative("expected", expected)
    shape = mixture_shape + failures
    return (
        expected
        + _scaled_log_kummer(shape, expected + mixture_rate)
        - _scaled_log_kummer(mixture_shape, mixture_rate)
    )


@lru_cache(maxsize=4096)
def _anytime_root(failures: int, confidence: float, mixture_rate: float, mixture_shape: float) -> float:
    threshold = -math.log1p(-confidence)

    def excess(expected: float) -> float:
        return log_evidence(expected, failures, mixture_rate, mixture_shape) - threshold

    low = float(failures)  # E <= 1 up to here
    width = threshold + 5 * math.sqrt((failures + 1) * (threshold + 5)) + 10
    if failures > _MOST_RESOLVED:
        return low + width
    while excess(low + width) <= 0:
        width *= 2
    return float(brentq(excess, low, low + width, xtol=1e-15, rtol=1e-15))


def _scaled_log_kummer(shape: float, argument: float) -> float:
    """``log(1F1(1; s + 1; k) / s) - k``, never overflowing.

    Taken off here, the k of numerator and denominator cancel exactly, however large the mixture rate is. Above the
    shape, and not far below a large one, ``1F1(1; s + 1; k) / s = e^k k^-s Gamma(s) P(s, k)``, with P no small number;
    further below it P may underflow, and the series of positive, falling terms is used.
    """
    if argument <= shape - math.sqrt(shape) or argument < 1 or (argument <= shape < _LARGE_SHAPE):
        return math.log(_kummer_series(shape, argument) / shape) - argument
    excess = (argument - shape) / shape
    return (
        _log_gamma_remainder(shape)
        - shape * (1 + math.log1p(excess))
        + math.log(float(gammainc(shape, argument)))
    )


def _kummer_series(shape: float, argument: float) -> float:
    """``1F1(1; s + 1; k) = sum over n of k^n / ((s + 1) ... (s + n))``."""
    total = term = 1.0
    divisor = shape
    while term > 1e-17 * total:
        divisor += 1
        term *= argument / divisor
        total += term
    return total


def _log_gamma_remainder(shape: float) -> float:
    """``log Gamma(s) - (s log s - s)``, by Stirling's series where the difference would cancel."""
    if shape < _STIRLING_FROM:
        return math.lgamma(shape) - shape * (math.log(shape) - 1)
    inverse = 1 / shape
    square = inverse * inverse
    series = inverse * (1 / 12 - square * (1 / 360 - square * (1 / 1260 - square / 1680)))
    return 0.5 * math.log(2 * math.pi * inverse) + series
