"""Sequential and fixed-duration plans, and their true risks.

Hours are in units of theta1, the mean time between failures at the rate to be rejected: a target of 1e9 FIT makes
theta1 one hour. The rejection line printed for plan III-D is neither Wald's nor the one of the corrected constant
A = 6.75 the handbook describes (intercepts 3.46, 4.39 and 3.82 theta1), so only its risks are checked, from the printed
table itself; the acceptance line, the slope and the truncation are Wald's and are checked on ours.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from monitor.claims.sequential import (
    Risks,
    SequentialPlan,
    exact_risks,
    expected_exposure_h,
    fixed_duration_risks,
    sequential_plan,
    stepped_accept_probability,
)
from tests.published.check import MEMORY, MPMATH, Check

THETA1_IS_ONE_HOUR = 1e9  # FIT

# --- MIL-HDBK-781A, plan III-D ---------------------------------------------------------------------------------------

HANDBOOK = "MIL-HDBK-781A, sequential plan III-D"
ACCEPT_H = (
    4.40,
    5.79,
    7.18,
    8.56,
    9.94,
    11.34,
    12.72,
    14.10,
    15.49,
    16.88,
    18.26,
    19.65,
    20.60,
    20.60,
    20.60,
    20.60,
)
REJECT_H = (
    *(
        math.nan,
        math.nan,
        math.nan,
        0.70,
        2.08,
        3.48,
        4.86,
        6.24,
        7.63,
        9.02,
        10.40,
        11.79,
        13.18,
        14.56,
        15.94,
    ),
    *(17.34, 20.60),
)


def iii_d_accepts(rate_per_h: float) -> float:
    """Probability that the printed table accepts."""
    return stepped_accept_probability((*ACCEPT_H, math.nan), REJECT_H, rate_per_h)


def _iii_d_risk_percent(which: str) -> float:
    return 100 * {"producer": 1 - iii_d_accepts(0.5), "consumer": iii_d_accepts(1.0)}[which]


def _plan(
    discrimination: float = 2.0, producer: float = 0.1, consumer: float = 0.1, truncated: bool = True
) -> SequentialPlan:
    return sequential_plan(THETA1_IS_ONE_HOUR, discrimination, producer, consumer, truncated=truncated)


def _accept_h(failures: int) -> float:
    hours = _plan().accept_h(failures)
    return math.nan if hours is None else hours


def _end(plan: SequentialPlan) -> tuple[int, float]:
    assert plan.truncation is not None
    return plan.truncation.failures, plan.truncation.equivalent_h


def _plan_iii_d() -> Iterator[Check]:
    for which in ("producer", "consumer"):
        yield Check(
            f"true {which}'s risk of the printed table, %",
            HANDBOOK,
            MEMORY,
            12.8,
            0.05,
            partial(_iii_d_risk_percent, which),
        )
    yield Check(
        "slope of the lines, theta1 per failure", HANDBOOK, MEMORY, 1.386, 0.0005, lambda: _plan().slope_h
    )
    yield Check(
        "hours of truncation, theta1",
        HANDBOOK,
        MEMORY,
        20.60,
        0.005,
        lambda: _end(_plan())[1],
        "reached with a truncation at 15 failures; the printed table truncates at 16",
    )
    for failures, printed in enumerate(ACCEPT_H[:12]):
        yield Check(
            f"hours that accept {failures} failures, theta1",
            HANDBOOK,
            MEMORY,
            printed,
            0.015,
            partial(_accept_h, failures),
            "the printed line lies up to 0.015 above Wald's",
        )


# --- MIL-HDBK-781A, fixed duration -----------------------------------------------------------------------------------

# plan, discrimination, duration over theta1, most failures that accept, producer's and consumer's true risk in %
FIXED_DURATION = (
    ("IX-D", 1.5, 45.0, 36, 12.0, 9.9),
    ("X-D", 1.5, 29.9, 25, 10.9, 21.4),
    ("XII-D", 2.0, 18.8, 13, 9.6, 10.6),
    ("XIII-D", 2.0, 12.4, 9, 9.8, 20.9),
    ("XIV-D", 2.0, 7.8, 5, 19.9, 21.0),
    ("XV-D", 3.0, 9.3, 5, 9.4, 9.9),
    ("XVI-D", 3.0, 5.4, 3, 10.9, 21.3),
    ("XX-D", 2.0, 3.7, 2, 28.3, 28.5),
)


def _percent(which: str, risks: Callable[[], Risks]) -> float:
    return 100 * float(getattr(risks(), which))


def _fixed_duration() -> Iterator[Check]:
    for name, discrimination, duration, accept, producer, consumer in FIXED_DURATION:
        risks = partial(fixed_duration_risks, duration, accept, discrimination)
        for which, printed in (("producer", producer), ("consumer", consumer)):
            yield Check(
                f"true {which}'s risk of plan {name}, %",
                "MIL-HDBK-781A, fixed-duration plans",
                MEMORY,
                printed,
                0.05,
                partial(_percent, which, risks),
            )


# --- exact risks and expected exposure -------------------------------------------------------------------------------

# Sums over the Poisson count between boundary hours, in 40 digits. Discrimination, alpha, beta; true alpha, true beta,
# expected exposure at the good rate and at the rate to be rejected, in theta1.
OPEN = (
    (2.0, 0.1, 0.1, 0.079263512202647, 0.10230405419971, 11.938787821181, 10.179244267613),
    (3.0, 0.1, 0.1, 0.068720558443669, 0.10347549350626, 6.2301865692773, 4.8746529833814),
    (1.5, 0.1, 0.1, 0.087234581042381, 0.10141837988418, 28.600472869165, 26.021610260463),
    (2.0, 0.2, 0.2, 0.15607519533863, 0.21098120116534, 5.9901465459545, 5.1600747438658),
    (3.0, 0.05, 0.1, 0.03468677331451, 0.10161191859847, 6.8609615391802, 6.3105853994454),
    (5.0, 0.1, 0.1, 0.059755669143108, 0.10447159231743, 3.9902257156322, 2.7838688605863),
)
# The same, and the truncation: failures and hours.
TRUNCATED = (
    (2.0, 0.1, 0.1, 0.11027637708577, 0.11911583792669, 10.863091666891, 9.158342436627, 15, 20.599234614585),
    (3.0, 0.1, 0.1, 0.10367475828274, 0.12371867406661, 5.5507876740125, 4.2502301968676, 6, 9.4556940893765),
    (1.5, 0.1, 0.1, 0.11601403758638, 0.12456564831808, 25.86274361224, 23.389373376578, 41, 49.556797471583),
    (2.0, 0.2, 0.2, 0.19726971782105, 0.22243454291688, 5.2512095121189, 4.4595634576683, 7, 9.4673279868784),
    (
        3.0,
        0.05,
        0.1,
        0.053112443531826,
        0.13012853759088,
        6.2850685775015,
        5.6030645133383,
        8,
        11.942468358568,
    ),
    (
        5.0,
        0.1,
        0.1,
        0.097864122238107,
        0.12202189730467,
        3.5175824751443,
        2.3610832132573,
        3,
        5.5103266412466,
    ),
)
SUMS = "computed with mpmath"


def _exact(plan: SequentialPlan, name: str, values: tuple[float, ...]) -> Iterator[Check]:
    producer, consumer, good_h, bad_h = values
    for figure, value, tolerance, ours in (
        ("true producer's risk", producer, 1e-12, lambda: exact_risks(plan).producer),
        ("true consumer's risk", consumer, 1e-12, lambda: exact_risks(plan).consumer),
        (
            "expected hours at the good rate, theta1",
            good_h,
            1e-11,
            lambda: expected_exposure_h(plan, 1 / plan.discrimination),
        ),
        (
            "expected hours at the rate to be rejected, theta1",
            bad_h,
            1e-11,
            lambda: expected_exposure_h(plan, 1.0),
        ),
    ):
        yield Check(f"{figure}, {name}", SUMS, MPMATH, value, tolerance, ours)


def _exact_sums() -> Iterator[Check]:
    for discrimination, alpha, beta, *values in OPEN:
        name = f"open plan of d = {discrimination:g}, alpha = {alpha:g}, beta = {beta:g}"
        yield from _exact(_plan(discrimination, alpha, beta, truncated=False), name, tuple(values))
    for discrimination, alpha, beta, *values, end_failures, end_h in TRUNCATED:
        name = f"truncated plan of d = {discrimination:g}, alpha = {alpha:g}, beta = {beta:g}"
        plan = _plan(discrimination, alpha, beta)
        yield from _exact(plan, name, tuple(values))
        failures, hours = (partial(lambda plan, part: float(_end(plan)[part]), plan, part) for part in (0, 1))
        yield Check(f"truncating failure, {name}", SUMS, MPMATH, end_failures, 0, failures)
        yield Check(f"hours of truncation, theta1, {name}", SUMS, MPMATH, end_h, 1e-11, hours)
    yield Check(
        "true producer's risk of the table of plan III-D",
        SUMS,
        MPMATH,
        0.12834517935203,
        1e-12,
        lambda: 1 - iii_d_accepts(0.5),
    )
    yield Check(
        "true consumer's risk of the table of plan III-D",
        SUMS,
        MPMATH,
        0.12816201680087,
        1e-12,
        lambda: iii_d_accepts(1.0),
    )


CHECKS: list[Check] = [*_plan_iii_d(), *_fixed_duration(), *_exact_sums()]
