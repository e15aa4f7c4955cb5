"""Total rate over several mechanisms.

Fay and Feuer's bound (Statistics in Medicine 16:791, 1997) and the anytime total, mixture rate 5. The sources hold no
table for such weights; the values were computed with mpmath, without lifebound's code. A weight of w is ``1e9 / w``
equivalent hours, so that rates come out in the unit of the weights.
"""

from __future__ import annotations

from functools import partial

from monitor.claims.total import anytime_total_fit, weighted_total_fit
from tests.published.check import MPMATH, Check

# (weights, failures, [60 %, 90 %] of the weighted total, [60 %, 90 %] of the anytime total)
_TABLE = [
    ((10, 30), (0, 0), (27.4887219562, 69.0775527898), (33.3802009522, 81.9666348184)),
    ((10, 30), (1, 0), (39.5866921025, 82.0545822372), (45.1954258757, 93.8366517751)),
    ((10, 30), (0, 1), (60.6693973597, 116.691605096), (108.210063658, 160.898504813)),
    ((10, 30), (2, 1), (83.0053299837, 139.967261605), (131.504949579, 184.328207566)),
    ((5, 10, 30), (1, 0, 2), (98.6804441677, 164.997944674), (177.145391536, 233.149521447)),
    ((5, 10, 30), (5, 3, 1), (120.590445071, 178.065575544), (169.983866382, 222.944962195)),
]
_CONFIDENCES = (0.60, 0.90)


def _weighted(weights: tuple[int, ...], failures: tuple[int, ...], confidence: float) -> float:
    bound = weighted_total_fit(failures, [1e9 / weight for weight in weights], confidence)
    assert bound is not None
    return bound


def _anytime(weights: tuple[int, ...], failures: tuple[int, ...], confidence: float) -> float:
    bound = anytime_total_fit(failures, [1e9 / weight for weight in weights], confidence, 5.0)
    assert bound is not None
    return bound


def _digit(value: float) -> float:
    """Half a unit of the twelfth digit."""
    return 0.5 * 10.0 ** (len(str(int(value))) - 12)


CHECKS: list[Check] = [
    Check(
        f"{name}: weights {weights}, failures {failures}, {confidence:.0%}",
        source,
        MPMATH,
        value,
        _digit(value),
        partial(function, weights, failures, confidence),
    )
    for weights, failures, weighted, anytime in _TABLE
    for name, source, function, values in (
        ("weighted total", "Fay and Feuer 1997, formula", _weighted, weighted),
        ("anytime total", "mpmath", _anytime, anytime),
    )
    for confidence, value in zip(_CONFIDENCES, values, strict=True)
]
