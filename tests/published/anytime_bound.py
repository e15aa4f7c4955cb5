"""Anytime bound.

No table of this bound is known to be published; every value was computed with mpmath at 20 to 40 digits, nothing of
scipy or of lifebound in it. m(r) is the upper bound on the expected count after r failures, log E the evidence against
an expected count m; a and c are the shape and the rate of the mixture.
"""

from __future__ import annotations

import math
from functools import cache, partial

from monitor.claims import anytime_upper_count, poisson_upper_count
from monitor.claims.anytime import log_evidence
from monitor.claims.stopping import pass_probability
from tests.published.check import MPMATH, Check

_SOURCE = "computed with mpmath"

_FAILURES = (0, 1, 2, 3, 5, 10, 100)
_COUNTS = {  # (confidence, a, c): m(r), to 14 digits
    (0.60, 1, 0): "1.6187881252647 3.6223764561637 5.3649284347368 6.986545752346 10.031172738979"
    " 17.072981900838 124.21411871728",
    (0.60, 1, 2): "1.3125519555523 3.5214401118772 5.418193900187 7.1677763233969 10.423432770849"
    " 17.861824105443 127.83454451016",
    (0.60, 1, 5): "1.1126733650742 3.6070021219339 5.7266642469225 7.6651008727735 11.237832079621"
    " 19.285071936451 133.79076813845",
    (0.60, 0.5, 0): "1.2755368204291 3.783769685901 5.7349764637444 7.4951560451979 10.735326451895"
    " 18.092728024188 127.1016491324",
    (0.90, 1, 0): "3.6149504270875 5.8579837975457 7.7808967873602 9.5524132266341 12.844562240312"
    " 20.352256402398 130.82985535607",
    (0.90, 1, 2): "3.0992351050366 5.4980240515715 7.5420273064587 9.4158800089007 12.879465253561"
    " 20.715454072009 133.62397507559",
    (0.90, 1, 5): "2.7322211606144 5.3632834937623 7.5929711584882 9.6261602227039 13.360280704761"
    " 21.722900471526 138.658229252",
    (0.90, 0.5, 0): "2.9847943962137 5.7495529357675 7.8792187614273 9.7839725741807 13.259144203263"
    " 21.053294149543 133.17015519325",
    (0.95, 1, 0): "4.5139125430162 6.8536078220822 8.8513343387774 10.685924412788 14.083511639086"
    " 21.792595266032 133.75386532326",
    (0.95, 1, 2): "3.9418173869639 6.4206145920214 8.5279075804545 10.455753038939 14.010536529304"
    " 22.022923200127 136.26339640817",
    (0.95, 1, 5): "3.5224346420463 6.214029587781 8.4930581439896 10.569045690873 14.376533872164"
    " 22.883664563121 140.94956911618",
    (0.95, 0.5, 0): "3.7884187199661 6.6572281932654 8.8619253892383 10.828434816243 14.405261588705"
    " 22.391049106498 135.90720097419",
}
_MANY_FAILURES = {1000: 1102.6763702468, 100_000: 101200.77643219}  # m(r) at 90 %, a = 1, c = 0

_LOG_EVIDENCE = {  # (m, r): log E with a = 1 and c = 5, c = 0
    (1, 0): (0.82195736328657, 0.54132485461292),
    (2.5, 0): (2.1007424039636, 1.4980587843838),
    (3, 1): (0.45429184800382, 0.58069596316369),
    (6, 2): (1.1144484170417, 1.2538966998984),
    (10, 3): (2.5755459258558, 2.5710292586466),
    (0.001, 4): (-3.8333231892688, -1.6092712358462),
    (50, 40): (-2.3853049155367, -0.1623048048198),
}

_WIDER_AT = (0, 1, 2, 3, 5, 10, 30)
_WIDER = {  # (confidence, c): m(r) over the fixed-look count, a = 1
    (0.60, 5): (1.214, 1.784, 1.844, 1.836, 1.786, 1.675, 1.475),
    (0.60, 2): (1.432, 1.741, 1.745, 1.717, 1.657, 1.551, 1.382),
    (0.90, 5): (1.187, 1.379, 1.427, 1.441, 1.441, 1.410, 1.320),
    (0.90, 2): (1.346, 1.413, 1.417, 1.409, 1.389, 1.345, 1.258),
    (0.95, 5): (1.176, 1.310, 1.349, 1.363, 1.367, 1.349, 1.281),
    (0.95, 2): (1.316, 1.353, 1.355, 1.348, 1.333, 1.298, 1.228),
}

_LAST_LINES = (0, 3, 10, 100, 1499)
_CROSSED = {  # confidence: probability that the bound was ever below the truth before failure r + 1; a = 1, c = 5
    0.60: ("0.328679106269", "0.375756554017", "0.388077621189", "0.39688", "0.39923"),
    0.90: ("0.065074587913", "0.0864833314282", "0.0934559690954", "0.09848", "0.09966"),
    0.95: ("0.0295274587924", "0.0416528670146", "0.0459626534503", "0.04910", "0.04981"),
}


def _digits(value: float, digits: int) -> float:
    """Half a unit of so many significant digits, and two roundings of a double."""
    return 0.5 * 10.0 ** (math.floor(math.log10(abs(value))) + 1 - digits) + 2 * math.ulp(value)


def _last_digit(text: str) -> float:
    """Half a unit of the last digit printed."""
    return 0.5 * 10.0 ** -len(text.partition(".")[2])


def _wider(failures: int, confidence: float, rate: float) -> float:
    return anytime_upper_count(failures, confidence, rate) / poisson_upper_count(failures, confidence)


@cache
def _lines(confidence: float) -> list[float]:
    return [anytime_upper_count(r, confidence) for r in range(_LAST_LINES[-1] + 1)]


def _crossed(confidence: float, last: int) -> float:
    return pass_probability(1.0, _lines(confidence)[: last + 1])


def _check(claim: str, published: float, tolerance: float, ours: partial[float]) -> Check:
    return Check(claim, _SOURCE, MPMATH, published, tolerance, ours)


CHECKS = [
    *(
        _check(
            f"m({r}) at {confidence:.0%}, a = {a}, c = {c}",
            float(text),
            _digits(float(text), 14),
            partial(anytime_upper_count, r, confidence, c, a),
        )
        for (confidence, a, c), row in _COUNTS.items()
        for r, text in zip(_FAILURES, row.split(), strict=True)
    ),
    *(
        _check(
            f"m({r}) at 90%, a = 1, c = 0",
            count,
            _digits(count, 14),
            partial(anytime_upper_count, r, 0.9, 0.0),
        )
        for r, count in _MANY_FAILURES.items()
    ),
    *(
        _check(f"log E({m}; {r}), a = 1, c = {c}", log_e, _digits(log_e, 14), partial(log_evidence, m, r, c))
        for (m, r), row in _LOG_EVIDENCE.items()
        for c, log_e in zip((5.0, 0.0), row, strict=True)
    ),
    *(
        _check(
            f"m({r}) over the fixed-look count at {confidence:.0%}, a = 1, c = {c}",
            ratio,
            0.0005,
            partial(_wider, r, confidence, c),
        )
        for (confidence, c), row in _WIDER.items()
        for r, ratio in zip(_WIDER_AT, row, strict=True)
    ),
    *(
        _check(
            f"probability ever to lie below the truth, up to {r} failures, at {confidence:.0%}, a = 1, c = 5",
            float(text),
            _last_digit(text),
            partial(_crossed, confidence, r),
        )
        for confidence, row in _CROSSED.items()
        for r, text in zip(_LAST_LINES, row, strict=True)
    ),
]
