"""Reliability shown with confidence, and exact binomial limits.

231 chips, 1000 h, acceleration 77.645 (0.7 eV, 125 °C for 55 °C), Weibull shape assumed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from monitor.claims.binomial import binomial_lower, binomial_upper
from monitor.claims.bounds import poisson_upper_count
from monitor.claims.life import LifeBound, weibayes
from monitor.claims.reads import per_read_upper
from tests.published.check import MEMORY, MPMATH, READ, SECOND_HAND, Check

AF = 77.64538205530277
CHIPS = 231
YEAR_H, DECADE_H = 8760.0, 87600.0

# shape, confidence, eta, R(1 year), R(10 years), average FIT to 1 year, to 10 years; no failures
NO_FAILURES = [
    (0.5, 0.6, 4934839172.57, 0.998668545686, 0.995795629497, 152.09378, 48.096275),
    (0.5, 0.9, 781462628.198, 0.996657502284, 0.989468241197, 382.20278, 120.86313),
    (1.0, 0.6, 19574664.0568, 0.999552582862, 0.995534826076, 51.086445, 51.086445),
    (1.0, 0.9, 7789541.98451, 0.998876047375, 0.988817150825, 128.37725, 128.37725),
    (2.0, 0.6, 1232835.05356, 0.999949512101, 0.994963806983, 5.7636043, 57.636043),
    (2.0, 0.9, 777703.004638, 0.999873131704, 0.987392514226, 14.483601, 144.83601),
]
# 90 %: shape, hours of stress to failure, eta (None: not tabled), R(1 year)
WITH_FAILURES = [
    (0.5, (500.0,), 273149782.619, 0.994352938927),
    (1.0, (500.0,), 4601169.17983, 0.998097947277),
    (2.0, (500.0,), 597387.692908, 0.999784994793),
    (0.5, (100.0, 700.0), None, 0.992262632424),
    (1.0, (100.0, 700.0), None, 0.997390410607),
    (2.0, (100.0, 700.0), None, 0.999704857893),
]


def _shown(
    field: str, shape: float, confidence: float, mission_h: float, failed_h: tuple[float, ...]
) -> float:
    hours = [AF * time for time in (*failed_h, *[1000.0] * (CHIPS - len(failed_h)))]
    bound: LifeBound = weibayes(hours, poisson_upper_count(len(failed_h), confidence), shape, mission_h)
    return float(getattr(bound, field))


def _life_rows() -> Iterator[Check]:
    def row(claim: str, published: float, digit: float, *arguments: object) -> Check:
        return Check(claim, "Weibull, shape known", MPMATH, published, digit, partial(_shown, *arguments))

    for shape, confidence, eta, r_1, r_10, fit_1, fit_10 in NO_FAILURES:
        case = f"0 of 231, shape {shape:g}, {confidence:.0%}"
        yield row(f"{case}: eta, h", eta, 1e-11 * eta, "eta_lower_h", shape, confidence, YEAR_H, ())
        for years, mission_h, good, fit in ((1, YEAR_H, r_1, fit_1), (10, DECADE_H, r_10, fit_10)):
            yield row(
                f"{case}: R, {years} a", good, 6e-13, "reliability_lower", shape, confidence, mission_h, ()
            )
            yield row(
                f"{case}: average FIT, {years} a",
                fit,
                1e-7 * fit,
                "average_fit_upper",
                shape,
                confidence,
                mission_h,
                (),
            )
    for shape, failed_h, eta_h, good in WITH_FAILURES:
        case = f"{len(failed_h)} of 231, shape {shape:g}, 90%"
        if eta_h is not None:
            yield row(f"{case}: eta, h", eta_h, 1e-11 * eta_h, "eta_lower_h", shape, 0.9, YEAR_H, failed_h)
        yield row(f"{case}: R, 1 a", good, 6e-13, "reliability_lower", shape, 0.9, YEAR_H, failed_h)
    for shape, published, digit, what in ((0.5, 2.98, 5e-3, "worse"), (2.0, 8.9, 5e-2, "better")):
        yield Check(
            f"shape {shape:g}: average rate to 1 a so many times {what} than at shape 1",
            "Weibull, shape known",
            MPMATH,
            published,
            digit,
            partial(_against_constant_rate, shape, what),
        )


def _against_constant_rate(shape: float, what: str) -> float:
    fit, constant = (_shown("average_fit_upper", each, 0.6, YEAR_H, ()) for each in (shape, 1.0))
    return fit / constant if what == "worse" else constant / fit


# --- exact binomial limits -------------------------------------------------------------------------------------------

R_STORED = "R binom.test, as stored in the tests of statsmodels 0.15"
# failures, chips, lower, upper, tolerances; 95 % two-sided
TWO_SIDED_95 = [
    (18, 20, 0.6830172859809176, 0.9876514728297052, 1e-13, 1e-13),
    (4, 20, 0.05733399705003284, 0.436614002996668, 1e-13, 1e-13),
    (4, 200, 0.005475565879556443, 0.05041360908989634, 1e-13, 1e-13),
    (190, 200, 0.9099724622986486, 0.975765834527891, 1e-13, 1e-13),
    (1, 30, 0.0008435709, 0.17216946, 5e-11, 5e-9),
    (29, 30, 0.8278305, 0.9991564, 5e-8, 5e-8),
    (51, 235, 0.1660633298083073, 0.2752683640289254, 1e-13, 1e-13),
    (0, 30, None, 0.11570331, None, 5e-9),
    (30, 30, 0.8842967, None, 5e-8, None),
]
_NIST_DIGIT = "the last digit remembered is one off"
# claim, source, provenance, published, tolerance, limit, failures, chips, one-sided confidence, note
ONE_BY_ONE: list[
    tuple[str, str, str, float, float, Callable[[int, int, float], float], int, int, float, str]
] = [
    ("51 of 235, 95 %: upper", R_STORED, READ, 0.2659460862574313, 1e-12, binomial_upper, 51, 235, 0.95, ""),
    ("51 of 235, 95 %: lower", R_STORED, READ, 0.1735252778065201, 1e-12, binomial_lower, 51, 235, 0.95, ""),
    (
        "682 of 925, 95 % two-sided: lower",
        "R binom.test, example",
        MEMORY,
        0.7076683,
        5e-8,
        binomial_lower,
        682,
        925,
        0.975,
        "",
    ),
    (
        "682 of 925, 95 % two-sided: upper",
        "R binom.test, example",
        MEMORY,
        0.7654066,
        5e-8,
        binomial_upper,
        682,
        925,
        0.975,
        "",
    ),
    (
        "4 of 20, 90 % two-sided: lower",
        "NIST/SEMATECH e-Handbook 7.2.4.1",
        MEMORY,
        0.071354,
        5e-7,
        binomial_lower,
        4,
        20,
        0.95,
        "",
    ),
    (
        "4 of 20, 90 % two-sided: upper",
        "NIST/SEMATECH e-Handbook 7.2.4.1",
        MEMORY,
        0.401029,
        1e-6,
        binomial_upper,
        4,
        20,
        0.95,
        _NIST_DIGIT,
    ),
]
# no failures in n, 95 % one-sided: source, provenance, n, percent, tolerance
HANLEY = "Hanley & Lippman-Hand, JAMA 249:1743 (1983)"
SECOND_HAND_NOTE = "a note in a public repository"
NO_EVENTS = [
    (SECOND_HAND_NOTE, SECOND_HAND, 183, 1.62, 5e-3),
    (SECOND_HAND_NOTE, SECOND_HAND, 3, 63, 0.5),
    (SECOND_HAND_NOTE, SECOND_HAND, 5, 45, 0.5),
    *((HANLEY, MEMORY, n, percent, 0.5) for n, percent in ((10, 26), (20, 14), (30, 10), (50, 6), (100, 3))),
]
OF_231 = (0.00991838596827, 0.016733643740388, 0.022875166699587, 0.0286913304406)
POISSON_OF_231 = (0.0099679008354721, 0.016838615453972, 0.023040347782832, 0.028921138823618)


def _poisson_percent(failures: int, chips: int, confidence: float) -> float:
    return 100 * (per_read_upper(failures, chips, confidence) or math.nan)


def _percent(failures: int, chips: int, confidence: float) -> float:
    return 100 * binomial_upper(failures, chips, confidence)


def _reliability(chips: int) -> float:
    return 1 - binomial_upper(0, chips, 0.95)


def _binomial_rows() -> Iterator[Check]:
    for failures, chips, lower, upper, lower_digit, upper_digit in TWO_SIDED_95:
        case = f"{failures} of {chips}, 95 % two-sided"
        if lower is not None and lower_digit is not None:
            ours = partial(binomial_lower, failures, chips, 0.975)
            yield Check(f"{case}: lower", R_STORED, READ, lower, lower_digit, ours)
        if upper is not None and upper_digit is not None:
            ours = partial(binomial_upper, failures, chips, 0.975)
            yield Check(f"{case}: upper", R_STORED, READ, upper, upper_digit, ours)
    for claim, source, known, published, digit, limit, failures, chips, confidence, note in ONE_BY_ONE:
        yield Check(claim, source, known, published, digit, partial(limit, failures, chips, confidence), note)
    for failures, (binomial, poisson) in enumerate(zip(OF_231, POISSON_OF_231, strict=True)):
        case = f"{failures} of 231, 90 %: upper"
        for how, limit, published in (
            ("binomial", _percent, binomial),
            ("Poisson", _poisson_percent, poisson),
        ):
            ours = partial(limit, failures, 231, 0.9)
            yield Check(
                f"{case}, {how}, %",
                "binomial and Poisson tails",
                MPMATH,
                100 * published,
                1e-11 * published * 100,
                ours,
            )
    for source, known, chips, percent, digit in NO_EVENTS:
        ours = partial(_percent, 0, chips, 0.95)
        yield Check(f"0 of {chips}, 95 %: upper, %", source, known, percent, digit, ours)
    yield Check(
        "0 of 10, 95 %: reliability",
        "an open statistics package's page",
        READ,
        0.74,
        5e-3,
        partial(_reliability, 10),
    )
    rule = "rule of three; ours is the Poisson form it rounds"
    yield Check(
        "3 / 183, %", SECOND_HAND_NOTE, SECOND_HAND, 1.64, 5e-3, partial(_poisson_percent, 0, 183, 0.95), rule
    )
    yield Check("3 / 14, %", HANLEY, MEMORY, 21.4, 5e-2, partial(_poisson_percent, 0, 14, 0.95), rule)


CHECKS = [*_life_rows(), *_binomial_rows()]
