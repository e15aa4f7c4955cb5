"""How many chips show that few of a lot are bad: sample sizes for a percent defective, and the success run.

"At confidence C at most a share L of the lot is defective, as long as no more than c of the n chips fail" asks for an n
at which a lot that is just at L would pass with probability ``1 - C`` at most. The trade's tables (lot tolerance
percent defective, LTPD, mostly at 90 %) come by three roads that differ by a chip or two:

- exact binomial: least n with ``P(X <= c; n, L) <= 1 - C``;
- Poisson: ``chi2.ppf(C, 2 c + 2) / (2 L)``, from 60 % confidence up on the safe side of the binomial;
- approximation of the JEDEC tables: ``chi2.ppf(C, 2 c + 2) / 2 x (1 / L - 1 / 2) + c``.

The first two are claims; the approximation is there to read old tables by. Samples are small beside their lot.
"""

from __future__ import annotations

import math

from scipy.special import betainc

from monitor.claims import _checks
from monitor.claims.bounds import poisson_upper_count

_TIE = 1e-10  # relative; sizes that fall on a whole number but for rounding are that number


def binomial_sample_size(share_defective: float, confidence: float, failures: int = 0) -> int:
    """Chips needed so that ``failures`` of them or fewer show ``share_defective`` (0 to 1, both excluded) or better.

    Exact. With no failure it is the success run.
    """
    _checks.count("failures", failures)
    _checks.confidence_level(confidence)
    _checks.open_share("share_defective", share_defective)
    allowed = (1 - confidence) * (1 + _TIE)

    def shows(chips: int) -> bool:
        return float(betainc(chips - failures, failures + 1, 1 - share_defective)) <= allowed

    low, high = failures, failures + 1  # `low` chips never show it, `high` chips do
    while not shows(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def poisson_sample_size(share_defective: float, confidence: float, failures: int = 0) -> int:
    """Chips needed by the Poisson form; arguments of ``binomial_sample_size``, more than ``failures`` in any case."""
    _checks.open_share("share_defective", share_defective)
    return max(_whole(poisson_upper_count(failures, confidence) / share_defective), failures + 1)


def jedec_sample_size(share_defective: float, confidence: float, failures: int = 0) -> int:
    """Chips by the approximation of the JEDEC tables (JESD47, from memory); arguments of ``binomial_sample_size``."""
    _checks.open_share("share_defective", share_defective)
    size = poisson_upper_count(failures, confidence) * (1 / share_defective - 0.5) + failures
    return max(_whole(size), failures + 1)


def success_run_size(reliability: float, confidence: float) -> int:
    """Chips that must all survive to show ``reliability`` (0 to 1, both excluded): ``ln(1 - C) / ln(reliability)``."""
    _checks.confidence_level(confidence)
    _checks.open_share("reliability", reliability)
    return _whole(math.log1p(-confidence) / math.log(reliability))


def success_run_reliability(chips: int, confidence: float) -> float:
    """The reliability that ``chips`` (1 or more) show when all survive: ``(1 - C)^(1 / n)``."""
    _checks.confidence_level(confidence)
    _at_least_one("chips", chips)
    return math.exp(math.log1p(-confidence) / chips)


def zero_failure_multiple(
    share_failing: float, confidence: float, weibull_shape: float, chips: float
) -> float:
    """How many times the life of interest each of ``chips`` must run without failure, no unit.

    Shows that at most ``share_failing`` (0 to 1, both excluded) fail in that life, where lives are Weibull with a known
    shape: ``k = (ln(1 - C) / (n ln(1 - p)))^(1 / shape)`` (Meeker & Escobar, Statistical Methods for Reliability Data,
    section 10.6).
    """
    _positive_shape(weibull_shape)
    _checks.positive("chips", chips)
    return math.pow(_chip_lives(share_failing, confidence) / chips, 1 / weibull_shape)


def zero_failure_chips(
    share_failing: float, confidence: float, weibull_shape: float, multiple: float
) -> float:
    """Chips that must each run ``multiple`` times the life of interest without failure; before rounding up.

    The inverse of ``zero_failure_multiple``.
    """
    _positive_shape(weibull_shape)
    _checks.positive("multiple", multiple)
    return _chip_lives(share_failing, confidence) / math.pow(multiple, weibull_shape)


def _chip_lives(share_failing: float, confidence: float) -> float:
    """The success run before rounding up."""
    _checks.confidence_level(confidence)
    _checks.open_share("share_failing", share_failing)
    return math.log1p(-confidence) / math.log1p(-share_failing)


def _whole(chips: float) -> int:
    return math.ceil(chips * (1 - _TIE))


def _positive_shape(value: float) -> None:
    _checks.positive("weibull_shape", value)


def _at_least_one(name: str, value: int) -> None:
    if not 1 <= value < math.inf or value != int(value):
        raise ValueError(f"{name} must be a whole number, 1 or more; got {value!r}")
