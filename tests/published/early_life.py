"""Early life (JESD74A).

No worked example of the standard could be opened. The sums below are the standard's formula (read second-hand), and its
approach for a decreasing rate (from memory), evaluated with mpmath: 3 lots of 800 chips, 48 h.
"""

from __future__ import annotations

from functools import partial

from monitor.claims.early import early_life
from tests.published.check import MPMATH, Check

AF_125_TO_55 = 77.64538205530277  # 0.7 eV, mpmath


def _ppm(failures: int, confidence: float, shape: float, early_h: float) -> float:
    result = early_life(failures, 2400, 48, AF_125_TO_55, early_h, confidence, shape=shape)
    assert result.ppm_upper is not None
    return result.ppm_upper


def _ppm_at_stress() -> float:
    result = early_life(0, 2400, 48, 1, 48, 0.60)
    assert result.ppm_upper is not None
    return result.ppm_upper


# failures, confidence, shape, hours of use, ppm
_SUMS = [
    (0, 0.6, 1.0, 4380, 448.682668296382),
    (0, 0.6, 0.4, 4380, 407.257366698206),
    (2, 0.9, 0.4, 4380, 2365.57469164531),
    (1, 0.6, 0.5, 720, 370.360787194707),
    (0, 0.6, 0.4, 8760, 537.37931707882),
]

CHECKS = [
    Check(
        "0 of 3 x 800 in 48 h of stress, no acceleration, 60 %: ppm in these 48 h",
        "JESD74A [6], lot sizes of AEC-Q100-008",
        MPMATH,
        382,
        0.5,
        _ppm_at_stress,
    ),
    *(
        Check(
            f"{failures} of 3 x 800 in 48 h at 125 °C for 55 °C, 0.7 eV, {confidence:.0%}, "
            f"shape {shape}: ppm in {early_h} h",
            "JESD74A [6], lot sizes of AEC-Q100-008",
            MPMATH,
            ppm,
            1e-9 * ppm,
            partial(_ppm, failures, confidence, shape, early_h),
        )
        for failures, confidence, shape, early_h, ppm in _SUMS
    ),
]
