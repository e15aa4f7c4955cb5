"""The Poisson distribution as a step of a walk: what first-passage recursions convolve with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlogy


def poisson_probabilities(mean: float, size: int) -> NDArray[np.float64]:
    """The probabilities of 0 to ``size - 1`` events."""
    events = np.arange(size)
    return np.asarray(np.exp(xlogy(events, mean) - gammaln(events + 1.0) - mean))
