"""The world as it is: how long chips live, how much faster under stress, and what a campaign keeps of it.

Nothing here is of the claims' doing. Lives in use are drawn by the simulator's own law, and stress shortens each of
them by an Arrhenius factor written here from the SI constants: the simulator itself is told its factors. A campaign
keeps its failures and the hours at them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulator.model import lifetimes_h

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]

CHIPS = 231
FEW_CHIPS = 60  # where every chip is looked at by itself
STRESS_C, USE_C, SUPPLY_V = 125.0, 55.0, 1.8
EA_EV = 0.7
TRUE_FIT = 100.0
TRUE_RATE = TRUE_FIT * 1e-9


def true_factor(ea_ev: ArrayLike, stress_c: ArrayLike = STRESS_C) -> Floats:
    """How much faster a chip ages at ``stress_c`` than in use."""
    return np.asarray(pace(ea_ev, stress_c) / pace(ea_ev, USE_C))


def pace(ea_ev: ArrayLike, temp_c: ArrayLike) -> Floats:
    """How fast a chip ages, in any unit: Arrhenius, from the SI's coulomb, joule and kelvin."""
    energy_j = np.asarray(ea_ev, dtype=np.float64) * 1.602176634e-19
    return np.asarray(np.exp(-energy_j / (1.380649e-23 * (np.asarray(temp_c, dtype=np.float64) + 273.15))))


def use_lives_h(
    rng: np.random.Generator,
    campaigns: int,
    chips: int,
    *,
    shape: float = 1.0,
    scale_h: float = 1 / TRUE_RATE,
) -> Floats:
    """Hours of use that each chip of each campaign lives."""
    lives = lifetimes_h(rng, campaigns * chips, shape=shape, scale_use_h=scale_h, acceleration=1.0)
    return lives.reshape(campaigns, chips)


def stress_h(expected: float, factor: float) -> float:
    """Clock hours of stress in which ``expected`` failures come, but for those that a failed chip cannot have."""
    return expected / (CHIPS * factor * TRUE_RATE)


def at_failures(lives: Floats, weights: ArrayLike = 1.0) -> Floats:
    """Hours credited to all chips of a campaign together at each of its failures; ``weights`` per hour of a chip."""
    order = np.argsort(lives, axis=1)
    ended = np.take_along_axis(lives, order, axis=1)
    weight = np.take_along_axis(
        np.broadcast_to(np.asarray(weights, dtype=np.float64), lives.shape), order, axis=1
    )
    running = weight.sum(axis=1, keepdims=True) - np.cumsum(weight, axis=1)
    return np.asarray(np.cumsum(weight * ended, axis=1) + running * ended)


def at_end(lives: Floats, end_h: ArrayLike, weights: ArrayLike = 1.0) -> tuple[Integers, Floats]:
    """Failures and credited hours of each campaign that ends at ``end_h`` hours of stress."""
    ends = np.asarray(end_h, dtype=np.float64)
    credited = np.asarray(weights, dtype=np.float64) * np.minimum(lives, ends)
    return np.count_nonzero(lives <= ends, axis=1), np.asarray(credited.sum(axis=1))


def at_failures_with_removals(lives: Floats) -> Floats:
    """Hours at each failure where after each of them the first chip that is still good is taken out for analysis."""
    campaigns, chips = lives.shape
    every = np.arange(campaigns)
    pulled = np.full(lives.shape, math.inf)
    on_test = np.ones(lives.shape, dtype=bool)
    hours = []
    for _ in range(chips // 2):
        waiting = np.where(on_test, lives, math.inf)
        failing = waiting.argmin(axis=1)
        now = waiting[every, failing]
        hours.append(np.minimum(np.minimum(lives, pulled), now[:, None]).sum(axis=1))
        on_test[every, failing] = False
        first = on_test.argmax(axis=1)
        pulled[every, first] = np.minimum(pulled[every, first], now)
        on_test[every, first] = False
    return np.column_stack(hours)
