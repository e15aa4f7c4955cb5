"""Stopping rules: watched fixed-look bounds and the pass line.

No tables of these are known to be published. The values are exact first-passage probabilities of a Poisson process,
computed with mpmath by another road than lifebound's: sums of the volumes of failure times that keep clear of the
earlier pass lines, at 120 digits.
"""

from __future__ import annotations

from functools import partial
from itertools import count, takewhile

from monitor.claims import anytime_upper_count, poisson_upper_count
from monitor.claims.stopping import pass_line, pass_probability, watched_miss_probability
from tests.published.check import MPMATH, Check

_SOURCE = "computed with mpmath"
_LOOKS = (0.168, 0.5, 1.0)

_TRUTHS = (1, 1.1, 1.25, 1.5, 2, 3)
_WATCHED = {  # (confidence, failures allowed): by truth over target
    (0.60, 0): (0.4000, 0.3650, 0.3181, 0.2530, 0.1600, 0.2399),
    (0.60, 1): (0.5213, 0.4740, 0.4095, 0.3192, 0.2925, 0.2916),
    (0.60, 2): (0.5855, 0.5309, 0.4557, 0.4363, 0.3346, 0.3101),
    (0.60, 3): (0.6271, 0.5674, 0.4843, 0.4213, 0.3579, 0.3203),
    (0.60, 5): (0.6798, 0.6129, 0.5599, 0.5339, 0.4684, 0.4127),
    (0.60, 10): (0.7465, 0.6902, 0.6010, 0.5315, 0.4757, 0.4034),
    (0.60, 50): (0.8617, 0.7822, 0.6829, 0.5859, 0.4875, 0.4180),
    (0.90, 0): (0.1000, 0.0794, 0.0562, 0.0316, 0.0561, 0.0867),
    (0.90, 1): (0.1471, 0.1145, 0.0785, 0.0832, 0.0531, 0.0552),
    (0.90, 2): (0.1779, 0.1364, 0.0912, 0.0675, 0.0986, 0.0788),
    (0.90, 3): (0.2007, 0.1520, 0.1305, 0.0914, 0.0899, 0.0654),
    (0.90, 5): (0.2337, 0.1734, 0.1268, 0.0955, 0.0805, 0.0778),
    (0.90, 10): (0.2838, 0.2174, 0.1647, 0.1141, 0.0977, 0.0972),
    (0.90, 50): (0.4068, 0.2792, 0.1862, 0.1273, 0.1067, 0.0957),
    (0.95, 0): (0.0500, 0.0371, 0.0236, 0.0112, 0.0175, 0.0214),
    (0.95, 1): (0.0761, 0.0549, 0.0336, 0.0326, 0.0413, 0.0278),
    (0.95, 2): (0.0940, 0.0665, 0.0633, 0.0486, 0.0341, 0.0366),
    (0.95, 3): (0.1077, 0.0749, 0.0591, 0.0356, 0.0303, 0.0468),
    (0.95, 5): (0.1283, 0.0867, 0.0565, 0.0586, 0.0447, 0.0479),
    (0.95, 10): (0.1609, 0.1122, 0.0762, 0.0454, 0.0493, 0.0368),
    (0.95, 50): (0.2482, 0.1483, 0.0946, 0.0592, 0.0450, 0.0429),
}
_JUST_ABOVE = {  # confidence: {failures allowed: at a truth just above the target, to 12 decimals}
    0.60: {
        1: 0.52127012093,
        2: 0.585489761132,
        3: 0.627072527328,
        5: 0.679833297643,
        10: 0.74647289286,
    },
    0.90: {
        1: 0.147090324456,
        2: 0.177869898266,
        3: 0.200676303,
        5: 0.233689119039,
        10: 0.283838297404,
    },
    0.95: {
        1: 0.0760776717832,
        2: 0.0940094297332,
        3: 0.107740161229,
        5: 0.128272058293,
        10: 0.160912644019,
    },
}

_AT_LOOKS_FAILURES = (0, 1, 2, 3, 5, 10, 20)
_AT_LOOKS = {  # confidence: at a truth just above the target, by failures allowed
    0.60: (0.4000, 0.4976, 0.4433, 0.5095, 0.6032, 0.5141, 0.5710),
    0.90: (0.1000, 0.1000, 0.1347, 0.1152, 0.1253, 0.1703, 0.1717),
    0.95: (0.0500, 0.0500, 0.0762, 0.0612, 0.0688, 0.0671, 0.1085),
}

_ENDS = (10, 30, 100)
_NEVER_ENDING = {  # confidence: without a limit on failures, to so many expected failures
    0.60: (0.726, 0.824, 0.893),
    0.90: (0.234, 0.344, 0.447),
    0.95: (0.119, 0.197, 0.277),
}

