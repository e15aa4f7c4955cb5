"""Sample sizes for a percent defective, and the success run.

The tables of the trade mix the exact binomial, the Poisson form and the JEDEC approximation, also within one table.
Each printed size is held against the road that gives it, and named so; where none does, against the nearest one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from monitor.claims.samples import (
    binomial_sample_size,
    jedec_sample_size,
    poisson_sample_size,
    success_run_reliability,
    success_run_size,
    zero_failure_chips,
    zero_failure_multiple,
)
from tests.published.check import LIBRARY, MEMORY, MPMATH, READ, SECOND_HAND, Check

_LTPD = "LTPD table at 90 % (MIL-S-19500, MIL-PRF-38535 App. D; reproduced in JESD47)"
_SUCCESS_RUN = "success-run tables (textbooks)"
_ZERO_FAILURES = "SMRD zero.failure functions; Meeker & Escobar, section 10.6"
_HANLEY = "Hanley & Lippman-Hand, JAMA 249:1743, 1983"
_JESD47 = "JESD47 Table 1; AEC-Q100 Table 2"

# percent defective: chips printed for 0, 1, 2, 3, 4 failures
_TABLE = {
    10: (22, 38, 52, 65, 78),
    7: (32, 55, 75, 94, 113),
    5: (45, 77, 105, 132, 158),
    3: (76, 129, 176, 221, 265),
    2: (116, 195, 266, 333, 398),
    1.5: (153, 258, 354, 444, 531),
    1: (231, 390, 533, 668, 798),
}

_Size = Callable[[float, float, int], int]

# The printed sizes that are not the exact binomial one: by which road, and by how much it is still off.
_OTHER_ROAD: dict[tuple[float, int], tuple[str, _Size, int]] = {
    (2, 0): ("Poisson", poisson_sample_size, 0),
    (2, 1): ("Poisson", poisson_sample_size, 0),
    (2, 2): ("JEDEC approximation", jedec_sample_size, 0),
    (1, 0): ("Poisson", poisson_sample_size, 0),
    (1, 1): ("Poisson", poisson_sample_size, 1),
    (1, 2): ("Poisson", poisson_sample_size, 0),
    (1, 3): ("JEDEC approximation", jedec_sample_size, 0),
}


def _ltpd(percent: float, failures: int, printed: int) -> Check:
    road, size, off = _OTHER_ROAD.get((percent, failures), ("exact binomial", binomial_sample_size, 0))
    exact = binomial_sample_size(percent / 100, 0.9, failures)
    note = "" if road == "exact binomial" else f"the exact binomial size is {exact}"
    return Check(
        f"chips for {percent:g} % defective, {failures} failures allowed, {road}",
        _LTPD,
        MEMORY,
        printed,
        off + 0.5,
        partial(size, percent / 100, 0.9, failures),
        f"{note}; no road gives {printed}" if off else note,
    )


def _percent_defective(chips: int, confidence: float) -> float:
    return 100 * (1 - success_run_reliability(chips, confidence))


CHECKS: list[Check] = [
    *(_ltpd(percent, c, n) for percent, sizes in _TABLE.items() for c, n in enumerate(sizes)),
    *(
        Check(
            f"chips that must all survive for reliability {reliability:g} at {confidence:.0%}",
            _SUCCESS_RUN,
            SECOND_HAND if (confidence, reliability) == (0.95, 0.95) else MEMORY,
            chips,
            0.5,
            partial(success_run_size, reliability, confidence),
        )
        for confidence, reliability, chips in (
            (0.90, 0.90, 22),
            (0.95, 0.90, 29),
            (0.90, 0.95, 45),
            (0.95, 0.95, 59),
            (0.60, 0.99, 92),
            (0.90, 0.99, 230),
            (0.95, 0.99, 299),
            (0.90, 0.999, 2302),
            (0.95, 0.999, 2995),
        )
    ),
    Check(
        "chips that must all survive for reliability 0.999 at 95 %, run",
        "reliability 0.9.0, sample_size_no_failures",
        LIBRARY,
        2995,
        0.5,
        partial(success_run_size, 0.999, 0.95),
    ),
    Check(
        "reliability shown at 95 % by 10 chips that all survive",
        "relistats package page",
        READ,
        0.74,
        0.005,
        partial(success_run_reliability, 10, 0.95),
    ),
    *(
        Check(
            f"percent defective shown at 90 % by {chips} chips without a failure",
            _JESD47,
            MEMORY,
            published,
            tolerance,
            partial(_percent_defective, chips, 0.9),
            "called LTPD 1 (Poisson: 0.997)" if chips == 231 else "called LTPD 3 (Poisson: 2.99)",
        )
        for chips, published, tolerance in ((231, 0.992, 0.0005), (77, 2.95, 0.005))
    ),
    *(
        Check(
            f"largest risk in percent, 95 %, no event in {chips}",
            _HANLEY,
            MEMORY,
            published,
            0.5,
            partial(_percent_defective, chips, 0.95),
        )
        for chips, published in ((10, 26), (20, 14), (30, 10), (50, 6), (100, 3))
    ),
    *(
        Check(
            f"lives to run without failure: shape {shape:g}, {share:.0%} failing, {confidence:.0%}, {chips} chips",
            _ZERO_FAILURES,
            MPMATH,
            published,
            tolerance,
            partial(zero_failure_multiple, share, confidence, shape, chips),
            "formula and inputs read in the source, the value computed from them",
        )
        for shape, share, confidence, chips, published, tolerance in (
            (2.0, 0.10, 0.99, 5, 2.957, 0.0005),
            (1.0, 0.01, 0.95, 5, 59.615, 0.0005),
            (2.0, 0.01, 0.95, 5, 7.7210, 5e-5),
        )
    ),
    *(
        Check(
            f"chips to run {multiple:g} lives without failure: shape {shape:g}, 1 % failing, 95 %, before rounding up",
            _ZERO_FAILURES,
            MPMATH,
            published,
            0.0005,
            partial(zero_failure_chips, 0.01, 0.95, shape, multiple),
            "formula and inputs read in the source, the value computed from them",
        )
        for shape, multiple, published in ((1.0, 14.0, 21.291), (2.0, 3.369, 26.262))
    ),
]
