"""Uncertain activation energy.

FIT from 231 chips through 1000 h at 125 °C for use at 55 °C: the activation energy taken for exact (0.7 eV), averaged
over a normal estimate (0.70 ± 0.05 eV, never a claim), at the low end of 0.6 to 0.8 eV, and at the estimate's lower
limit with the error allowed split in halves. All computed with mpmath.
"""

from __future__ import annotations

import math
from functools import partial

from monitor.claims import Mechanism, UseCondition, acceleration_factor, fixed_look_bound
from monitor.claims.uncertainty import (
    EaInterval,
    EaNormal,
    averaged_upper_fit,
    floor_factor,
    guarded_confidence,
    guarded_factor,
)
from tests.published.check import MPMATH, Check

_DEVICE_H = 231 * 1000.0
_MECHANISM = Mechanism("thermal", 0.7)
_ESTIMATE = EaNormal(0.7, 0.05)
_PROFILE = [UseCondition(share=1.0, temp_c=55.0, supply_v=1.8)]
_STRESS = (125.0, 1.8, 0.0)


def _factor_at(ea_ev: float) -> float:
    return float(acceleration_factor(Mechanism("thermal", ea_ev), _PROFILE, *_STRESS))


def _fit(failures: int, factor: float, confidence: float) -> float:
    bound = fixed_look_bound(failures, _DEVICE_H * factor, confidence).fit_upper
    assert bound is not None
    return bound


def _exact(failures: int, confidence: float) -> float:
    return _fit(failures, _factor_at(_MECHANISM.ea_ev), confidence)


def _averaged(failures: int, confidence: float) -> float:
    return averaged_upper_fit(failures, _DEVICE_H, confidence, _ESTIMATE, _factor_at)


def _floor(failures: int, confidence: float) -> float:
    factor = floor_factor(_MECHANISM, EaInterval(0.6, 0.8), _PROFILE, *_STRESS)
    return _fit(failures, float(factor), confidence)


def _guarded(failures: int, confidence: float) -> float:
    factor = guarded_factor(_MECHANISM, _ESTIMATE, confidence, _PROFILE, *_STRESS)
    return _fit(failures, float(factor), guarded_confidence(confidence))


_COLUMNS = [
    ("0.7 eV taken for exact", _exact),
    ("average over 0.70 ± 0.05 eV (not a claim)", _averaged),
    ("worst of 0.6 to 0.8 eV", _floor),
    ("lower limit of 0.70 ± 0.05 eV, error split in halves", _guarded),
]

# (failures, confidence, the four columns)
_TABLE = [
    (0, 0.60, (51.0864450649, 50.93454857, 95.1310305318, 116.566145039)),
    (0, 0.90, (128.377252731, 136.5763047, 239.058723573, 278.512192492)),
    (1, 0.60, (112.751107173, 113.0848971, 209.960372176, 216.867627121)),
    (1, 0.90, (216.865639762, 236.6299523, 403.838078208, 441.035442175)),
    (3, 0.60, (232.785646374, 235.3650822, 433.483645308, 399.436109813)),
    (3, 0.90, (372.477255673, 419.1505952, 693.611488073, 720.854763455)),
]


def _log_factor_per_ev() -> float:
    return math.log(_factor_at(1.0))


CHECKS: list[Check] = [
    Check(
        "d ln(factor) / d Ea from 55 to 125 °C, per eV",
        "mpmath",
        MPMATH,
        6.217360109355311,
        1e-13,
        _log_factor_per_ev,
    ),
    Check(
        "standard deviation of ln(factor) for 0.05 eV",
        "mpmath",
        MPMATH,
        0.310868005468,
        5e-13,
        lambda: _ESTIMATE.sd_ev * _log_factor_per_ev(),
    ),
    *(
        Check(
            f"FIT with {failures} failures at {confidence:.0%}: {name}",
            "mpmath",
            MPMATH,
            value,
            value * (5e-10 if function is _averaged else 5e-12),
            partial(function, failures, confidence),
        )
        for failures, confidence, values in _TABLE
        for (name, function), value in zip(_COLUMNS, values, strict=True)
    ),
]
