"""Bounds on the total failure rate over several mechanisms, each with equivalent hours of its own.

The total is ``Lambda = sum_i lambda_i`` with ``r_i`` failures over ``T_i`` equivalent device-hours of mechanism i. Its
estimate ``sum_i r_i / T_i`` is a weighted sum of counts, with ``w_i = 1 / T_i``. Three bounds:

- the **sum of bounds** of the single mechanisms, as the trade adds up rates: wide, and for one look. That it keeps its
  confidence is seen by enumeration, not proved, and only from a confidence of a half up;
- the **weighted total** of Fay and Feuer (Statistics in Medicine 16:791, 1997): recommended for one look. It kept its
  confidence wherever it was enumerated, and where only the mechanism with the fewest hours fails it has none to spare;
  no proof is known. The variant of Tiwari and others (2006) puts mean weights in place of the largest one and is left
  out: where one mechanism is far less accelerated than another, as here, it fails. By enumeration its 90 % are 74 %
  for weights as 1, 2, 5, and its 60 % are 35 % for weights as 1, 10;
- the **anytime total**, right for any number of looks and whenever the campaign is stopped.

A failure whose mechanism is not known counts in every mechanism, so the total counts it once for each: more failures
than there were, hence a higher bound, on the safe side whichever mechanism it was. So does the single bound of each
mechanism, and a total that counted it once would have to know where.

The anytime total rests on the e-process of ``monitor.claims.anytime`` for several counts at once (derived here; its
priority was not checked). For any s in (0, 1) and fixed ratios ``rho_i`` in (0, 1], with ``u_i = 1 - s rho_i``,
``prod_i u_i^N_i exp(lambda_i T_i (1 - u_i))`` is a nonnegative martingale. Its exponent is
``s sum_i lambda_i rho_i T_i``, at least ``s Lambda T`` with ``T = min_i rho_i T_i``; mixed over s it stays above

    E(Lambda; r) = int_0^1 g(s) prod_i (1 - s rho_i)^r_i exp(s Lambda T) ds,   g(s) = c e^(-c (1 - s)) / (1 - e^-c),

which rises with Lambda and, at the true one, exceeds ``1 / alpha`` at any time at all with probability at most alpha
(Ville's inequality). The bound is the root of ``E = 1 / alpha``. With ``rho_i`` proportional to ``1 / T_i`` nothing is
given away; with one mechanism it is that mechanism's anytime bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincinv

from monitor.claims import _checks
from monitor.claims.bounds import FIT_PER_HOUR, poisson_upper_count

HIGHEST_MIXTURE_RATE = 1000.0
"""Up to here the quadrature of the anytime total is good to 11 digits."""

_PANELS, _NODES_PER_PANEL = 64, 40


@dataclass(frozen=True, slots=True)
class TotalBound:
    """Upper bounds on the total failure rate in FIT; None where a mechanism has no equivalent hours.

    ``fit_sum_of_bounds`` and ``fit_weighted`` are for one look at a time fixed in advance; ``fit_anytime`` holds
    however often it is looked at.
    """

    confidence: float
    fit_sum_of_bounds: float | None
    fit_weighted: float | None
    fit_anytime: float | None


def total_bound(
    failures: Sequence[int],
    equivalent_h: Sequence[float],
    confidence: float,
    mixture_rate: float,
    ratios: Sequence[float] | None = None,
) -> TotalBound:
    """The three bounds together; arguments and errors of the single functions."""
    return TotalBound(
        confidence,
        sum_of_bounds_fit(failures, equivalent_h, confidence),
        weighted_total_fit(failures, equivalent_h, confidence),
        anytime_total_fit(failures, equivalent_h, confidence, mixture_rate, ratios),
    )


def sum_of_bounds_fit(
    failures: Sequence[int], equivalent_h: Sequence[float], confidence: float
) -> float | None:
    """Sum of the fixed-look bounds of the mechanisms, in FIT; None where one has no hours.

    ``failures`` and ``equivalent_h`` (hours) are one number per mechanism. Good for one look at a time fixed in
    advance, and below a confidence of a half not even then.

    Raises ValueError for no mechanism, lists of unlike lengths, and numbers out of range.
    """
    _check_account(failures, equivalent_h)
    counts = [poisson_upper_count(r, confidence) for r in failures]
    if 0 in equivalent_h:
        return None
    return FIT_PER_HOUR * math.fsum(count / hours for count, hours in zip(counts, equivalent_h, strict=True))


def weighted_total_fit(
    failures: Sequence[int], equivalent_h: Sequence[float], confidence: float
) -> float | None:
    """Bound of Fay and Feuer on the total rate, in FIT; None where a mechanism has no hours.

    With ``y = sum w_i r_i``, ``v = sum w_i^2 r_i`` and w the largest weight: the quantile of a gamma distribution of
    mean ``y + w`` and variance ``v + w^2`` (Fay and Feuer 1997). Without failures it is the bound of the mechanism
    with the fewest hours; with equal hours the chi-square one of all failures together. Good for one look at a time
    fixed in advance. Arguments and errors of ``sum_of_bounds_fit``.
    """
    _check_account(failures, equivalent_h)
    _checks.confidence_level(confidence)
    fewest_h = min(equivalent_h)
    if fewest_h == 0:
        return None
    weights = [fewest_h / hours for hours in equivalent_h]  # the largest is 1
    mean = 1.0 + math.fsum(weight * r for weight, r in zip(weights, failures, strict=True))
    variance = 1.0 + math.fsum(weight * weight * r for weight, r in zip(weights, failures, strict=True))
    count = variance / mean * float(gammaincinv(mean * mean / variance, confidence))
    return count * FIT_PER_HOUR / fewest_h


def anytime_total_fit(
    failures: Sequence[int],
    equivalent_h: Sequence[float],
    confidence: float,
    mixture_rate: float,
    ratios: Sequence[float] | None = None,
) -> float | None:
    """Anytime bound on the total rate, in FIT; None where a mechanism has no hours.

    Good for any number of looks, and whenever the campaign is stopped. ``mixture_rate`` (c, 0 to
    ``HIGHEST_MIXTURE_RATE``) must be fixed before the first look, and so must ``ratios``: for each mechanism how many
    equivalent hours it earns while another earns one (any common scale), as their acceleration factors at the
    set-point. Without ``ratios`` the hours themselves are taken, which is right only where the mechanisms' hours kept
    their ratio all along, as hours credited at the set-point do. Where rates change, it bounds the sum of the
    exposure-weighted averages up to the look. Other arguments and errors as ``sum_of_bounds_fit``.
    """
    _check_account(failures, equivalent_h)
    _checks.confidence_level(confidence)
    if not 0 <= mixture_rate <= HIGHEST_MIXTURE_RATE:
        raise ValueError(f"mixture_rate must be from 0 to {HIGHEST_MIXTURE_RATE:g}; got {mixture_rate!r}")
    speeds = _speeds(equivalent_h, ratios)
    if 0 in equivalent_h:
        return None
    rhos = [min(speeds) / speed for speed in speeds]
    reference_h = min(rho * hours for rho, hours in zip(rhos, equivalent_h, strict=True))
    return _anytime_count(failures, rhos, confidence, mixture_rate) * FIT_PER_HOUR / reference_h


def log_total_evidence(
    expected: float, failures: Sequence[int], rhos: Sequence[float], mixture_rate: float
) -> float:
    """``log E``: evidence against ``Lambda T = expected`` after ``failures``, ``rhos`` in (0, 1] (see the module)."""
    return _log_sum_exp(_log_weights(failures, rhos, mixture_rate) + expected * _NODES)


def _anytime_count(
    failures: Sequence[int], rhos: Sequence[float], confidence: float, mixture_rate: float
) -> float:
    threshold = -math.log1p(-confidence)
    log_weights = _log_weights(failures, rhos, mixture_rate)

    def excess(expected: float) -> float:
        return _log_sum_exp(log_weights + expected * _NODES) - threshold

    high = sum(failures) + threshold + 10.0
    while excess(high) <= 0:
        high *= 2
    return float(brentq(excess, 0.0, high, xtol=1e-15, rtol=1e-15))  # E <= 1 at 0


def _log_weights(failures: Sequence[int], rhos: Sequence[float], mixture_rate: float) -> NDArray[np.float64]:
    """At each node: log of ``g(s)``, of the quadrature weight, and of what the failures so far take off."""
    log_weights = _LOG_QUADRATURE - mixture_rate * (1.0 - _NODES)
    if mixture_rate > 0:
        log_weights = log_weights + math.log(mixture_rate / -math.expm1(-mixture_rate))
    for count, rho in zip(failures, rhos, strict=True):
        if count:
            log_weights = log_weights + count * np.log1p(-rho * _NODES)
    return log_weights


def _log_sum_exp(exponents: NDArray[np.float64]) -> float:
    """``log(sum(exp(x)))``, never overflowing."""
    highest = float(exponents.max())
    return highest + math.log(float(np.exp(exponents - highest).sum()))


def _quadrature() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes in (0, 1) and logarithms of weights: Gauss-Legendre in panels, fine enough for 1e5 failures."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES_PER_PANEL)
    starts = np.arange(_PANELS)[:, None]
    return ((starts + (nodes + 1) / 2) / _PANELS).ravel(), np.log(np.tile(weights / 2 / _PANELS, _PANELS))


_NODES, _LOG_QUADRATURE = _quadrature()


def _speeds(equivalent_h: Sequence[float], ratios: Sequence[float] | None) -> Sequence[float]:
    if ratios is None:
        return equivalent_h
    if len(ratios) != len(equivalent_h):
        raise ValueError(f"ratios must be one per mechanism, {len(equivalent_h)}; got {len(ratios)}")
    for ratio in ratios:
        _checks.positive("ratios", ratio)
    return ratios


def _check_account(failures: Sequence[int], equivalent_h: Sequence[float]) -> None:
    if not failures:
        raise ValueError(f"failures must name at least one mechanism; got {failures!r}")
    if len(equivalent_h) != len(failures):
        raise ValueError(f"equivalent_h must be one per mechanism, {len(failures)}; got {len(equivalent_h)}")
    for r in failures:
        _checks.count("failures", r)
    for hours in equivalent_h:
        _checks.not_negative("equivalent_h", hours)
