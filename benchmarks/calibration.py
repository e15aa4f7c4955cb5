"""Does each kind of bound cover the truth as often as it says? Thousands of campaigns of chips whose lives are known.

``python -m benchmarks.calibration`` (``make calibration``) writes docs/calibration.md; ``--json`` prints the rows.

The truth is none of the claims' doing. Lives in use are drawn by the simulator's own law
(``simulator.model.lifetimes_h``), and stress shortens each of them by an Arrhenius factor written here from the SI
constants: the simulator itself is told its factors. What a campaign then keeps, the failures and the hours at them,
goes to ``monitor.claims`` together with the conditions, as in the real line; a few campaigns go through the real
line altogether: run file, ledger, figures document.

Every group of rows has a random stream of its own, so that a row depends on the seed and the number of campaigns alone.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import tempfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache, partial
from importlib.metadata import version
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.campaign import Campaign, Source, parse
from monitor.claims import (
    EaInterval,
    EaNormal,
    Mechanism,
    UseCondition,
    acceleration_factor,
    anytime_upper_count,
    anytime_upper_fit,
    chance_at_the_end,
    chance_by_the_end,
    early_life,
    exact_risks,
    failure_truncated_bound,
    fit_life,
    fixed_look_bound,
    floor_factor,
    guarded_confidence,
    homogeneity,
    pass_line,
    per_read_upper,
    poisson_upper_count,
    sequential_plan,
    total_bound,
    two_sided_bound,
    watched_miss_probability,
    weibayes,
)
from monitor.claims.uncertainty import averaged_upper_fit, guarded_factor
from monitor.cli.simulate import setup_of
from monitor.figures import Figures
from monitor.journal.exchange import read_lines
from monitor.service.account import Account
from shared.quantities import MS_PER_H
from simulator.behaviour import Faults, Life
from simulator.model import lifetimes_h
from simulator.runfile import write_run
from simulator.setup import Mechanism as RackMechanism
from simulator.setup import Options
from simulator.truth import Truth

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bound = Callable[[int, float], float | None]
"""A bound in FIT from failures and equivalent hours."""
Expects = Literal["covers", "nears", "fails", "agrees"]
"""A bound that is to cover at least as often as it says, or (approximate limits) nearly so; one that must not; a
probability that is to come true."""

PAGE = "docs/calibration.md"
CAMPAIGNS, END_TO_END, SEED = 10_000, 20, 20_260_601
TOLERANCE_SE = 3.0
NEAR = 0.03  # short by no more than this are limits that call themselves approximate

CONFIDENCES = (0.6, 0.9, 0.95)
MIXTURE_RATE = 5.0
JUST_ABOVE = 1 + 1e-9
CHIPS = 231
FEW_CHIPS = 60  # where every chip is looked at by itself
STRESS_C, USE_C, SUPPLY_V = 125.0, 55.0, 1.8
EA_EV = 0.7
TRUE_FIT = 100.0
TRUE_RATE = TRUE_FIT * 1e-9
YEAR_H = 8760.0
START_MS = 1_780_272_000_000  # 2026-06-01 00:00 UTC


# --- the truth -------------------------------------------------------------------------------------------------------


def true_factor(ea_ev: ArrayLike, stress_c: ArrayLike = STRESS_C) -> Floats:
    """How much faster a chip ages at ``stress_c`` than in use."""
    return np.asarray(_pace(ea_ev, stress_c) / _pace(ea_ev, USE_C))


def _pace(ea_ev: ArrayLike, temp_c: ArrayLike) -> Floats:
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


# --- what a campaign keeps of it -------------------------------------------------------------------------------------

ANY, PROFILE = Mechanism("any", EA_EV), (UseCondition(1.0, USE_C, SUPPLY_V),)


def account_factor(ea_ev: float, temp_c: ArrayLike = STRESS_C) -> Floats:
    """The factor that the account credits with, as the claims have it."""
    return acceleration_factor(replace(ANY, ea_ev=ea_ev), PROFILE, temp_c, SUPPLY_V, 0.0)


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


# --- what is claimed of it -------------------------------------------------------------------------------------------


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


# --- rows ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: how often the claim was true in so many campaigns, against what it says."""

    claim: str
    setting: str
    says: float
    found: float
    campaigns: int
    expects: Expects

    @property
    def standard_error(self) -> float:
        """Monte Carlo standard error of what was found."""
        return math.sqrt(self.found * (1 - self.found) / self.campaigns)

    @property
    def verdict(self) -> str:
        """In a word, by three standard errors of a share that is as it says."""
        tolerance = TOLERANCE_SE * math.sqrt(self.says * (1 - self.says) / self.campaigns)
        missing = self.says - self.found
        match self.expects:
            case "covers":
                return "holds" if missing <= tolerance else "ANTI-CONSERVATIVE"
            case "nears":
                return "near" if missing <= max(tolerance, NEAR) else "ANTI-CONSERVATIVE"
            case "fails":
                return "fails as it must" if missing > tolerance else "not seen to fail"
            case "agrees":
                return "agrees" if abs(missing) <= tolerance else "DISAGREES"

    @property
    def is_finding(self) -> bool:
        """Whether the verdict is not the one expected."""
        return self.verdict not in {"holds", "near", "fails as it must", "agrees"}


