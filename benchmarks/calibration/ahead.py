"""Rows of forecasts: the chance told beforehand, against how often it came true."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np

from benchmarks.calibration.bounds import MIXTURE_RATE, account_factor, claimed, fixed_bound
from benchmarks.calibration.table import Row, failures_in_words, row
from benchmarks.calibration.truth import (
    CHIPS,
    EA_EV,
    TRUE_FIT,
    TRUE_RATE,
    at_end,
    at_failures,
    stress_h,
    true_factor,
    use_lives_h,
)
from monitor.claims import anytime_upper_count, chance_at_the_end, chance_by_the_end, poisson_upper_count


def forecasts(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The chance of meeting the target, against how often it was met; true rates drawn as the prior has them."""
    factor = float(account_factor(EA_EV))
    now_h, end_h = stress_h(1.5, factor), stress_h(9.0, factor)
    rates = TRUE_RATE * 8 * rng.uniform(size=campaigns) ** 2  # Jeffreys' density, up to a rate far off
    lives = use_lives_h(rng, campaigns, CHIPS, scale_h=1.0) / rates[:, None] / true_factor(EA_EV)
    path = at_failures(lives) * factor
    (before, hours), (after, ended) = (
        (r, h * factor) for r, h in (at_end(lives, now_h), at_end(lives, end_h))
    )
    count_of = partial(anytime_upper_count, confidence=0.9, mixture_rate=MIXTURE_RATE)
    lines = np.array([count_of(r) for r in range(8)]) / TRUE_RATE
    reached = (path[:, :8] > lines) & (lines <= ended[:, None])
    met = np.asarray(reached.any(axis=1), dtype=np.bool_)
    last = np.asarray(claimed(fixed_bound(0.9), after, ended) <= TRUE_FIT, dtype=np.bool_)
    for failures in range(3):
        these = before == failures
        more_h = (CHIPS - failures) * factor * (end_h - now_h)
        by, at = (
            float(np.mean([chance(failures, h, more_h, TRUE_FIT, rule) for h in hours[these].tolist()]))
            for chance, rule in (
                (chance_by_the_end, count_of),
                (chance_at_the_end, partial(poisson_upper_count, confidence=0.9)),
            )
        )
        setting = f"after {failures_in_words(failures)}, a sixth of the hours done"
        yield row("forecast, any time", setting, by, met[these], "agrees")
        yield row("forecast, one look at the end", setting, at, last[these], "agrees")
