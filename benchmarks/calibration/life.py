"""Rows of life: by an assumed shape, by a fitted one, and in the first half-year of use."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.bounds import JUST_ABOVE, MIXTURE_RATE, account_factor, claimed, fixed_bound
from benchmarks.calibration.table import Expects, Row, row
from benchmarks.calibration.truth import CHIPS, EA_EV, FEW_CHIPS, Bools, at_end, true_factor, use_lives_h
from monitor.claims import anytime_upper_count, early_life, fit_life, poisson_upper_count, weibayes

YEAR_H = 8760.0
TESTED_H = 1000.0
TESTED_USE_H = TESTED_H * float(true_factor(EA_EV))


def life(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Reliability at a mission time by an assumed shape, right and wrong."""
    year, long = (YEAR_H, "1 year of use"), (20 * YEAR_H, "20 years of use")
    settings: tuple[tuple[float, float, tuple[float, str], float, Expects], ...] = (
        (0.5, 0.5, year, 0.9, "covers"),
        (2.0, 2.0, long, 0.9, "covers"),
        (2.0, 2.0, long, 0.6, "covers"),
        (2.0, 1.0, year, 0.9, "covers"),
        (0.5, 1.0, year, 0.9, "fails"),
        (1.0, 2.0, year, 0.9, "fails"),
        (2.0, 1.0, long, 0.9, "fails"),
    )
    for true_shape, shape, (mission_h, mission), confidence, expects in settings:
        edge = poisson_upper_count(0, confidence) * JUST_ABOVE
        places = ((edge, ", the worst place"), (0.95 * edge, ", just before it"))
        for expected, place in places if shape == true_shape else ((edge, ""), (5.0, "")):
            held = _reliability_held(rng, campaigns, (true_shape, shape), expected, mission_h, confidence)
            setting = f"{mission}, true shape {true_shape:g}, {expected:.3g} failures expected"
            yield row(f"life, shape {shape:g} assumed", setting + place, confidence, held, expects)
    yield _first_year(rng, campaigns)
    yield _life_anytime(rng, campaigns)


def _reliability_held(  # noqa: PLR0917  a setting of the table and the two that every group has
    rng: np.random.Generator,
    campaigns: int,
    shapes: tuple[float, float],
    expected: float,
    mission_h: float,
    confidence: float,
) -> Bools:
    """Whether the reliability shown by chips of the first shape, the second assumed, is at most the true one."""
    true_shape, shape = shapes
    scale_h = TESTED_USE_H * (FEW_CHIPS / expected) ** (1 / true_shape)
    lives = use_lives_h(rng, campaigns, FEW_CHIPS, shape=true_shape, scale_h=scale_h)
    credited = np.minimum(lives / true_factor(EA_EV), TESTED_H) * account_factor(EA_EV)
    failures = np.count_nonzero(lives <= TESTED_USE_H, axis=1)
    shown = [
        weibayes(h, poisson_upper_count(r, confidence), shape, mission_h).reliability_lower
        for h, r in zip(credited, failures.tolist(), strict=True)
    ]
    truth = math.exp(-((mission_h / scale_h) ** true_shape))
    return np.asarray(np.array(shown, dtype=np.float64) <= truth)


def _first_year(rng: np.random.Generator, campaigns: int) -> Row:
    """The plain rate in FIT, taken for the first year of chips that fail ever more rarely."""
    scale_h = TESTED_USE_H * (CHIPS / 3.0) ** 2
    lives = use_lives_h(rng, campaigns, CHIPS, shape=0.5, scale_h=scale_h)
    failures, hours = at_end(lives, TESTED_USE_H)
    truth = (YEAR_H / scale_h) ** 0.5 / YEAR_H * 1e9
    upper = claimed(fixed_bound(0.9), failures, hours)
    return row(
        "fixed look", "one look, read as the first year's rate, true shape 0.5", 0.9, upper >= truth, "fails"
    )


def _life_anytime(rng: np.random.Generator, campaigns: int) -> Row:
    """Weibayes with the anytime count, at every instant."""
    shape, scale_h, looks = 2.0, 1.0, 8
    lives = np.sort(use_lives_h(rng, campaigns // 2, FEW_CHIPS, shape=shape, scale_h=scale_h), axis=1)
    truth = math.exp(-(0.5**shape))
    held = np.ones(lives.shape[0], dtype=bool)
    for failures in range(looks):
        count = anytime_upper_count(failures, 0.9, MIXTURE_RATE)
        now = np.minimum(lives, lives[:, failures, None])
        shown = [weibayes(h, count, shape, 0.5).reliability_lower for h in now]
        held &= np.array(shown, dtype=np.float64) <= truth
    return row(
        "life, any time, shape 2 assumed", f"every instant up to failure {looks}, true shape 2", 0.9, held
    )


def fitted(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Likelihood-ratio limits of a fitted Weibull, of the campaigns with three failures or more."""
    confidence, chips, shape = 0.9, 50, 2.0
    for expected in (5.0, 20.0):
        end = math.sqrt(-math.log1p(-expected / chips))
        decile = math.sqrt(-math.log1p(-0.1))
        shapes, deciles, good = [], [], []
        for lives in use_lives_h(rng, campaigns // 10, chips, shape=shape, scale_h=1.0):
            failed = lives <= end
            if np.count_nonzero(failed) < 3:
                continue
            fit = fit_life(np.minimum(lives, end), failed)
            limits = fit.shape_limits(confidence)
            shapes.append(limits.lower <= shape <= limits.upper)
            limits = fit.time_limits_h(0.1, confidence)
            deciles.append(limits.lower <= decile <= limits.upper)
            limits = fit.reliability_limits(2 * end, confidence)
            good.append(limits.lower <= math.exp(-((2 * end) ** shape)) <= limits.upper)
        setting = f"{chips} chips, {expected:g} failures expected"
        yield row("life fitted, limits of the shape", setting, confidence, shapes, "nears")
        yield row("life fitted, limits of the 10 % point", setting, confidence, deciles, "nears")
        yield row("life fitted, limits of R at twice the hours", setting, confidence, good, "nears")


def early(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Failures in the first half-year of use, of a rate that is constant or falls."""
    chips, early_h, confidence = 300, 4380.0, 0.6
    edge = poisson_upper_count(0, confidence) * JUST_ABOVE
    settings: tuple[tuple[float, float, float, float, Expects], ...] = (
        (1.0, 1.0, 48.0, edge, "covers"),
        (0.5, 0.5, 48.0, edge, "covers"),
        (0.5, 0.5, 168.0, edge, "covers"),
        (0.5, 1.0, 168.0, 3.0, "fails"),
    )
    for true_shape, shape, stress_h, expected, expects in settings:
        scale_h = stress_h * float(true_factor(EA_EV)) * (chips / expected) ** (1 / true_shape)
        lives = use_lives_h(rng, campaigns // 2, chips, shape=true_shape, scale_h=scale_h)
        stress = lives / true_factor(EA_EV)
        failures = np.count_nonzero(stress <= stress_h, axis=1)
        shown = [
            early_life(r, chips, h, account_factor(EA_EV), early_h, confidence, shape=shape).ppm_upper
            for r, h in zip(failures.tolist(), np.minimum(stress, stress_h), strict=True)
        ]
        truth = 1e6 * (early_h / scale_h) ** true_shape
        setting = f"true shape {true_shape:g}, {stress_h:g} h of stress, {expected:.3g} failures expected"
        true = np.array(shown, dtype=np.float64) >= truth
        yield row(f"early life, shape {shape:g} assumed", setting, confidence, true, expects)