def row(claim: str, setting: str, says: float, true: ArrayLike, expects: Expects = "covers") -> Row:
    """A row from one mark for each campaign: whether what was claimed is true."""
    marks = np.asarray(true, dtype=np.bool_)
    return Row(claim, setting, float(says), float(marks.mean()), marks.size, expects)


Group = Callable[[np.random.Generator, int], Iterator[Row]]


def _fixed(confidence: float) -> Bound:
    return lambda failures, hours: fixed_look_bound(failures, hours, confidence).fit_upper


def _anytime(confidence: float) -> Bound:
    return lambda failures, hours: anytime_upper_fit(failures, hours, confidence, MIXTURE_RATE)


def _stress_h(expected: float, factor: float, chips: int = CHIPS) -> float:
    """Clock hours of stress in which ``expected`` failures come, but for those that a failed chip cannot have."""
    return expected / (chips * factor * TRUE_RATE)


def one_look(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The bound of the trade, as it is meant: read once, at a time fixed in advance."""
    kind, factor = "fixed look", float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        edge = poisson_upper_count(0, confidence) * JUST_ABOVE  # no failure misses: nothing to spare
        for expected, place in ((edge, ", the worst place"), (0.95 * edge, ", just before it"), (10.0, "")):
            lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
            failures, hours = at_end(lives, _stress_h(expected, factor))
            upper = claimed(_fixed(confidence), failures, hours * factor)
            setting = f"one look, {expected:.3g} failures expected{place}"
            yield row(kind, setting, confidence, upper >= TRUE_FIT)
    temps = rng.normal(STRESS_C, 3.0, (campaigns, CHIPS))
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV, temps)
    failures, hours = at_end(lives, _stress_h(2.4, factor), account_factor(EA_EV, temps))
    upper = claimed(_fixed(0.9), failures, hours)
    yield row(
        kind, "one look, each chip at a temperature of its own, credited as measured", 0.9, upper >= TRUE_FIT
    )
    yield _whole_model(rng, campaigns)
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
    failures, hours = at_end(lives, _stress_h(3.0, factor))
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
    in_use = 0.2 * _pace(EA_EV, 31.0) + 0.8 * _pace(EA_EV, 61.0)
    truth = float(_pace(EA_EV, STRESS_C + heating_c) / in_use) * math.exp(gamma_per_v * (stress_v - SUPPLY_V))
    mechanism = Mechanism("any", EA_EV, gamma_per_v=gamma_per_v)
    factor = acceleration_factor(mechanism, profile, STRESS_C, stress_v, heating_c)
    lives = use_lives_h(rng, campaigns, CHIPS) / truth
    failures, hours = at_end(lives, _stress_h(poisson_upper_count(0, 0.9) * JUST_ABOVE, truth))
    upper = claimed(_fixed(0.9), failures, hours * factor)
    setting = "one look, profile of use, self-heating and a supply term, the worst place"
    return row("fixed look", setting, 0.9, upper >= TRUE_FIT)


def watched(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The same bound, watched, and the test stopped as soon as it meets the target: the dishonest rule."""
    factor = float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        for allowed in (1, 3, 10):
            lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
            path = at_failures(lives) * factor
            target = TRUE_FIT / JUST_ABOVE
            end = np.full(campaigns, poisson_upper_count(allowed, confidence) / (target * 1e-9))
            told = at_the_stop(_fixed(confidence), path, end, target)
            setting = f"stopped when it meets the target, truth just above it, up to {_failures(allowed)}"
            yield row("fixed look, watched", setting, confidence, told >= TRUE_FIT, "fails")
            left = 1 - watched_miss_probability(confidence, allowed)
            yield row(
                "what watching leaves",
                f"of {confidence:.0%}, up to {_failures(allowed)}",
                left,
                told >= TRUE_FIT,
                "agrees",
            )


def anytime(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The bound for watching: right at every look of a campaign at once."""
    kind, factor = "any time", float(account_factor(EA_EV))
    for confidence in CONFIDENCES:
        bound = _anytime(confidence)
        lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV)
        path = at_failures(lives) * factor
        _, hours = at_end(lives, _stress_h(20.0, factor))
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
    bound = _anytime(0.9)
    temps = rng.normal(STRESS_C, 3.0, (campaigns, CHIPS))
    weights = account_factor(EA_EV, temps)
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(EA_EV, temps)
    _, end = at_end(lives, _stress_h(20.0, factor), weights)
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
    expected = at_failures(lives**shape)[
        :, :looks
    ]  # hazard is the power of the age, so it adds up like hours
    hours = at_failures(lives)[:, :looks]
    average_fit = expected / hours * 1e9
    upper = claimed(_anytime(0.9), np.arange(looks), hours)
    return np.asarray((upper >= average_fit).all(axis=1))


def stopping(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Rules for stopping: the calibrated pass line, and Wald's plan with what may be claimed after it."""
    for confidence in (0.6, 0.9):
        for allowed in (1, 3):
            line = pass_line(allowed, confidence)
            path = at_failures(use_lives_h(rng, campaigns, CHIPS))[:, : allowed + 1] * TRUE_RATE
            ends = [line.decision(p, p[-1]).verdict for p in path.tolist()]
            setting = f"watched, truth at the target, up to {_failures(allowed)}"
            yield row("pass line", setting, confidence, [verdict != "passed" for verdict in ends])
    for discrimination in (2.0, 3.0):
        yield from _sequential(rng, campaigns, discrimination)


def _sequential(rng: np.random.Generator, campaigns: int, discrimination: float) -> Iterator[Row]:
    plan = sequential_plan(TRUE_FIT, discrimination, 0.1, 0.1)
    risks, kind, what = exact_risks(plan), "sequential plan", f"d = {discrimination:g}, 10 % asked of each"

    def decisions(truth_over_target: float) -> list[tuple[str, float, int]]:
        lives = use_lives_h(rng, campaigns, CHIPS, scale_h=1 / (TRUE_RATE * truth_over_target))
        most = plan.truncation.failures if plan.truncation else 0
        found = (plan.decision(p, p[-1]) for p in at_failures(lives)[:, :most].tolist())
        return [(d.verdict, d.equivalent_h, d.failures) for d in found]

    good, bad = decisions(1 / discrimination), decisions(1.0)
    accepted, rejected = ([d[0] == word for d in ends] for word, ends in (("accept", good), ("reject", bad)))
    yield row(kind, f"good product accepted, {what}", 1 - risks.producer, accepted, "agrees")
    yield row(kind, f"bad product rejected, {what}", 1 - risks.consumer, rejected, "agrees")
    for truth, confidence in ((0.55, 0.6), (0.8, 0.9)):
        ends = decisions(truth)
        hours, failures = np.array([d[1] for d in ends]), np.array([d[2] for d in ends])
        setting = (
            f"after the stop of a sequential plan, d = {discrimination:g}, truth {truth:g} of the target"
        )
        bounds: tuple[tuple[str, Bound, Expects], ...] = (
            ("fixed look", _fixed(confidence), "fails"),
            ("any time", _anytime(confidence), "covers"),
        )
        for name, bound, expects in bounds:
            upper = claimed(bound, failures, hours)
            yield row(name, setting, confidence, upper >= truth * TRUE_FIT, expects)


def _failures(number: int) -> str:
    return f"{number} failure" + "s" * (number != 1)


# --- several mechanisms ----------------------------------------------------------------------------------------------


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


# --- life ------------------------------------------------------------------------------------------------------------

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
    upper = claimed(_fixed(0.9), failures, hours)
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


# --- what is not known exactly, what is ahead, lots and reads --------------------------------------------------------


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
        failures, device_h = _campaigns_at(rng, truth, _stress_h(expected, float(true_factor(low_ev))))
        upper = claimed(_fixed(confidence), failures, device_h * floor)
        yield row(
            "interval of Ea, taken at its worst end", f"one look, {setting}", confidence, upper >= TRUE_FIT
        )
    lower = np.full(campaigns, low_ev)
    failures, device_h = _campaigns_at(rng, lower, _stress_h(10.0, float(true_factor(low_ev))))
    stated = claimed(_fixed(confidence), failures, device_h * account_factor(EA_EV))
    setting = "one look, true Ea 0.1 eV lower, 10 failures expected"
    yield row("stated Ea taken for exact", setting, confidence, stated >= TRUE_FIT, "fails")


def _normal(rng: np.random.Generator, campaigns: int, confidence: float) -> Iterator[Row]:
    """The true energy is drawn anew for each campaign; at 60 % taking the estimate for exact happens to do."""
    estimate = EaNormal(EA_EV, 0.05)
    drawn = rng.normal(EA_EV, estimate.sd_ev, campaigns)
    end_h = _stress_h(10.0, float(true_factor(EA_EV)))
    lives = use_lives_h(rng, campaigns, CHIPS) / true_factor(drawn)[:, None]
    failures, device_h = at_end(lives, end_h)
    factor = guarded_factor(ANY, estimate, confidence, PROFILE, STRESS_C, SUPPLY_V, 0.0)
    asked = guarded_confidence(confidence)
    kind, setting = "error of Ea, shared with the count", "true Ea drawn, 10 failures expected"
    upper = claimed(_fixed(asked), failures, device_h * factor)
    yield row(kind, f"one look, {setting}", confidence, upper >= TRUE_FIT)
    low = lowest(_anytime(asked), at_failures(lives) * factor, device_h * factor)
    yield row(kind, f"any time, at every instant, {setting}", confidence, low >= TRUE_FIT)
    average = claimed(partial(_averaged, confidence, estimate), failures, device_h)
    yield row(
        "average over Ea (shown, never claimed)", f"one look, {setting}", confidence, average >= TRUE_FIT
    )
    if confidence > 0.6:
        stated = claimed(_fixed(confidence), failures, device_h * account_factor(EA_EV))
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


def forecasts(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The chance of meeting the target, against how often it was met; true rates drawn as the prior has them."""
    factor = float(account_factor(EA_EV))
    now_h, end_h = _stress_h(1.5, factor), _stress_h(9.0, factor)
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
    last = np.asarray(claimed(_fixed(0.9), after, ended) <= TRUE_FIT, dtype=np.bool_)
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
        setting = f"after {_failures(failures)}, a sixth of the hours done"
        yield row("forecast, any time", setting, by, met[these], "agrees")
        yield row("forecast, one look at the end", setting, at, last[these], "agrees")


def lots(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """The test whether lots may be pooled: how often it leaves lots alone that are alike."""
    lot = np.repeat(np.arange(3), (77, 77, 45))
    end = 6.0 / lot.size
    settings: tuple[tuple[float, str, Expects], ...] = (
        (1.0, "three lots of one rate, 6 failures expected", "covers"),
        (8.0, "one lot 8 times worse", "fails"),
    )
    for ratio, setting, expects in settings:
        lives = use_lives_h(rng, campaigns // 2, lot.size, scale_h=1.0) / np.where(lot == 2, ratio, 1.0)
        verdicts = []
        for chips in lives:
            failures = np.bincount(lot[chips <= end], minlength=3).tolist()
            exposures = np.bincount(lot, np.minimum(chips, end)).tolist()
            verdicts.append(homogeneity(failures, exposures).verdict)
        yield row(
            "lots, not called different", setting, 0.95, [v != "lots differ" for v in verdicts], expects
        )


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
        low_verified = np.minimum(low_verified, claimed(_anytime(0.9), found, verified))
        unverified = np.minimum(found_h, point).sum(
            axis=1
        )  # just before the reading: the failures of the one before
        known = np.count_nonzero(found_h < point, axis=1)
        low_unverified = np.minimum(low_unverified, claimed(_anytime(0.9), known, unverified))
    kind = "any time, failures found at 10 read points"
    yield row(kind, "hours credited up to the last good reading", 0.9, low_verified >= truth)
    yield row(kind, "hours credited up to now, not verified", 0.9, low_unverified >= truth, "fails")


# --- the real line ---------------------------------------------------------------------------------------------------

HOURS = 1000.0
_CAMPAIGN = f"""
campaign = {{id = "calibration", planned_hours = {HOURS:g}, target_fit = 100, confidence = [0.6, 0.9]}}
stress = {{temp_c = {STRESS_C:g}, temp_tol_minus_c = 2, temp_tol_plus_c = 5, supply_v = {SUPPLY_V:g},
  supply_tol_v = 0.04, read_rate_hz = 1000, report_interval_s = 3600, reorder_hold_s = 7200,
  accelerate_at = "setpoint"}}
use = {{life_years = 15, reads_per_day = 5e5, supply_v = {SUPPLY_V:g}, profile = [{{share = 1, temp_c = {USE_C:g}}}]}}
claims = {{mixture_rate = {MIXTURE_RATE}}}
mechanism = [{{name = "charge-loss", ea_ev = {EA_EV}}}]
chips = [{{rack = "oven-1", board = 1, sockets = "1-20", lot = "A", serial = "A-{{n}}"}},
  {{rack = "oven-1", board = 2, sockets = "1-20", lot = "B", serial = "B-{{n}}"}}]
"""


def end_to_end(seed: int, campaigns: int) -> Iterator[Row]:
    """Campaigns through the whole line: simulated racks, run file, ledger, figures document."""
    campaign = parse(Source("calibration.toml", _CAMPAIGN.replace("\n  ", " ")))
    runs = [_through_the_line(campaign, seed + number) for number in range(campaigns)]
    kind = "end to end"
    equal = [_as_the_truth_says(figures, truth) for truth, figures in runs]
    yield row(kind, "figures are what the claims give for the simulator's truth file", 1.0, equal, "agrees")
    for place, confidence in enumerate(campaign.confidence):
        for name, uppers in (
            ("fixed look", [figures.mechanisms[0].bounds[place].fit_upper for _, figures in runs]),
            ("any time", [figures.mechanisms[0].anytime[place].fit_upper for _, figures in runs]),
        ):
            true = np.array(uppers, dtype=np.float64) >= _LINE_FIT
            yield row(kind, f"{name} at the end, {_LINE_EXPECTED:g} failures expected", confidence, true)


_LINE_EXPECTED = 3.0
_LINE_CHIPS = 40
_LINE_FIT = _LINE_EXPECTED / (_LINE_CHIPS * HOURS * float(true_factor(EA_EV))) * 1e9


def _through_the_line(campaign: Campaign, seed: int) -> tuple[Truth, Figures]:
    """One campaign with lives at random, under this module's acceleration, as ``lifebound replay`` folds it."""
    setup = replace(setup_of(campaign), mechanisms=(RackMechanism("charge-loss", float(true_factor(EA_EV))),))
    faults = Faults(lives=(Life("random", 1.0, 1e9 / _LINE_FIT),), ramp_h=0.0)
    account = Account(campaign)
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run.jsonl"
        truth = write_run(setup, Options(seed, HOURS, faults), run, START_MS)
        for line in read_lines(run):
            account.hear(line)
    return truth, account.figures()


def _as_the_truth_says(figures: Figures, truth: Truth) -> bool:
    """Failures to the number, hours within one report interval a chip, and the bounds those of the claims."""
    mechanism = figures.mechanisms[0]
    failures = truth.totals.failed
    lived_h = sum(HOURS if chip.up_ms is None else chip.up_ms / MS_PER_H for chip in truth.chips)
    missing_h = lived_h - mechanism.equivalent_h / float(account_factor(EA_EV))
    if mechanism.failures != failures or not 0 <= missing_h <= len(truth.chips):
        return False
    return all(
        fixed.fit_upper == fixed_look_bound(failures, mechanism.equivalent_h, fixed.confidence).fit_upper
        and watched.fit_upper
        == anytime_upper_fit(failures, mechanism.equivalent_h, watched.confidence, MIXTURE_RATE)
        for fixed, watched in zip(mechanism.bounds, mechanism.anytime, strict=True)
    )


# --- the page --------------------------------------------------------------------------------------------------------

GROUPS: dict[str, Group] = {
    "One look": one_look,
    "Watched": watched,
    "Any time": anytime,
    "Rules for stopping": stopping,
    "Several mechanisms": several,
    "Life": life,
    "Life fitted": fitted,
    "Early life": early,
    "Uncertain activation energy": energies,
    "Forecasts": forecasts,
    "Lots": lots,
    "Read errors": reads,
    "Read points": read_points,
}


def table(seed: int, campaigns: int, runs: int) -> dict[str, list[Row]]:
    """All rows by group."""
    found = {
        name: list(group(np.random.default_rng([seed, zlib.crc32(name.encode())]), campaigns))
        for name, group in GROUPS.items()
    }
    return {**found, "End to end": list(end_to_end(seed, runs))}


_HEAD = """# Calibration: is each bound right as often as it says?

Written by `make calibration`. Each row is a number of simulated campaigns in which the truth is known, because it was
drawn. *Says* is the confidence of a bound, or a probability that was told. *Found* is the share of campaigns in which
the claim was true, with its Monte Carlo standard error.

- **holds**: true as often as it says, or more often (within three standard errors of a share that is as it says).
- **fails as it must**: a rule that is known to break the promise, shown at work.
- **near**: limits that call themselves approximate, short by no more than 0.03.
- **agrees**: a probability that was told, and came true that often.
- **ANTI-CONSERVATIVE**, **DISAGREES** or **not seen to fail**: not what was expected.
"""

_READING = """## What the table says

The bound for one look keeps its promise at one look, and "the worst place" shows that it has nothing to spare there.
Just before it, it never misses; were the bound a twentieth lower than it is, that row would tell.
The any-time bound keeps it at every instant of a campaign at once, so also for whoever stops when the target is met,
pulls good chips after a failure, or runs each chip at a temperature of its own. The pass line and the sequential plan
run the risks that they state. The total over mechanisms keeps its confidence, in all three kinds; the weighted one has
nothing to spare where only the least accelerated mechanism fails. A forecast comes true as often as it says.

Two rows of the any-time bound are alike on purpose: who stops when it meets a target just below the truth errs in
exactly the campaigns in which it is ever below the truth.

Much more often than it says is not wrong, but wide: failures are whole numbers, so between the worst places there is
room; an interval of the activation energy that is taken at its worst end, and an error shared between energy and
count, cost what they must cover in the worst case.

## Where a bound does not hold

- **Fixed look, watched.** Who stops as soon as the bound for one look meets the target is wrong more often than it
  says, and the more failures the test may go on after, the worse. The loss is known exactly ("what watching leaves").
  The same goes for the bound for one look after the stop of a sequential plan.
- **A life with the wrong shape.** Early failures judged as a constant rate look better than they are in the first
  year; wear-out judged so looks better than it is beyond the hours tested. The shape is an assumption, no result:
  look at the range of shapes that the figures show.
- **A rate in FIT where the true shape is 0.5.** The same fault in the usual words: the rate over the test is not that
  of the first year.
- **An activation energy that is lower than stated.** The hours are credited too generously. An interval or an error
  stated beforehand carries it.
- **Hours that nobody verified.** Where failures are found only at read points, hours of chips that have failed
  already, unseen, must not be credited. Up to the last good reading they may be.
- **Reads of one bad cell.** They do not fail each by itself. The bound per read is for those that do.
- **Limits of a fitted life.** Likelihood-ratio limits are approximate, at few failures most of all, and rows are of
  campaigns with three failures or more, as no fewer are fitted. Hence the verdict *near*.

## What was simulated

Lives come from the simulator's own law; stress shortens them by an Arrhenius factor that the benchmark computes from
the SI constants, apart from the claims' code. Failed chips leave the test and are not replaced, unless a row says
otherwise. Hours are credited at the set-point, or at each chip's own temperature. *End to end* rows go from simulated
racks over the run file and the ledger to the figures document: few campaigns, so the share found is rough, but the
figures are held against the simulator's truth one by one. Of rows that have nothing to spare, one in some seven hundred
falls outside three standard errors by chance.
"""


def page(rows: dict[str, list[Row]], seed: int, campaigns: int, runs: int) -> str:
    """The page as Markdown."""
    parts = [_HEAD, _provenance(seed, campaigns, runs)]
    for name, group in rows.items():
        parts.append(f"## {name}\n")
        parts.append("| claim | setting | says | found | standard error | campaigns | verdict |")
        parts.append("| --- | --- | ---: | ---: | ---: | ---: | --- |")
        parts += [_line(each) for each in group]
        parts.append("")
    return "\n".join([*parts, _READING])


def _provenance(seed: int, campaigns: int, runs: int) -> str:
    versions = ", ".join(f"{name} {version(name)}" for name in ("lifebound", "numpy", "scipy"))
    return (
        f"Command: `python -m benchmarks.calibration --campaigns {campaigns} --end-to-end {runs} --seed {seed}`. "
        f"{versions}, Python {platform.python_version()}; {platform.machine()}, {os.cpu_count()} cores. "
        "Costly rows run a half or a tenth of the campaigns.\n"
    )


def _line(each: Row) -> str:
    figures = f"{each.says:.4f} | {each.found:.4f} | {each.standard_error:.4f} | {each.campaigns}"
    verdict = f"**{each.verdict}**" if each.is_finding or each.expects == "fails" else each.verdict
    return f"| {each.claim} | {each.setting} | {figures} | {verdict} |"


def as_json(rows: dict[str, list[Row]]) -> str:
    """The rows as JSON."""
    listed = [
        {"group": name, **asdict(each), "standard_error": each.standard_error, "verdict": each.verdict}
        for name, group in rows.items()
        for each in group
    ]
    return json.dumps(listed, indent=1)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, and write the page or print JSON; 1 where a verdict is not the one expected."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.calibration", description=__doc__.splitlines()[0]
    )
    parser.add_argument(
        "--campaigns", type=int, default=CAMPAIGNS, help="campaigns a row (default: %(default)s)"
    )
    parser.add_argument(
        "--end-to-end", type=int, default=END_TO_END, help="campaigns through the line (default: %(default)s)"
    )
    parser.add_argument("--seed", type=int, default=SEED, help="default: %(default)s")
    parser.add_argument("--json", action="store_true", help="print the rows as JSON and write no page")
    args = parser.parse_args(arguments)
    if args.campaigns < 100 or args.end_to_end < 1 or args.seed < 0:
        parser.error("--campaigns must be at least 100, --end-to-end at least 1 and --seed at least 0")
    rows = table(args.seed, args.campaigns, args.end_to_end)
    if args.json:
        print(as_json(rows))
    else:
        text = page(rows, args.seed, args.campaigns, args.end_to_end)
        (Path(__file__).parents[1] / PAGE).write_text(text, encoding="utf-8")
        print(text)
    return int(any(each.is_finding for group in rows.values() for each in group))


if __name__ == "__main__":
    raise SystemExit(main())
