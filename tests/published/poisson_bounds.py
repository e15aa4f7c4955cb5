"""Fixed-look bounds.

Chi-square quantiles stand here as twice our counts, so with an even number of degrees of freedom only.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from monitor.claims import fixed_look_bound, poisson_lower_count, poisson_upper_count, required_equivalent_h
from monitor.claims.bounds import FixedLookBound, failure_truncated_bound, mttf_bound, two_sided_bound
from tests.published.check import LIBRARY, MEMORY, MPMATH, READ, SECOND_HAND, Check

_NIST = "NIST/SEMATECH e-Handbook"
_LIMITS = f"{_NIST} 8.4.5.1"
_TABLES = f"{_NIST} 1.3.6.7.4"
_GARWOOD_1936 = "Garwood, Biometrika 28:437 (1936)"
_R_INTERVAL = "exact interval of R, in the tests of statsmodels"
_R_HELP = "R, help page of poisson.test"
_FSA = "CRAN FSA, page of poiCI"
_PLANNER = "open reliability library in Python, its test planner"
_338B = "MIL-HDBK-338B, example of a replacement test"

_PER_HOUR = 1e9  # FIT in a failure per hour

_COUNTS_AT = (0, 1, 2, 3, 5, 10)
_COUNTS = {  # confidence: upper counts
    0.60: "0.91629073187416 2.0223132453247 3.1053785972633 4.1752627338768 6.2919189833088 11.51533044961",
    0.90: "2.302585092994 3.8897201698674 5.3223203378342 6.6807830682559 9.2746738933516 15.406641171977",
    0.95: "2.995732273554 4.7438645183906 6.295793621872 7.7536565279327 10.513034908742 16.962219235722",
}

_TRADE_FACTORS = {  # confidence: upper counts after 0 to 5 failures
    0.50: "0.693 1.678 2.674 3.672 4.671 5.670",
    0.60: "0.916 2.022 3.105 4.175 5.237 6.292",
    0.75: "1.386 2.693 3.920 5.109 6.274 7.423",
    0.80: "1.609 2.994 4.279 5.515 6.721 7.906",
    0.90: "2.303 3.890 5.322 6.681 7.994 9.275",
    0.95: "2.996 4.744 6.296 7.754 9.154 10.513",
    0.99: "4.605 6.638 8.406 10.045 11.605 13.108",
}
_TRADE_CHI_SQUARES = {  # confidence: quantiles with 2 r + 2 degrees of freedom, r = 0 to 5
    0.60: "1.833 4.045 6.211 8.351 10.473 12.584",
    0.90: "4.605 7.779 10.645 13.362 15.987 18.549",
}

_TEST_LENGTHS_AT = (0, 1, 2, 3, 4, 5, 10)
_TEST_LENGTHS = {  # confidence: test length over the mean time to failure to be shown
    0.50: ".693 1.68 2.67 3.67 4.67 5.67 10.67",
    0.60: ".916 2.02 3.11 4.18 5.24 6.29 11.52",
    0.75: "1.39 2.69 3.92 5.11 6.27 7.42 13.02",
    0.80: "1.61 2.99 4.28 5.52 6.72 7.91 13.65",
    0.90: "2.30 3.89 5.32 6.68 7.99 9.28 15.41",
    0.95: "3.00 4.74 6.30 7.75 9.15 10.51 16.96",
}

_LIMIT_FACTORS_AT = {
    0.60: range(1, 11),
    0.80: range(1, 11),
    0.90: (1, 2, 3, 4, 5, 10),
    0.95: (1, 2, 3, 4, 5, 10),
}
_LOWER_FACTORS = {  # two-sided confidence: lower limit of the mean time to failure over its estimate
    0.60: "0.3340 0.4674 0.5440 0.5952 0.6324 0.6611 0.6841 0.7030 0.7189 0.7326",
    0.80: "0.2571 0.3758 0.4490 0.5004 0.5391 0.5697 0.5947 0.6156 0.6335 0.6491",
    0.90: "0.2108 0.3177 0.3869 0.4370 0.4756 0.5895",
    0.95: "0.1795 0.2768 0.3422 0.3906 0.4285 0.5438",
}
_UPPER_FACTORS = {
    0.60: "4.4814 2.4260 1.9543 1.7416 1.6184 1.5370 1.4788 1.4347 1.4000 1.3719",
    0.80: "9.4912 3.7607 2.7222 2.2926 2.0554 1.9036 1.7974 1.7182 1.6567 1.6074",
    0.90: "19.4958 5.6281 3.6689 2.9276 2.5379 1.8432",
    0.95: "39.4978 8.2573 4.8491 3.6702 3.0798 2.0853",
}

_NIST_UPPER_TAIL = {  # degrees of freedom: exceeded with probability 0.1, 0.05, 0.025, 0.01, 0.001
    2: "4.605 5.991 7.378 9.210 13.816",
    4: "7.779 9.488 11.143 13.277 18.467",
    6: "10.645 12.592 14.449 16.812 22.458",
    8: "13.362 15.507 17.535 20.090 26.125",
    10: "15.987 18.307 20.483 23.209 29.588",
    20: "28.412 31.410 34.170 37.566 45.315",
}
_NIST_LOWER_TAIL = {  # degrees of freedom: fallen short of with probability 0.1, 0.05, 0.025, 0.01
    2: "0.211 0.103 0.051 0.020",
    4: "1.064 0.711 0.484 0.297",
    20: "12.443 10.851 9.591 8.260",
}
_TEXTBOOK_LOWER_TAIL = {  # the same, and with probability 0.001
    10: "4.865 3.940 3.247 2.558 1.479",
    12: "6.304 5.226 4.404 3.571 2.214",
    20: "12.443 10.851 9.591 8.260",
    40: "29.051 26.509 24.433 22.164 17.916",
    60: "46.459 43.188 40.482 37.485 31.738",
    100: "82.358 77.929 74.222 70.065",
}
_TEXTBOOK_UPPER_TAIL = {  # degrees of freedom: exceeded with probability 0.1, 0.05, 0.025, 0.01, 0.005
    2: "4.60517 5.99146 7.37776 9.21034 10.59663",
    4: "7.77944 9.48773 11.14329 13.27670 14.86026",
    6: "10.64464 12.59159 14.44938 16.81189 18.54758",
}

_GARWOOD = (  # 95 % two-sided: lower and upper limit of 0 to 10 events
    ("0", "3.689"),
    ("0.0253", "5.572"),
    ("0.242", "7.225"),
    ("0.619", "8.767"),
    ("1.090", "10.242"),
    ("1.623", "11.668"),
    ("2.202", "13.06"),
    ("2.814", "14.423"),
    ("3.454", "15.763"),
    ("4.115", "17.085"),
    ("4.795", "18.390"),
)

_H108 = ".052 .178 .272 .342 .394 .436 .469 .498 .522 .543"  # acceptability constant, for 1 to 10 failures
_UNIT_HOURS = {  # confidence and failures: millions of unit-hours for a level in %/1000 h
    (0.60, 0): {"1": "0.0916", "0.1": "0.916", "0.01": "9.16", "0.001": "91.6"},
    (0.60, 1): {"1": "0.202"},
    (0.60, 2): {"1": "0.311"},
    (0.90, 0): {"1": "0.230"},
    (0.90, 1): {"1": "0.389"},
    (0.90, 2): {"1": "0.532"},
}

_OTHER_LAST_DIGIT = {  # claims whose last digit, as remembered, is not the right one
    "upper MTTF limit over the estimate, 80% two-sided, 7 failures",
    "upper MTTF limit over the estimate, 90% two-sided, 1 failures",
    "upper MTTF limit over the estimate, 95% two-sided, 1 failures",
    "test length over the MTTF to be shown, 90%, 5 failures",
    "chi-square, 8 degrees of freedom, exceeded with probability 0.001",
    "termination time over the MTTF, 5% producer's risk, 1 failures",
    "termination time over the MTTF, 5% producer's risk, 3 failures",
}


def _row(claim: str, source: str, provenance: str, text: str, ours: Callable[[], float]) -> Check:
    """To half a unit of the last digit of ``text``, or to more with a note."""
    digits = len(text.partition(".")[2])
    if claim in _OTHER_LAST_DIGIT:
        note = "the last digit as remembered is off by one; the computation is right"
        return Check(claim, source, provenance, float(text), 1.5 * 10.0**-digits, ours, note)
    return Check(claim, source, provenance, float(text), 0.5 * 10.0**-digits, ours)


def _upper_tail(freedom: int, tail: float) -> float:
    return 2 * poisson_upper_count(freedom // 2 - 1, 1 - tail)


def _lower_tail(freedom: int, tail: float) -> float:
    return 2 * poisson_lower_count(freedom // 2, 1 - tail)


def _of(part: str, bound: Callable[..., FixedLookBound], *arguments: float) -> float:
    """A part of a bound, or of the mean time to failure that goes with it."""
    rate = bound(*arguments)
    value = getattr(rate, part) if part.startswith("fit_") else getattr(mttf_bound(rate), part)
    assert isinstance(value, float)
    return value


def _per_hour(part: str, bound: Callable[..., FixedLookBound], *arguments: float) -> float:
    return _of(part, bound, *arguments) / _PER_HOUR


def _over_estimate(part: str, failures: int, confidence: float) -> float:
    """A limit of the mean time to failure with ``failures`` hours of exposure: one hour is the estimate."""
    return _of(part, two_sided_bound, failures, float(failures), confidence)


def _unit_hours(confidence: float, failures: int, percent_per_1000_h: float) -> float:
    target_fit = percent_per_1000_h / 100 / 1000 * _PER_HOUR
    return required_equivalent_h(poisson_upper_count(failures, confidence), target_fit) / 1e6


def _h108(failures: int) -> float:
    return poisson_lower_count(failures, 0.95) / failures


def _counts() -> list[Check]:
    tables = (
        ("upper count", "computed with mpmath", MPMATH, _COUNTS, _COUNTS_AT),
        ("upper count", "factors of the trade (JESD85)", MEMORY, _TRADE_FACTORS, range(6)),
        (
            "test length over the MTTF to be shown",
            f"{_NIST} 8.3.1.1",
            MEMORY,
            _TEST_LENGTHS,
            _TEST_LENGTHS_AT,
        ),
    )
    return [
        _row(
            f"{what}, {confidence:.0%}, {r} failures",
            source,
            provenance,
            text,
            partial(poisson_upper_count, r, confidence),
        )
        for what, source, provenance, table, at in tables
        for confidence, row in table.items()
        for r, text in zip(at, row.split(), strict=True)
    ]


def _chi_squares() -> list[Check]:
    upper = "exceeded with probability", (0.1, 0.05, 0.025, 0.01), _upper_tail
    lower = "fallen short of with probability", (0.1, 0.05, 0.025, 0.01), _lower_tail
    tables = (
        (upper, 0.001, _TABLES, MEMORY, _NIST_UPPER_TAIL),
        (lower, 0.001, _TABLES, MEMORY, _NIST_LOWER_TAIL),
        (lower, 0.001, f"{_NIST}, lower-tail table reprinted in a textbook", READ, _TEXTBOOK_LOWER_TAIL),
        (upper, 0.005, "right-tail table of a textbook", READ, _TEXTBOOK_UPPER_TAIL),
    )
    checks = [
        _row(
            f"chi-square, {freedom} degrees of freedom, {what} {tail:g}",
            source,
            provenance,
            text,
            partial(ours, freedom, tail),
        )
        for (what, tails, ours), last, source, provenance, table in tables
        for freedom, row in table.items()
        for tail, text in zip(
            (*tails, last), row.split(), strict=False
        )  # some tables stop at the last but one
    ]
    checks += [
        _row(
            f"chi-square at {confidence:.0%}, {2 * r + 2} degrees of freedom",
            "chi-square table of the trade (JESD85)",
            MEMORY,
            text,
            partial(_upper_tail, 2 * r + 2, 1 - confidence),
        )
        for confidence, row in _TRADE_CHI_SQUARES.items()
        for r, text in enumerate(row.split())
    ]
    text = "chi-square at 60%, 2 degrees of freedom"
    return [*checks, _row(text, "a chip maker's public forum", READ, "1.83", partial(_upper_tail, 2, 0.4))]


def _mttf_factors() -> list[Check]:
    sides = (("lower", "lower_h", _LOWER_FACTORS), ("upper", "upper_h", _UPPER_FACTORS))
    return [
        _row(
            f"{side} MTTF limit over the estimate, {confidence:.0%} two-sided, {r} failures",
            _LIMITS,
            MEMORY,
            text,
            partial(_over_estimate, part, r, confidence),
        )
        for side, part, table in sides
        for confidence, row in table.items()
        for r, text in zip(_LIMIT_FACTORS_AT[confidence], row.split(), strict=True)
    ]


def _garwood() -> list[Check]:
    return [
        _row(
            f"{side} limit, 95% two-sided, {events} events",
            _GARWOOD_1936,
            MEMORY,
            text,
            partial(_per_hour, part, two_sided_bound, events, 1.0, 0.95),
        )
        for events, limits in enumerate(_GARWOOD)
        for side, part, text in zip(("lower", "upper"), ("fit_lower", "fit_upper"), limits, strict=True)
    ]


def _handbooks() -> list[Check]:
    return [
        *(
            _row(
                f"termination time over the MTTF, 5% producer's risk, {r} failures",
                "MIL-HDBK-H108, table 2B",
                MEMORY,
                text,
                partial(_h108, r),
            )
            for r, text in enumerate(_H108.split(), start=1)
        ),
        *(
            _row(
                f"millions of unit-hours for {level}%/1000 h at {confidence:.0%}, {r} failures",
                "MIL-STD-690, qualification tables",
                MEMORY,
                text,
                partial(_unit_hours, confidence, r, float(level)),
            )
            for (confidence, r), row in _UNIT_HOURS.items()
            for level, text in row.items()
        ),
    ]


def _examples() -> list[Check]:
    plan, daly = (two_sided_bound, 2, 800.0, 0.9), (fixed_look_bound, 0, 1.0, 0.95)
    r_15, r_137 = (two_sided_bound, 15, 400.0, 0.95), (two_sided_bound, 137, 24.19893, 0.95)
    ended_one, ended_two = (
        (failure_truncated_bound, 10, 1600.0, 0.95),
        (failure_truncated_bound, 10, 1600.0, 0.975),
    )
    in_hours = (
        ("lower MTTF limit, 2 failures in 800 h, 90% two-sided", _LIMITS, MEMORY, "127", "lower_h", plan),
        ("upper MTTF limit, 2 failures in 800 h, 90% two-sided", _LIMITS, MEMORY, "2251", "upper_h", plan),
        ("MTTF, 20 items, 10th failure at 80 h", _338B, MEMORY, "160", "point_h", ended_one),
        ("lower MTTF limit, 95% one-sided", _338B, MEMORY, "101.88", "lower_h", ended_one),
        ("lower MTTF limit, 95% two-sided", _338B, MEMORY, "93.65", "lower_h", ended_two),
        ("upper MTTF limit, 95% two-sided", _338B, MEMORY, "333.65", "upper_h", ended_two),
        (
            "lower MTTF limit, 7 failures in 19520 h, 80% two-sided",
            _PLANNER,
            LIBRARY,
            "1658.32485349935",
            "lower_h",
            (two_sided_bound, 7, 19520.0, 0.8),
        ),
        (
            "lower MTTF limit, 7 failures in 19520 h, 80% one-sided",
            _PLANNER,
            LIBRARY,
            "1907.63981119050",
            "lower_h",
            (fixed_look_bound, 7, 19520.0, 0.8),
        ),
        (
            "hours to a failure at 10 FIT",
            "a public page on chip reliability",
            SECOND_HAND,
            "100000000",
            "point_h",
            (fixed_look_bound, 10, 1e9, 0.6),
        ),
    )
    rates = (
        (
            "lower limit, 15 events in 400, 95% two-sided",
            _R_INTERVAL,
            READ,
            "0.0209884653319583",
            "fit_lower",
            r_15,
        ),
        (
            "upper limit, 15 events in 400, 95% two-sided",
            _R_INTERVAL,
            READ,
            "0.0618505471787146",
            "fit_upper",
            r_15,
        ),
        (
            "lower limit, 137 events in 24.19893, 95% two-sided",
            _R_HELP,
            MEMORY,
            "4.753125",
            "fit_lower",
            r_137,
        ),
        (
            "upper limit, 137 events in 24.19893, 95% two-sided",
            _R_HELP,
            MEMORY,
            "6.692709",
            "fit_upper",
            r_137,
        ),
        (
            "upper limit of no events, 95% two-sided",
            _FSA,
            READ,
            "3.689",
            "fit_upper",
            (two_sided_bound, 0, 1.0, 0.95),
        ),
        ("upper limit of no events, 95% one-sided", _FSA, READ, "2.996", "fit_upper", daly),
    )
    return [
        *(
            _row(claim, source, provenance, text, partial(_of, part, *bound))
            for claim, source, provenance, text, part, bound in in_hours
        ),
        *(
            _row(claim, source, provenance, text, partial(_per_hour, part, *bound))
            for claim, source, provenance, text, part, bound in rates
        ),
    ]


CHECKS = [*_counts(), *_chi_squares(), *_mttf_factors(), *_garwood(), *_handbooks(), *_examples()]
