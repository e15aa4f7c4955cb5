"""Life distributions fitted to data.

Not checked, for want of the data here: Device-A, ball bearings, shock absorber, mylar and the limited-failure fits of
Meeker & Escobar.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np

from monitor.claims.bounds import fixed_look_bound
from monitor.claims.lifefit import LifeFit, fit_life
from tests.published.check import MEMORY, READ, Check

# --- NIST/SEMATECH e-Handbook 8.4.1.2: 20 units, 10 good at 500 h (data from memory) ---

NIST_WEIBULL = "NIST/SEMATECH e-Handbook 8.4.1.2"
NIST_WEIBULL_H = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10)


@cache
def nist_weibull() -> LifeFit:
    """The two-parameter Weibull fit."""
    return fit_life(NIST_WEIBULL_H, [True] * 10 + [False] * 10)


# --- NIST/SEMATECH e-Handbook 8.4.2.2: three temperatures, good ones at 1000 h (data from memory) ---

NIST_ARRHENIUS = "NIST/SEMATECH e-Handbook 8.4.2.2"
NIST_CELLS_H = {  # °C: units, hours of failure
    85: (100, (401, 428, 695, 725, 738)),
    105: (
        50,
        (
            *(171, 187, 189, 266, 275, 285, 301, 302, 305, 316, 317, 324, 349, 350, 386, 405, 480, 493, 530),
            *(534, 536, 567, 589, 598, 599, 614, 620, 650, 668, 685, 718, 795, 854, 917, 926),
        ),
    ),
    125: (
        25,
        (
            *(24, 42, 92, 93, 141, 142, 143, 159, 181, 188, 194, 199, 207, 213, 243, 256, 259, 290, 294, 305),
            *(392, 454, 502, 696),
        ),
    ),
}


@cache
def nist_arrhenius() -> LifeFit:
    """Lognormal on 1 / (k T), with the page's k and zero of the Celsius scale."""
    rows = [
        (time, time < 1000, 1 / (8.617e-5 * (temp_c + 273.16)))
        for temp_c, (units, failed_h) in NIST_CELLS_H.items()
        for time in (*failed_h, *[1000] * (units - len(failed_h)))
    ]
    times, failed, per_ev = zip(*rows, strict=True)
    return fit_life(times, failed, distribution="lognormal", covariates=per_ev)


# --- motorettes: Nelson & Hahn 1972, as R's MASS::motors prints them ---

MOTORS = "R package MASS, motors example (survreg, Weibull, linear in °C)"
MOTORS_H = {  # °C: hours of failure, hours of those still good
    150: ((), (8064,) * 10),
    170: ((1764, 2772, 3444, 3542, 3780, 4860, 5196), (5448,) * 3),
    190: ((408, 408, 1344, 1344, 1440), (1680,) * 5),
    220: ((408, 408, 504, 504, 504), (528,) * 5),
}


def motors() -> tuple[list[float], list[bool], list[float]]:
    """Hours, whether failed, and °C of the 40 motorettes."""
    rows = [
        (float(time), failed, float(temp_c))
        for temp_c, both in MOTORS_H.items()
        for failed, times in zip((True, False), both, strict=True)
        for time in times
    ]
    times, marks, temps_c = zip(*rows, strict=True)
    return list(times), list(marks), list(temps_c)


@cache
def motors_linear() -> LifeFit:
    """Weibull, linear in °C."""
    times, failed, temps_c = motors()
    return fit_life(times, failed, covariates=temps_c)


SCHMEE_HAHN = "motorettes, Schmee & Hahn, Technometrics 21:417 (1979)"


@cache
def motors_arrhenius() -> LifeFit:
    """Lognormal, linear in 1000 / (°C + 273.2)."""
    times, failed, temps_c = motors()
    return fit_life(times, failed, distribution="lognormal", covariates=1000 / (np.array(temps_c) + 273.2))


# --- R's MASS::gehan: 9 remissions ended in 359 weeks, 21 in 182 ---


def gehan_contrast() -> float:
    """Logarithm of the ratio of constant rates, treated over control."""
    treated, control = fixed_look_bound(9, 359, 0.9).fit_point, fixed_look_bound(21, 182, 0.9).fit_point
    assert treated is not None
    assert control is not None
    return math.log(treated / control)


