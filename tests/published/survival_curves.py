"""Survival curves."""

from __future__ import annotations

from functools import partial

from monitor.claims.survival import kaplan_meier
from tests.published.check import MEMORY, READ, Check

NIST = "NIST/SEMATECH e-Handbook 8.2.1.5"
NIST_FAILED_H = (10, 32, 56, 98, 122, 181)
NIST_GOOD_H = (50, 100, 125, 150, *[200] * 10)
NIST_SURVIVAL = (0.95, 0.90, 0.85, 0.79, 0.74, 0.67)

GEHAN = "R package MASS, gehan example (survfit, 6-MP arm)"
GEHAN_FAILED = (6, 6, 6, 7, 10, 13, 16, 22, 23)
GEHAN_GOOD = (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
# weeks, survival, its standard error, 95 % limits
GEHAN_CURVE = [
    (6, 0.857, 0.0764, 0.620, 0.952),
    (7, 0.807, 0.0869, 0.563, 0.923),
    (10, 0.753, 0.0963, 0.503, 0.889),
    (13, 0.690, 0.1068, 0.432, 0.849),
    (16, 0.627, 0.1141, 0.368, 0.805),
    (22, 0.538, 0.1282, 0.268, 0.747),
    (23, 0.448, 0.1346, 0.188, 0.680),
]
_FIELDS = {
    "survival": "estimate",
    "standard error (Greenwood)": "standard_error",
    "lower 95 % limit (log-log)": "lower",
    "upper 95 % limit (log-log)": "upper",
}


def _value(failed: tuple[int, ...], good: tuple[int, ...], time: int, field: str) -> float:
    marks = [True] * len(failed) + [False] * len(good)
    curve = kaplan_meier(failed + good, marks, 0.95)
    return float(getattr(curve, field)[curve.times_h == time].item())


CHECKS = [
    *(
        Check(
            f"survival at {time} h, 6 failures of 20",
            NIST,
            MEMORY,
            survival,
            0.005,
            partial(_value, NIST_FAILED_H, NIST_GOOD_H, time, "estimate"),
        )
        for time, survival in zip(NIST_FAILED_H, NIST_SURVIVAL, strict=True)
    ),
    *(
        Check(
            f"{what} at week {week}",
            GEHAN,
            READ,
            published,
            5e-5 if field == "standard_error" else 5e-4,
            partial(_value, GEHAN_FAILED, GEHAN_GOOD, week, field),
        )
        for week, *values in GEHAN_CURVE
        for (what, field), published in zip(_FIELDS.items(), values, strict=True)
    ),
]
