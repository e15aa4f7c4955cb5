"""Rows of bounds that are watched: the one for one look, which must not be, and the one that is made for it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.bounds import (
    CONFIDENCES,
    JUST_ABOVE,
    account_factor,
    anytime_bound,
    at_the_stop,
    claimed,
    fixed_bound,
    lowest,
    lowest_of_grid,
)
from benchmarks.calibration.table import Row, failures_in_words, row
from benchmarks.calibration.truth import (
    CHIPS,
    EA_EV,
    FEW_CHIPS,
    STRESS_C,
    TRUE_FIT,
    Bools,
    at_end,
    at_failures,
    at_failures_with_removals,
    stress_h,
    true_factor,
    use_lives_h,
)
from monitor.claims import poisson_upper_count, watched_miss_probability


def watched(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The same bound, watched, and the test stopped as soon as it meets the target: the dishonest rule."""
    factor = float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        for allowed in (1, 3, 10):
            lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
            path = at_failures(lives) * factor
            target = TRUE_FIT / JUST_ABOVE
            end = np.full(campaigns, poisson_upper_count(allowed, confidence) / (target * 1e-9))
            told = at_the_stop(fixed_bound(confidence), path, end, target)
            setting = (
                f"stopped when it meets the target, truth just above it, up to {failures_in_words(allowed)}"
            )
            yield row("fixed look, watched", setting, confidence, told >= TRUE_FIT, "fails")
            left = 1 - watched_miss_probability(confidence, allowed)
            yield row(
                "what watching leaves",
                f"of {confidence:.0%}, up to {failures_in_words(allowed)}",
                left,
                told >= TRUE_FIT,
                "agrees",
            )


def anytime(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The bound for watching: right at every look of a campaign at once."""
    kind, factor = "any time", float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        bound = anytime_bound(confidence)
        lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
        path = at_failures(lives) * factor
        _, hours = at_end(lives, stress_h(20.0, factor))
        end = hours * factor
        yield row(
            kind, "at every instant, 20 failures expected", confidence, lowest(bound, path, end) >= TRUE_FIT
        )
        yield row(
            kind,
            "at 200 looks, 20 failures expected",
            confidence,
            lowest_of_grid(bound, path, end, 200) >= TRUE_FIT,
        )
        told = at_the_stop(bound, path, end, TRUE_FIT / JUST_ABOVE)
        yield row(kind, "stopped when it meets the target, truth just above it", confidence, told >= TRUE_FIT)
    bound = anytime_bound(0.9)
    temps = rng.normal(STRESS_C, 3.0, (campaigns, CHIPS))
    weights = account_factor(EA_EV, temps)
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV, temps)
    _, end = at_end(lives, stress_h(20.0, factor), weights)
    low = lowest(bound, at_failures(lives, weights), end)
    yield row(kind, "at every instant, each chip at a temperature of its own", 0.9, low >= TRUE_FIT)
    lives = use_lives_h(rng, campaigns, FEW_CHIPS) / true_factor(EA_EV)
    path = at_failures_with_removals(lives) * factor
    low = lowest(bound, path, path[:, -1])
    yield row(kind, "at every instant, after each failure a good chip is pulled", 0.9, low >= TRUE_FIT)
    for shape in (0.5, 2.0):
        yield row(
            kind,
            f"every instant, of the average rate so far, true shape {shape:g}",
            0.9,
            _average_covered(rng, campaigns, shape),
        )


def _average_covered(rng: np.random.Generator, campaigns: int, shape: float) -> Bools:
    """Whether the anytime bound stays above the exposure-weighted average of a rate that changes with age."""
    lives = use_lives_h(rng, campaigns, FEW_CHIPS, shape=shape, scale_h=1.0)
    looks = 25  # failures
    # The hazard spent is the power of the age, so it adds up like hours.
    expected = at_failures(lives**shape)[:, :looks]
    hours = at_failures(lives)[:, :looks]
    average_fit = expected / hours * 1e9
    upper = claimed(anytime_bound(0.9), np.arange(looks), hours)
    return np.asarray((upper >= average_fit).all(axis=1))
