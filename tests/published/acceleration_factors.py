"""Acceleration factors and constants.

Publications differ from one another by a few parts in a thousand, because they round k (8.6e-5, 8.617e-5, 8.63e-5) and
take 0 °C as 273 or 273.16 K. So each factor is held twice: with the source's constants to the source's last digit, and
with ours to what its constants and its rounding make.
"""

from __future__ import annotations

from functools import partial

import scipy.constants

from monitor.claims import (
    BOLTZMANN_EV_PER_K,
    ZERO_C_K,
    Mechanism,
    UseCondition,
    acceleration_factor,
    field_hours,
    fixed_look_bound,
    required_equivalent_h,
)
from monitor.claims.bounds import FIT_PER_HOUR
from tests.published.check import LIBRARY, MEMORY, MPMATH, READ, SECOND_HAND, Check

_AEC = "AEC-Q100 appendix 7"
_NIST = "NIST/SEMATECH e-Handbook 8.1.5.1"
_PAGE = "a chip maker's public reliability page"
_NOTE = "a chip maker's application note"
_JESD218 = "JESD218 retention bakes"
_CODATA = "CODATA 2018 and 2022"
_OURS = (BOLTZMANN_EV_PER_K, ZERO_C_K)


def _factor(ea_ev: float, use_c: float, stress_c: float, constants: tuple[float, float] = _OURS) -> float:
    """Thermal factor with k in eV/K and 0 °C in K of one's own: k scales Ea, the other 0 °C shifts both sides."""
    k, zero_c_k = constants
    shift_c = zero_c_k - ZERO_C_K
    mechanism = Mechanism("thermal", ea_ev * BOLTZMANN_EV_PER_K / k)
    profile = [UseCondition(share=1.0, temp_c=use_c + shift_c, supply_v=1.8)]
    return float(acceleration_factor(mechanism, profile, stress_c + shift_c, 1.8, 0.0))


def _hours(
    stress_h: float, ea_ev: float, use_c: float, stress_c: float, constants: tuple[float, float] = _OURS
) -> float:
    return stress_h * _factor(ea_ev, use_c, stress_c, constants)


def _stress_hours(use_h: float, constants: tuple[float, float]) -> float:
    return use_h / _factor(0.7, 87.0, 125.0, constants)


def _fit_of_htol(constants: tuple[float, float]) -> float:
    """0 of 231 chips fail in 1000 h at 125 °C; FIT at 55 °C, 0.7 eV, 60 %."""
    equivalent_h = 231 * _hours(1000.0, 0.7, 55.0, 125.0, constants)
    bound = fixed_look_bound(0, equivalent_h, 0.60).fit_upper
    assert bound is not None
    return bound


def _fit_point(failures: int, device_h: float) -> float:
    point = fixed_look_bound(failures, device_h, 0.60).fit_point
    assert point is not None
    return point


_CONSTANTS = [
    Check("Boltzmann's constant in eV/K", _CODATA, MEMORY, 8.617333262e-5, 5e-15, lambda: BOLTZMANN_EV_PER_K),
    Check(
        "Boltzmann's constant in eV/K",
        "scipy.constants",
        LIBRARY,
        float(scipy.constants.value("Boltzmann constant in eV/K")),
        5e-15,
        lambda: BOLTZMANN_EV_PER_K,
    ),
    Check("1/k in K/eV", f"{_CODATA}, derived", MEMORY, 11604.518, 0.0005, lambda: 1 / BOLTZMANN_EV_PER_K),
    Check("Boltzmann's constant in eV/K", _AEC, SECOND_HAND, 8.61733e-5, 5e-11, lambda: BOLTZMANN_EV_PER_K),
    Check("0 °C in K", "scipy.constants", LIBRARY, scipy.constants.zero_Celsius, 0, lambda: ZERO_C_K),
    Check(
        "5 failures in 1e6 parts of 1000 h each are 5 FIT",
        "a chip maker's device reliability report",
        READ,
        5,
        1e-12,
        lambda: _fit_point(5, 1e9),
    ),
    Check(
        "1000 FIT in % per 1000 h",
        "a glossary in a chip maker's data sheet",
        READ,
        0.1,
        1e-15,
        lambda: 100 * 1000 * (1000 / FIT_PER_HOUR),
    ),
    Check(
        "hours to one failure at 10 FIT",
        _AEC,
        SECOND_HAND,
        1e8,
        1e-6,
        lambda: required_equivalent_h(1.0, 10.0),
    ),
    *(
        Check(
            f"hours in {years} calendar years",
            _AEC,
            SECOND_HAND,
            hours,
            6.0 * years,
            partial(field_hours, float(years)),
            "365 days a year there, 365.25 here",
        )
        for years, hours in ((15, 131_400), (10, 87_600))
    ),
]

