"""Rows of the bounds for one look, as they are meant: read once, at a time fixed in advance, or at a failure."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.bounds import CONFIDENCES, JUST_ABOVE, account_factor, claimed, fixed_bound
from benchmarks.calibration.table import Row, row
from benchmarks.calibration.truth import (
    CHIPS,
    EA_EV,
    STRESS_C,
    SUPPLY_V,
    TRUE_FIT,
    at_end,
    at_failures,
    pace,
    stress_h,
    true_factor,
    use_lives_h,
)
from monitor.claims import (
    Mechanism,
    UseCondition,
    acceleration_factor,
    failure_truncated_bound,
    poisson_upper_count,
    two_sided_bound,
)


def one_look(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The bound of the trade, as it is meant: read once, at a time fixed in advance."""
    kind, factor = "fixed look", float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        edge = poisson_upper_count(0, confidence) * JUST_ABOVE  # no failure misses: nothing to spare
        for expected, place in ((edge, ", the worst place"), (0.95 * edge, ", just before it"), (10.0, "")):
            lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
            failures, hours = at_end(lives, stress_h(expected, factor))
            upper = claimed(fixed_bound(confidence), failures, hours * factor)
            setting = f"one look, {expected:.3g} failures expected{place}"
            yield row(kind, setting, confidence, upper >= TRUE_FIT)
    temps = rng.normal(STRESS_C, 3.0, (campaigns, CHIPS))
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV, temps)
    failures, hours = at_end(lives, stress_h(2.4, factor), account_factor(EA_EV, temps))
    upper = claimed(fixed_bound(0.9), failures, hours)
    yield row(
        kind, "one look, each chip at a temperature of its own, credited as measured", 0.9, upper >= TRUE_FIT
    )
    yield _whole_model(rng, campaigns)
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
    failures, hours = at_end(lives, stress_h(3.0, factor))
    both = [
        two_sided_bound(r, h * factor, 0.9) for r, h in zip(failures.tolist(), hours.tolist(), strict=True)
    ]
    inside = [(b.fit_lower or 0.0) <= TRUE_FIT <= (b.fit_upper or math.inf) for b in both]
    yield row("two-sided limits", "one look, 3 failures expected", 0.9, inside)
    at_third = at_failures(lives)[:, 2] * factor
    ended = [failure_truncated_bound(3, h, 0.9) for h in at_third.tolist()]
    yield row(
        "test that ends at a failure",
        "upper limit at the third",
        0.9,
        [(b.fit_upper or 0) >= TRUE_FIT for b in ended],
    )
    yield row(
        "test that ends at a failure",
        "lower limit at the third",
        0.9,
        [(b.fit_lower or 0) <= TRUE_FIT for b in ended],
    )


def _whole_model(rng: np.random.Generator, campaigns: int) -> Row:
    """Use at two temperatures, self-heating and a supply term: a chip ages by its mean pace in use."""
    gamma_per_v, stress_v, heating_c = 3.5, 1.98, 4.0
    profile = (UseCondition(0.2, 30.0, SUPPLY_V, 1.0), UseCondition(0.8, 60.0, SUPPLY_V, 1.0))
    in_use = 0.2 * pace(EA_EV, 31.0) + 0.8 * pace(EA_EV, 61.0)
    truth = float(pace(EA_EV, STRESS_C + heating_c) / in_use) * math.exp(gamma_per_v * (stress_v - SUPPLY_V))
    mechanism = Mechanism("any", EA_EV, gamma_per_v=gamma_per_v)
    factor = acceleration_factor(mechanism, profile, STRESS_C, stress_v, heating_c)
    lives = use_lives_h(rng, campaigns, CHIPS) / truth
    failures, hours = at_end(lives, stress_h(poisson_upper_count(0, 0.9) * JUST_ABOVE, truth))
    upper = claimed(fixed_bound(0.9), failures, hours * factor)
    setting = "one look, profile of use, self-heating and a supply term, the worst place"
    return row("fixed look", setting, 0.9, upper >= TRUE_FIT)