_ALLOWED = (1, 2, 3, 5, 10)
_ADJUSTED = {  # confidence: that of the pass line, by failures allowed, to 12 decimals
    0.60: (0.70416891605, 0.749133365525, 0.775671203154, 0.8070599056, 0.8438469236),
    0.90: (0.933432295234, 0.946565089274, 0.95392390962, 0.9622196451, 0.9713200266),
    0.95: (0.967692425732, 0.974486424999, 0.978241908704, 0.9824203979, 0.9869195257),
}
_LINES = {  # confidence: t(0) and t(1) of the pass line that allows one failure
    0.60: (1.21796664988, 2.45892429249),
    0.90: (2.70953573247, 4.39501022678),
    0.95: (3.43245357878, 5.26789399028),
}
_COST_AT_90 = {
    1: 1.130,
    2: 1.166,
    3: 1.179,
    5: 1.185,
}  # t(R) over the planned exposure of the fixed-look bound
_PASSED_AT_A_FIFTH = {  # of the target rate, at 90 %, five failures allowed
    "the anytime bound": (0.969, lambda: [anytime_upper_count(r, 0.9) for r in range(6)]),
    "the pass line": (0.983, lambda: pass_line(5, 0.9).counts),
}


def _watched_without_end(confidence: float, end: float) -> float:
    lines = takewhile(lambda line: line <= end, (poisson_upper_count(r, confidence) for r in count()))
    return pass_probability(1.0, list(lines))


def _adjusted(allowed: int, confidence: float) -> float:
    return pass_line(allowed, confidence).adjusted_confidence


def _line(allowed: int, confidence: float, failures: int) -> float:
    return pass_line(allowed, confidence).counts[failures]


def _cost(allowed: int, confidence: float) -> float:
    return _line(allowed, confidence, allowed) / poisson_upper_count(allowed, confidence)


def _rule(confidence: float, allowed: int) -> str:
    return f"{confidence:.0%} bound, {allowed} failures allowed"


CHECKS = [
    *(
        Check(
            f"false claims, watched all the time, truth {truth} x target: {_rule(confidence, allowed)}",
            _SOURCE,
            MPMATH,
            published,
            0.00005,
            partial(watched_miss_probability, confidence, allowed, truth),
        )
        for (confidence, allowed), row in _WATCHED.items()
        for truth, published in zip(_TRUTHS, row, strict=True)
    ),
    *(
        Check(
            f"false claims, watched all the time, truth just above the target: {_rule(confidence, allowed)}",
            _SOURCE,
            MPMATH,
            published,
            5e-13,
            partial(watched_miss_probability, confidence, allowed),
        )
        for confidence, row in _JUST_ABOVE.items()
        for allowed, published in row.items()
    ),
    *(
        Check(
            f"false claims, looked at after 16.8%, 50% and 100% of the plan: {_rule(confidence, allowed)}",
            _SOURCE,
            MPMATH,
            published,
            0.00005,
            partial(watched_miss_probability, confidence, allowed, looks=_LOOKS),
        )
        for confidence, row in _AT_LOOKS.items()
        for allowed, published in zip(_AT_LOOKS_FAILURES, row, strict=True)
    ),
    *(
        Check(
            f"a watched {confidence:.0%} bound is below the truth at some time up to {end} expected failures",
            _SOURCE,
            MPMATH,
            published,
            0.0005,
            partial(_watched_without_end, confidence, end),
        )
        for confidence, row in _NEVER_ENDING.items()
        for end, published in zip(_ENDS, row, strict=True)
    ),
    *(
        Check(
            f"confidence of the pass line at {confidence:.0%}, {allowed} failures allowed",
            _SOURCE,
            MPMATH,
            published,
            5e-11 if allowed > 3 else 5e-13,  # printed to 10 and to 12 decimals
            partial(_adjusted, allowed, confidence),
        )
        for confidence, row in _ADJUSTED.items()
        for allowed, published in zip(_ALLOWED, row, strict=True)
    ),
    *(
        Check(
            f"t({failures}) of the pass line at {confidence:.0%}, one failure allowed",
            _SOURCE,
            MPMATH,
            published,
            5e-12,
            partial(_line, 1, confidence, failures),
        )
        for confidence, row in _LINES.items()
        for failures, published in enumerate(row)
    ),
    *(
        Check(
            f"last exposure of the pass line over that of the fixed-look plan at 90%, {allowed} failures allowed",
            _SOURCE,
            MPMATH,
            published,
            0.0005,
            partial(_cost, allowed, 0.9),
        )
        for allowed, published in _COST_AT_90.items()
    ),
    *(
        Check(
            f"a truth of 0.2 x target passes {rule} at 90%, five failures allowed",
            _SOURCE,
            MPMATH,
            published,
            0.0005,
            lambda counts=counts: pass_probability(0.2, counts()),
        )
        for rule, (published, counts) in _PASSED_AT_A_FIFTH.items()
    ),
]