# (source, provenance, published, half a unit of its last digit, its (k, 0 °C), Ea, use °C, stress °C, relative
# tolerance with our constants)
_FACTORS = [
    (_AEC, MEMORY, 8.62, 0.005, (8.61733e-5, 273.0), 0.7, 87.0, 125.0, 0.003),
    (_NIST, MEMORY, 133, 0.5, (8.617e-5, 273.16), 0.5, 25.0, 125.0, 0.003),
    (_NIST, MEMORY, 17_597, 0.6, (8.617e-5, 273.16), 1.0, 25.0, 125.0, 0.003),
    (_PAGE, READ, 258, 0.5, (8.63e-5, 273.0), 0.7, 55.0, 150.0, 0.005),
    (_PAGE, READ, 128, 0.5, (8.63e-5, 273.0), 0.7, 55.0, 135.0, 0.003),
    (_PAGE, READ, 77, 0.5, (8.63e-5, 273.0), 0.7, 55.0, 125.0, 0.01),
    (_PAGE, READ, 8, 0.5, (8.63e-5, 273.0), 0.7, 55.0, 85.0, 0.01),
]
_ROUNDED_ON_THE_WAY = "computes to 17,596.46 with these constants: the source rounds on the way"


def _pair(row: tuple[str, str, float, float, tuple[float, float], float, float, float, float]) -> list[Check]:
    source, known, published, rounding, constants, ea_ev, use_c, stress_c, relative = row
    claim = f"factor of {ea_ev:g} eV from {use_c:g} to {stress_c:g} °C"
    k, zero_c_k = constants
    theirs = partial(_factor, ea_ev, use_c, stress_c, constants)
    ours = partial(_factor, ea_ev, use_c, stress_c)
    return [
        Check(
            f"{claim}, k = {k:g} and 0 °C = {zero_c_k:g} K",
            source,
            known,
            published,
            rounding,
            theirs,
            _ROUNDED_ON_THE_WAY if published == 17_597 else "",
        ),
        Check(
            f"{claim}, our constants",
            source,
            known,
            published,
            relative * published,
            ours,
            f"k = {k:g} and 0 °C = {zero_c_k:g} K there",
        ),
    ]


# Ten digits with CODATA's k and 273.15 K: (Ea, use °C, stress °C, factor).
_EXACT = [
    (0.7, 55.0, 150.0, 259.1824855),
    (0.7, 55.0, 135.0, 127.9991814),
    (0.7, 55.0, 125.0, 77.64538205530277),
    (0.7, 55.0, 85.0, 7.952798519),
]

_HTOL = "FIT at 55 °C and 60 %, 0.7 eV, from 0 of 231 chips in 1000 h at 125 °C"
_HTOL_HOURS = "hours at 125 °C for 12,000 h at 87 °C, 0.7 eV"
_BAKES = [
    ("96 h at 66 °C in hours at 40 °C, three months", 2190, 50, 2184.9324, 5e-5, (96.0, 1.1, 40.0, 66.0)),
    ("500 h at 52 °C in hours at 30 °C, a year", 8760, 200, 8635.744028, 1e-6, (500.0, 1.1, 30.0, 52.0)),
]

CHECKS: list[Check] = [
    *_CONSTANTS,
    *(check for row in _FACTORS for check in _pair(row)),
    *(
        Check(
            f"factor of {ea_ev:g} eV from {use_c:g} to {stress_c:g} °C",
            "mpmath",
            MPMATH,
            exact,
            exact * 1e-9,
            partial(_factor, ea_ev, use_c, stress_c),
        )
        for ea_ev, use_c, stress_c, exact in _EXACT
    ),
    Check(
        _HTOL_HOURS,
        _AEC,
        SECOND_HAND,
        1393,
        2,
        partial(_stress_hours, 12_000.0, _OURS),
        "12,000 h over the factor as printed, 8.62, rounded up; the 87 °C is from memory",
    ),
    Check(
        f"{_HTOL_HOURS}, k = 8.61733e-5",
        "mpmath",
        MPMATH,
        1394.073636,
        5e-7,
        partial(_stress_hours, 12_000.0, (8.61733e-5, ZERO_C_K)),
    ),
    Check(
        "factor of 0.7 eV from 87 to 125 °C, k = 8.61733e-5",
        "mpmath",
        MPMATH,
        8.60786668,
        5e-9,
        partial(_factor, 0.7, 87.0, 125.0, (8.61733e-5, ZERO_C_K)),
    ),
    Check(
        f"{_HTOL}, k = 8.617e-5 and 0 °C = 273 K",
        _NOTE,
        READ,
        50.9,
        0.05,
        partial(_fit_of_htol, (8.617e-5, 273.0)),
        "0.7 eV is taken for granted there",
    ),
    Check(
        f"{_HTOL}, our constants",
        _NOTE,
        READ,
        50.9,
        0.2,
        partial(_fit_of_htol, _OURS),
        "k = 8.617e-5 and 0 °C = 273 K there",
    ),
    *(
        Check(
            claim,
            _JESD218,
            MEMORY,
            published,
            tolerance,
            partial(_hours, *arguments),
            "rounded to convenient hours there",
        )
        for claim, published, tolerance, _, _, arguments in _BAKES
    ),
    *(
        Check(
            claim,
            "mpmath",
            MPMATH,
            exact,
            tolerance,
            partial(_hours, *arguments),
            "k to all its digits there: 2e-11 of it, 5e-11 of the factor" if exact > 8000 else "",
        )
        for claim, _, _, exact, tolerance, arguments in _BAKES
    ),
]
