"""Straight lines and their prediction intervals.

The lines of drift extrapolations: least squares on NIST's certified "Norris" data (read in the tests of scipy; the
certified values in those of the GNU Scientific Library and others), and on R's data set "cars" (data from memory; they
give every digit of the coefficients that were read).
"""

from __future__ import annotations

import math
from functools import partial

from monitor.claims.extrapolation import LineFit, fit_line
from tests.published.check import MEMORY, READ, Check

# fmt: off
_NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
    0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
    0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]
_NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
    0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
    0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]
_CARS_SPEED = [
    4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15,
    15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25,
]
_CARS_DIST = [
    2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26,
    54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85,
]
# fmt: on

_NIST = "NIST StRD, Norris"
_DOUBLES = "doubles: the last digits of the source are beyond them"
_R = "R, lm(dist ~ speed, cars), a tutorial"


def _norris() -> LineFit:
    return fit_line(_NORRIS_X, _NORRIS_Y)


def _cars() -> LineFit:
    return fit_line(_CARS_SPEED, _CARS_DIST)


def _slope_error(fit: LineFit) -> float:
    return fit.residual_sd / math.sqrt(fit.x_squares)


def _intercept_error(fit: LineFit) -> float:
    return fit.residual_sd * math.sqrt(1 / fit.n + fit.x_mean**2 / fit.x_squares)


def _cars_at(speed: float) -> float:
    return _cars().at(speed)


def _cars_end(speed: float, side: int) -> float:
    fit = _cars()
    return fit.at(speed) + side * fit.reach(speed, 0.975)


CHECKS: list[Check] = [
    *(
        Check(f"Norris: {claim}", _NIST, READ, value, tolerance, ours, note)
        for claim, value, tolerance, ours, note in (
            ("slope", 1.00211681802045, 5e-15, lambda: _norris().slope, ""),
            ("intercept", -0.262323073774029, 5e-14, lambda: _norris().at(0.0), _DOUBLES),
            (
                "standard error of the slope",
                0.000429796848199937,
                5e-17,
                lambda: _slope_error(_norris()),
                _DOUBLES,
            ),
            (
                "standard error of the intercept",
                0.232818234301152,
                5e-14,
                lambda: _intercept_error(_norris()),
                _DOUBLES,
            ),
            (
                "residual standard deviation",
                0.884796396144373,
                5e-14,
                lambda: _norris().residual_sd,
                _DOUBLES,
            ),
        )
    ),
    Check("cars: intercept", _R, READ, -17.579, 5e-4, lambda: _cars_at(0.0)),
    Check("cars: slope", _R, READ, 3.932, 5e-4, lambda: _cars().slope),
    Check("cars: standard error of the slope", _R, READ, 0.4155, 5e-5, lambda: _slope_error(_cars())),
    Check("cars: standard error of the intercept", _R, READ, 6.758, 5e-4, lambda: _intercept_error(_cars())),
    *(
        Check(f"cars: value at speed {speed}", _R, READ, value, 0.05, partial(_cars_at, speed))
        for speed, value in ((12, 29.6), (19, 57.1), (24, 76.8))
    ),
    *(
        Check(
            f"cars: 95 % prediction interval at speed {speed}, {name} end",
            'R, predict(lm, interval = "prediction")',
            MEMORY,
            value,
            tolerance,
            partial(_cars_end, speed, side),
        )
        for speed, name, side, value, tolerance in (
            (10, "lower", -1, -9.809601, 5e-7),
            (10, "upper", 1, 53.29959, 5e-6),
            (12, "lower", -1, -1.75, 5e-3),
            (12, "upper", 1, 61.0, 0.05),
            (19, "lower", -1, 25.76, 5e-3),
            (19, "upper", 1, 88.51, 5e-3),
        )
    ),
]
