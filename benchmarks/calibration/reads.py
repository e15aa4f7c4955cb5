"""Rows of what is read: read errors per read, and failures that only a reading finds."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.bounds import JUST_ABOVE, anytime_bound, claimed
from benchmarks.calibration.table import Row, row
from benchmarks.calibration.truth import CHIPS, use_lives_h
from monitor.claims import per_read_upper, poisson_upper_count


def reads(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The bound on read errors per read, for reads that fail each by itself and for reads of a bad cell."""
    number = 10**9
    for confidence in (0.6, 0.9):
        expected = poisson_upper_count(0, confidence) * JUST_ABOVE
        errors = rng.binomial(number, expected / number, campaigns)
        upper = np.array([per_read_upper(k, number, confidence) for k in errors.tolist()], dtype=np.float64)
        yield row("read errors per read", "reads fail each by itself", confidence, upper >= expected / number)
    errors = 10 * rng.poisson(1.0, campaigns)
    upper = np.array([per_read_upper(k, number, 0.9) for k in errors.tolist()], dtype=np.float64)
    yield row(
        "read errors per read",
        "errors come ten at a time, from bad cells",
        0.9,
        upper >= 10 / number,
        "fails",
    )


def read_points(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Failures that are found only when chips are read out: hours up to the last good reading, or up to now."""
    points, expected = 10, 20.0
    lives = use_lives_h(rng, campaigns, CHIPS, scale_h=CHIPS / expected * points)  # a read point every hour
    found_h = np.ceil(lives)
    truth = expected / CHIPS / points * 1e9
    low_verified = np.full(campaigns, math.inf)
    low_unverified = low_verified.copy()
    for point in range(1, points + 1):
        verified = np.minimum(found_h - 1, point).sum(axis=1)
        found = np.count_nonzero(found_h <= point, axis=1)
        low_verified = np.minimum(low_verified, claimed(anytime_bound(0.9), found, verified))
        unverified = np.minimum(found_h, point).sum(axis=1)
        # Just before the reading, so with the failures of the one before.
        known = np.count_nonzero(found_h < point, axis=1)
        low_unverified = np.minimum(low_unverified, claimed(anytime_bound(0.9), known, unverified))
    kind = "any time, failures found at 10 read points"
    yield row(kind, "hours credited up to the last good reading", 0.9, low_verified >= truth)
    yield row(kind, "hours credited up to now, not verified", 0.9, low_unverified >= truth, "fails")
