"""Life data as arrays: hours per chip, and whether the chip failed at them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
"""An array of floating-point numbers."""


def hours(name: str, values: ArrayLike) -> Floats:
    """One number of hours per chip, finite, 0 or more; a single number is one chip."""
    array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if array.ndim != 1:
        raise ValueError(f"{name} must be one number per chip; got {array.ndim} dimensions")
    bad = array[~(np.isfinite(array) & (array >= 0))]
    if bad.size:
        raise ValueError(f"{name} must be finite numbers, 0 or more; got {float(bad[0])!r}")
    return array


def life_data(times_h: ArrayLike, failed: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
    """Hours on test per chip, and whether the chip failed at them (else it was still good: right-censored)."""
    times = hours("times_h", times_h)
    marks = np.atleast_1d(np.asarray(failed))
    if marks.shape != times.shape:
        raise ValueError(f"failed must be one mark per chip, {times.size}; got shape {marks.shape}")
    strange = marks[(marks != 0) & (marks != 1)]
    if strange.size:
        raise ValueError(f"failed must be true or false for each chip; got {strange[0].item()!r}")
    return times, marks.astype(np.bool_)
