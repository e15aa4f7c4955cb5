"""Early-life failure rate, after JESD74A.

N chips are stressed for t_A hours with acceleration A, and failures in the first t_ELF hours of use are bounded.
At a constant rate ``ELFR = 1e9 chi2(C, 2 r + 2) / (2 A N t_A)`` FIT (JESD74A [6], read second-hand), and the
expected failures per million over the early life are ``ELFR t_ELF / 1000`` (from memory).

Early failures mostly come at a falling rate. With an assumed Weibull shape below 1 the expected fraction at t_ELF is
the one shown at ``A t_A``, ``chi2 / (2 N)``, times ``(t_ELF / (A t_A))^shape``: the standard's approach for a
decreasing rate, **from memory**. It is the more severe one where the stress goes beyond the early life, and where it
does not, the more lenient: look at `EarlyLife.covers`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.claims import _checks
from monitor.claims._lifedata import Floats, hours
from monitor.claims.bounds import poisson_upper_count
from monitor.claims.life import weibayes

_PPM_PER_FIT_HOUR = 1e-3  # 1e6 per million over 1e9 device-hours


@dataclass(frozen=True, slots=True)
class EarlyLife:
    """Upper bounds on early failures. Good for one look at a time fixed in advance; None without exposure.

    ``fit_upper`` is the failure rate averaged over the first ``early_life_h`` hours of use, in FIT; ``ppm_upper`` the
    expected failures per million chips in them (above 1e6 it says nothing). ``covers`` is true if the stress stood for
    all of these hours; if false, the bounds are extrapolated: no chip, or not every one, was tried that long.
    """

    confidence: float
    shape: float
    early_life_h: float
    fit_upper: float | None
    ppm_upper: float | None
    chips_covering: int
    covers: bool


def early_life(  # noqa: PLR0917  six plain inputs, all of them needed
    failures: int,
    chips: int,
    stress_h: ArrayLike,
    acceleration: ArrayLike,
    early_life_h: float,
    confidence: float,
    *,
    shape: float = 1.0,
) -> EarlyLife:
    """Bounds on the failures in the first ``early_life_h`` hours of use.

    ``stress_h`` and ``acceleration`` (hours of use per hour of stress) are one number for all chips or one per chip;
    a failed chip has its hours up to failure. ``shape`` is the Weibull shape assumed, above 0 to 1; 1 is the constant
    rate. Chips of unequal hours enter with ``sum (A t)^shape``, which for equal ones is the standard's formula.

    The stress covers the early life if all chips, but for at most as many as failed, were tried for as long
    (``A t_A >= t_ELF``).

    Source: JESD74A, [1] for A, [6] for the constant rate; for the decreasing rate see the module.

    Raises ValueError for counts that are not whole numbers from 0 up, no chips, more failures than chips, hours that
    are negative or not finite or not one per chip, a factor or an early life that is not above 0, and a shape or
    confidence out of range.
    """
    _check(failures, chips)
    _checks.positive("early_life_h", early_life_h)
    if not 0 < shape <= 1:
        raise ValueError(f"shape must be above 0 and at most 1, for a rate that does not rise; got {shape!r}")
    count = poisson_upper_count(failures, confidence)
    factors = _per_chip("acceleration", acceleration, chips)
    _checks.positive("acceleration", float(factors.min()))
    use_h = _per_chip("stress_h", stress_h, chips) * factors
    fit = weibayes(use_h, count, shape, early_life_h).average_fit_upper
    covering = int(np.count_nonzero(use_h >= early_life_h))
    return EarlyLife(
        confidence=confidence,
        shape=shape,
        early_life_h=early_life_h,
        fit_upper=fit,
        ppm_upper=None if fit is None else fit * early_life_h * _PPM_PER_FIT_HOUR,
        chips_covering=covering,
        covers=covering > 0 and covering + failures >= chips,
    )


def _per_chip(name: str, values: ArrayLike, chips: int) -> Floats:
    array = hours(name, values)
    if array.size not in {1, chips}:
        raise ValueError(f"{name} must be one number, or one per chip, {chips}; got {array.size}")
    return np.broadcast_to(array, (chips,))


def _check(failures: int, chips: int) -> None:
    _checks.count("failures", failures)
    _checks.count("chips", chips)
    if chips < max(failures, 1):
        raise ValueError(f"chips must be at least 1 and the number of failures, {failures!r}; got {chips!r}")
