"""Rows of campaigns that go through the real line: run file, ledger, figures document."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.calibration.bounds import MIXTURE_RATE, account_factor
from benchmarks.calibration.table import Row, row
from benchmarks.calibration.truth import EA_EV, STRESS_C, SUPPLY_V, USE_C, true_factor
from monitor.campaign import Campaign, Source, parse
from monitor.claims import anytime_upper_fit, fixed_look_bound
from monitor.cli.simulate import setup_of
from monitor.figures import Figures
from monitor.journal.exchange import read_lines
from monitor.service.account import Account
from shared.quantities import MS_PER_H
from simulator.behaviour import Faults, Life
from simulator.runfile import write_run
from simulator.setup import Mechanism as RackMechanism
from simulator.setup import Options
from simulator.truth import Truth

_START_MS = 1_780_272_000_000  # 2026-06-01 00:00 UTC
_HOURS = 1000.0
_CAMPAIGN = f"""
campaign = {{id = "calibration", planned_hours = {_HOURS:g}, target_fit = 100, confidence = [0.6, 0.9]}}
stress = {{temp_c = {STRESS_C:g}, temp_tol_minus_c = 2, temp_tol_plus_c = 5, supply_v = {SUPPLY_V:g},
  supply_tol_v = 0.04, read_rate_hz = 1000, report_interval_s = 3600, reorder_hold_s = 7200,
  accelerate_at = "setpoint"}}
use = {{life_years = 15, reads_per_day = 5e5, supply_v = {SUPPLY_V:g}, profile = [{{share = 1, temp_c = {USE_C:g}}}]}}
claims = {{mixture_rate = {MIXTURE_RATE}}}
mechanism = [{{name = "charge-loss", ea_ev = {EA_EV}}}]
chips = [{{rack = "oven-1", board = 1, sockets = "1-20", lot = "A", serial = "A-{{n}}"}},
  {{rack = "oven-1", board = 2, sockets = "1-20", lot = "B", serial = "B-{{n}}"}}]
"""
_EXPECTED = 3.0
_CHIPS = 40
_TRUE_FIT = _EXPECTED / (_CHIPS * _HOURS * float(true_factor(EA_EV))) * 1e9


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
            true = np.array(uppers, dtype=np.float64) >= _TRUE_FIT
            yield row(kind, f"{name} at the end, {_EXPECTED:g} failures expected", confidence, true)


def _through_the_line(campaign: Campaign, seed: int) -> tuple[Truth, Figures]:
    """One campaign with lives at random, under the benchmark's own acceleration, as ``lifebound replay`` folds it."""
    setup = replace(setup_of(campaign), mechanisms=(RackMechanism("charge-loss", float(true_factor(EA_EV))),))
    faults = Faults(lives=(Life("random", 1.0, 1e9 / _TRUE_FIT),), ramp_h=0.0)
    account = Account(campaign)
    with tempfile.TemporaryDirectory() as folder:
        run = Path(folder) / "run.jsonl"
        truth = write_run(setup, Options(seed, _HOURS, faults), run, _START_MS)
        for line in read_lines(run):
            account.hear(line)
    return truth, account.figures()


def _as_the_truth_says(figures: Figures, truth: Truth) -> bool:
    """Failures to the number, hours within one report interval a chip, and the bounds those of the claims."""
    mechanism = figures.mechanisms[0]
    failures = truth.totals.failed
    lived_h = sum(_HOURS if chip.up_ms is None else chip.up_ms / MS_PER_H for chip in truth.chips)
    missing_h = lived_h - mechanism.equivalent_h / float(account_factor(EA_EV))
    if mechanism.failures != failures or not 0 <= missing_h <= len(truth.chips):
        return False
    return all(
        fixed.fit_upper == fixed_look_bound(failures, mechanism.equivalent_h, fixed.confidence).fit_upper
        and watched.fit_upper
        == anytime_upper_fit(failures, mechanism.equivalent_h, watched.confidence, MIXTURE_RATE)
        for fixed, watched in zip(mechanism.bounds, mechanism.anytime, strict=True)
    )