def _rows() -> list[tuple[str, str, str, float, float, Callable[[], float]]]:
    nist, arrhenius, linear, log10 = nist_weibull, nist_arrhenius, motors_linear, math.log(10)
    return [
        ("Weibull shape", NIST_WEIBULL, MEMORY, 1.7208, 5e-5, lambda: nist().shape),
        ("Weibull scale, h", NIST_WEIBULL, MEMORY, 606.5280, 5e-3, lambda: nist().scale_h or math.nan),
        ("Weibull log-likelihood", NIST_WEIBULL, MEMORY, -75.135, 5e-4, lambda: nist().loglik),
        ("ln A", NIST_ARRHENIUS, MEMORY, -19.906, 5e-4, lambda: arrhenius().coefficients[0]),
        (
            "ln A: standard error",
            NIST_ARRHENIUS,
            MEMORY,
            2.3204,
            5e-5,
            lambda: arrhenius().coefficient_se[0],
        ),
        ("activation energy, eV", NIST_ARRHENIUS, MEMORY, 0.863, 5e-4, lambda: arrhenius().coefficients[1]),
        (
            "activation energy: standard error",
            NIST_ARRHENIUS,
            MEMORY,
            0.0761,
            5e-5,
            lambda: arrhenius().coefficient_se[1],
        ),
        ("ln sigma", NIST_ARRHENIUS, MEMORY, -0.259, 5e-4, lambda: math.log(arrhenius().sigma)),
        ("ln sigma: standard error", NIST_ARRHENIUS, MEMORY, 0.0928, 5e-5, lambda: arrhenius().log_sigma_se),
        ("lognormal sigma", NIST_ARRHENIUS, MEMORY, 0.772, 5e-4, lambda: arrhenius().sigma),
        ("log-likelihood", NIST_ARRHENIUS, MEMORY, -476.7, 0.05, lambda: arrhenius().loglik),
        ("intercept", MOTORS, READ, 16.3185, 5e-5, lambda: linear().coefficients[0]),
        ("intercept: standard error", MOTORS, READ, 0.62296, 5e-6, lambda: linear().coefficient_se[0]),
        ("coefficient per °C", MOTORS, READ, -0.0453, 5e-5, lambda: linear().coefficients[1]),
        (
            "coefficient per °C: standard error",
            MOTORS,
            READ,
            0.00319,
            5e-6,
            lambda: linear().coefficient_se[1],
        ),
        ("ln sigma", MOTORS, READ, -1.0956, 5e-5, lambda: math.log(linear().sigma)),
        ("ln sigma: standard error", MOTORS, READ, 0.21480, 5e-6, lambda: linear().log_sigma_se),
        ("sigma", MOTORS, READ, 0.334, 5e-4, lambda: linear().sigma),
        ("log-likelihood", MOTORS, READ, -147.4, 0.05, lambda: linear().loglik),
        (
            "characteristic life at 130 °C, h",
            MOTORS,
            READ,
            33813.06,
            5e-3,
            lambda: linear().quantile_h(-math.expm1(-1), [130]),
        ),
        (
            "log10 intercept",
            SCHMEE_HAHN,
            MEMORY,
            -6.019,
            5e-4,
            lambda: motors_arrhenius().coefficients[0] / log10,
        ),
        (
            "slope, log10 h per 1000/K",
            SCHMEE_HAHN,
            MEMORY,
            4.311,
            5e-4,
            lambda: motors_arrhenius().coefficients[1] / log10,
        ),
        ("sigma, log10 h", SCHMEE_HAHN, MEMORY, 0.259, 5e-4, lambda: motors_arrhenius().sigma / log10),
        (
            "log ratio of constant rates, treated over control",
            "R package MASS, gehan example (survreg, exponential)",
            READ,
            -1.53,
            5e-3,
            gehan_contrast,
        ),
    ]


_NOTES = {
    ("Weibull scale, h", NIST_WEIBULL): "the page's optimiser stopped earlier: 606.5276 to seven digits",
}

CHECKS = [
    Check(claim, source, known, published, tolerance, ours, _NOTES.get((claim, source), ""))
    for claim, source, known, published, tolerance, ours in _rows()
]
