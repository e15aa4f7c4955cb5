"""Rows of the total over several mechanisms that compete for each chip."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np

from benchmarks.calibration.bounds import JUST_ABOVE, MIXTURE_RATE, account_factor
from benchmarks.calibration.table import Row, row
from benchmarks.calibration.truth import (
    CHIPS,
    Floats,
    Integers,
    at_end,
    at_failures,
    true_factor,
    use_lives_h,
)
from monitor.claims import poisson_upper_count, total_bound


def several(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The total over mechanisms that compete for each chip, of unlike activation energies and of one."""
    for confidence in (0.6, 0.9):
        edge = poisson_upper_count(0, confidence) * JUST_ABOVE
        settings = (
            ((0.5, 0.7, 1.1), (4.0, 4.0, 4.0), "three of unlike Ea, 4 failures of each expected"),
            ((0.5, 0.7, 1.1), (edge, 0.0, 0.0), "three, only the least accelerated fails, the worst place"),
            ((0.7, 0.7, 0.7), (6.0, 6.0, 6.0), "three of one Ea, 6 failures of each expected"),
        )
        for energies_ev, expected, setting in settings:
            mechanisms = tuple(zip(energies_ev, expected, strict=True))
            yield from _totals(rng, campaigns, confidence, mechanisms, setting)


def _totals(
    rng: np.random.Generator,
    campaigns: int,
    confidence: float,
    mechanisms: Sequence[tuple[float, float]],
    setting: str,
) -> Iterator[Row]:
    """Rows of one setting; a mechanism is its activation energy and the failures expected of it."""
    factors = tuple(float(account_factor(ea)) for ea, _ in mechanisms)
    device_h = 2.0e5
    rates = [expected / (device_h * float(true_factor(ea))) for ea, expected in mechanisms]
    truth = sum(rates) * 1e9
    each = np.stack(
        [
            _lives_of(rng, campaigns, rate) / true_factor(ea)
            for rate, (ea, _) in zip(rates, mechanisms, strict=True)
        ]
    )
    lives, cause = each.min(axis=0), each.argmin(axis=0)
    end_h = device_h / CHIPS
    _, hours = at_end(lives, end_h)
    died = lives <= end_h
    counts = np.column_stack([np.count_nonzero(died & (cause == i), axis=1) for i in range(len(factors))])
    ends = [_unit_total(tuple(r), factors, confidence) for r in counts.tolist()]
    for i, name in enumerate(("total, sum of bounds", "total, weighted")):
        upper = np.array([unit[i] for unit in ends]) / hours
        yield row(name, f"one look, {setting}", confidence, upper >= truth)
    causes, path = np.take_along_axis(cause, np.argsort(lives, axis=1), axis=1), at_failures(lives)
    low = [
        _lowest_total(causes[i, :r], np.append(path[i, :r], hours[i]), factors, confidence)
        for i, r in enumerate(died.sum(axis=1).tolist())
    ]
    yield row("total, any time", f"at every instant, {setting}", confidence, np.array(low) >= truth)


def _lives_of(rng: np.random.Generator, campaigns: int, rate_per_h: float) -> Floats:
    """Lives by one mechanism; endless where it has no rate."""
    if rate_per_h == 0:
        return np.full((campaigns, CHIPS), math.inf)
    return use_lives_h(rng, campaigns, CHIPS, scale_h=1 / rate_per_h)


@lru_cache(maxsize=100_000)
def _unit_total(
    failures: tuple[int, ...], factors: tuple[float, ...], confidence: float
) -> tuple[float, float, float]:
    """The three bounds after one device-hour under stress: over H hours they are 1 / H of it."""
    total = total_bound(failures, factors, confidence, MIXTURE_RATE, factors)
    return total.fit_sum_of_bounds or 0.0, total.fit_weighted or 0.0, total.fit_anytime or 0.0


def _lowest_total(causes: Integers, hours: Floats, factors: tuple[float, ...], confidence: float) -> float:
    """The lowest any-time total of one campaign: its failures' mechanisms, and the hours at each and at the end."""
    seen = [0] * len(factors)
    low = math.inf
    for cause, now in zip([*causes.tolist(), 0], hours.tolist(), strict=True):
        low = min(low, _unit_total(tuple(seen), factors, confidence)[2] / now)
        seen[cause] += 1
    return low
