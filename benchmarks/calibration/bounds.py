"""Bounds as functions of failures and hours, and what of a bound a campaign sees: always, at looks, or at its stop."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from benchmarks.calibration.truth import EA_EV, STRESS_C, SUPPLY_V, USE_C, Floats
from monitor.claims import (
    Mechanism,
    UseCondition,
    acceleration_factor,
    anytime_upper_fit,
    fixed_look_bound,
)

Bound = Callable[[int, float], float | None]
"""A bound in FIT from failures and equivalent hours."""

CONFIDENCES = (0.6, 0.9, 0.95)
MIXTURE_RATE = 5.0
JUST_ABOVE = 1 + 1e-9
ANY, PROFILE = Mechanism("any", EA_EV), (UseCondition(1.0, USE_C, SUPPLY_V),)


def account_factor(ea_ev: float, temp_c: ArrayLike = STRESS_C) -> Floats:
    """The factor that the account credits with, as the claims have it."""
    return acceleration_factor(replace(ANY, ea_ev=ea_ev), PROFILE, temp_c, SUPPLY_V, 0.0)


def fixed_bound(confidence: float) -> Bound:
    """The bound for one look, at a confidence."""
    return lambda failures, hours: fixed_look_bound(failures, hours, confidence).fit_upper


def anytime_bound(confidence: float) -> Bound:
    """The bound for watching, at a confidence."""
    return lambda failures, hours: anytime_upper_fit(failures, hours, confidence, MIXTURE_RATE)


def claimed(bound: Bound, failures: ArrayLike, hours: ArrayLike) -> Floats:
    """The bound of each pair of failures and hours; infinite where it says nothing."""
    counts, exposures = np.broadcast_arrays(failures, hours)
    values = [bound(r, h) for r, h in zip(counts.ravel().tolist(), exposures.ravel().tolist(), strict=True)]
    return np.array([math.inf if v is None else v for v in values]).reshape(counts.shape)


def lowest(bound: Bound, path: Floats, end: Floats) -> Floats:
    """The lowest that each campaign's bound ever is: just before a failure, or at the end.

    A bound falls between failures. Beyond the end the columns repeat its hours with more failures: never lower.
    """
    most = int((path <= end[:, None]).sum(axis=1).max())
    looks = np.minimum(path[:, : most + 1], end[:, None])
    return np.asarray(claimed(bound, np.arange(looks.shape[1]), looks).min(axis=1))


def lowest_of_grid(bound: Bound, path: Floats, end: Floats, looks: int) -> Floats:
    """The lowest of evenly spaced looks."""
    found = np.full(end.size, math.inf)
    for share in np.arange(1, looks + 1) / looks:
        now = share * end
        failures = np.count_nonzero(path <= now[:, None], axis=1)
        found = np.minimum(found, claimed(bound, failures, now))
    return found


def at_the_stop(bound: Bound, path: Floats, end: Floats, target_fit: float) -> Floats:
    """The bound at the moment each campaign stops: as soon as it meets the target, at the latest at the end."""
    most = int((path <= end[:, None]).sum(axis=1).max())
    lines = claimed(bound, np.arange(most + 1), 1.0) / target_fit
    met = (path[:, : most + 1] > lines) & (lines <= end[:, None])
    first = met.argmax(axis=1)
    ended = np.count_nonzero(path <= end[:, None], axis=1)
    passed = met.any(axis=1)
    return claimed(bound, np.where(passed, first, ended), np.where(passed, lines[first], end))
