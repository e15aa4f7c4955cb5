"""Exact limits on a proportion: so many failed of so many chips.

The limits of Clopper and Pearson (Biometrika 26:404, 1934), one-sided. Nothing is assumed of the times of failure.
"""

from __future__ import annotations

from scipy.special import betainccinv, betaincinv

from monitor.claims import _checks


def binomial_upper(failures: int, chips: int, confidence: float) -> float:
    """One-sided upper limit p on the proportion failing: ``P(X <= failures | p) = 1 - C``, from 0 to 1.

    1 where every chip failed, and before any chip was tried. No failures: ``1 - (1 - C)^(1/n)``. Good for one look at
    a time fixed in advance. (Clopper & Pearson, Biometrika 26:404, 1934.)

    Raises ValueError for counts that are not whole numbers from 0 up, more failures than chips, or a confidence
    outside 0 to 1.
    """
    _check(failures, chips, confidence)
    if failures == chips:
        return 1.0
    return float(betaincinv(failures + 1.0, float(chips - failures), confidence))


def binomial_lower(failures: int, chips: int, confidence: float) -> float:
    """One-sided lower limit p on the proportion failing: ``P(X >= failures | p) = 1 - C``, from 0 to 1; 0 at none.

    Good for one look at a time fixed in advance. (Clopper & Pearson, Biometrika 26:404, 1934.)

    Raises ValueError as `binomial_upper` does.
    """
    _check(failures, chips, confidence)
    if failures == 0:
        return 0.0
    return float(betainccinv(float(failures), chips - failures + 1.0, confidence))


def _check(failures: int, chips: int, confidence: float) -> None:
    _checks.count("failures", failures)
    _checks.count("chips", chips)
    if failures > chips:
        raise ValueError(f"failures must be at most the number of chips, {chips!r}; got {failures!r}")
    _checks.confidence_level(confidence)
