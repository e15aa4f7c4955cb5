"""Rows of an activation energy that is not known exactly."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache, partial

import numpy as np

from benchmarks.calibration.bounds import (
    ANY,
    JUST_ABOVE,
    PROFILE,
    account_factor,
    anytime_bound,
    claimed,
    fixed_bound,
    lowest,
)
from benchmarks.calibration.table import Row, row
from benchmarks.calibration.truth import (
    CHIPS,
    EA_EV,
    STRESS_C,
    SUPPLY_V,
    TRUE_FIT,
    Floats,
    Integers,
    at_end,
    at_failures,
    stress_h,
    true_factor,
    use_lives_h,
)
from monitor.claims import EaInterval, EaNormal, floor_factor, guarded_confidence, poisson_upper_count
from monitor.claims.uncertainty import averaged_upper_fit, guarded_factor


def energies(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """An activation energy that is not the stated one: within an interval, or off by a normal error."""
    for confidence in (0.6, 0.9):
        yield from _interval(rng, campaigns, confidence)
    for confidence in (0.6, 0.9):
        yield from _normal(rng, campaigns, confidence)


def _interval(rng: np.random.Generator, campaigns: int, confidence: float) -> Iterator[Row]:
    low_ev, high_ev = 0.6, 0.8
    floor = floor_factor(ANY, EaInterval(low_ev, high_ev), PROFILE, STRESS_C, SUPPLY_V, 0.0)
    edge = poisson_upper_count(0, confidence) * JUST_ABOVE
    settings: tuple[tuple[Floats, float, str], ...] = (
        (np.full(campaigns, low_ev), edge, "true Ea at the low end, the worst place"),
        (rng.uniform(low_ev, high_ev, campaigns), 3.0, "true Ea anywhere in it"),
    )
    for truth, expected, setting in settings:
        failures, device_h = _campaigns_at(rng, truth, stress_h(expected, float(true_factor(low_ev))))
        upper = claimed(fixed_bound(confidence), failures, device_h * floor)
        yield row(
            "interval of Ea, taken at its worst end", f"one look, {setting}", confidence, upper >= TRUE_FIT
        )
    lower = np.full(campaigns, low_ev)
    failures, device_h = _campaigns_at(rng, lower, stress_h(10.0, float(true_factor(low_ev))))
    stated = claimed(fixed_bound(confidence), failures, device_h * account_factor(EA_EV))
    setting = "one look, true Ea 0.1 eV lower, 10 failures expected"
    yield row("stated Ea taken for exact", setting, confidence, stated >= TRUE_FIT, "fails")


def _normal(rng: np.random.Generator, campaigns: int, confidence: float) -> Iterator[Row]:
    """The true energy is drawn anew for each campaign; at 60 % taking the estimate for exact happens to do."""
    estimate = EaNormal(EA_EV, 0.05)
    drawn = rng.normal(EA_EV, estimate.sd_ev, campaigns)
    end_h = stress_h(10.0, float(true_factor(EA_EV)))
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(drawn)[:, None]
    failures, device_h = at_end(lives, end_h)
    factor = guarded_factor(ANY, estimate, confidence, PROFILE, STRESS_C, SUPPLY_V, 0.0)
    asked = guarded_confidence(confidence)
    kind, setting = "error of Ea, shared with the count", "true Ea drawn, 10 failures expected"
    upper = claimed(fixed_bound(asked), failures, device_h * factor)
    yield row(kind, f"one look, {setting}", confidence, upper >= TRUE_FIT)
    low = lowest(anytime_bound(asked), at_failures(lives) * factor, device_h * factor)
    yield row(kind, f"any time, at every instant, {setting}", confidence, low >= TRUE_FIT)
    average = claimed(partial(_averaged, confidence, estimate), failures, device_h)
    yield row(
        "average over Ea (shown, never claimed)", f"one look, {setting}", confidence, average >= TRUE_FIT
    )
    if confidence > 0.6:
        stated = claimed(fixed_bound(confidence), failures, device_h * account_factor(EA_EV))
        yield row(
            "stated Ea taken for exact", f"one look, {setting}", confidence, stated >= TRUE_FIT, "fails"
        )


def _campaigns_at(rng: np.random.Generator, ea_ev: Floats, end_h: float) -> tuple[Integers, Floats]:
    """Failures and device-hours of campaigns, each with a true activation energy of its own."""
    lives = use_lives_h(rng, ea_ev.size, CHIPS) / true_factor(ea_ev)[:, None]
    return at_end(lives, end_h)


def _averaged(confidence: float, estimate: EaNormal, failures: int, device_h: float) -> float:
    return _unit_average(confidence, estimate, failures) / device_h


@lru_cache(maxsize=1000)
def _unit_average(confidence: float, estimate: EaNormal, failures: int) -> float:
    return averaged_upper_fit(failures, 1.0, confidence, estimate, lambda ea_ev: float(account_factor(ea_ev)))
