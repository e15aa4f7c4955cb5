"""Rows of the rules for stopping, and of what may be claimed after the stop."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.bounds import Bound, anytime_bound, claimed, fixed_bound
from benchmarks.calibration.table import Expects, Row, failures_in_words, row
from benchmarks.calibration.truth import CHIPS, TRUE_FIT, TRUE_RATE, at_failures, use_lives_h
from monitor.claims import exact_risks, pass_line, sequential_plan


def stopping(rng: np.random.Generator, campaigns: int) -> Iterator[Row]:
    """Rules for stopping: the calibrated pass line, and Wald's plan with what may be claimed after it."""
    for confidence in (0.6, 0.9):
        for allowed in (1, 3):
            line = pass_line(allowed, confidence)
            path = at_failures(use_lives_h(rng, campaigns, CHIPS))[:, : allowed + 1] * TRUE_RATE
            ends = [line.decision(p, p[-1]).verdict for p in path.tolist()]
            setting = f"watched, truth at the target, up to {failures_in_words(allowed)}"
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
            ("fixed look", fixed_bound(confidence), "fails"),
            ("any time", anytime_bound(confidence), "covers"),
        )
        for name, bound, expects in bounds:
            upper = claimed(bound, failures, hours)
            yield row(name, setting, confidence, upper >= truth * TRUE_FIT, expects)
