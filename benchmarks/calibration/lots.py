"""Rows of the test whether lots may be pooled."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks.calibration.table import Expects, Row, row
from benchmarks.calibration.truth import use_lives_h
from monitor.claims import homogeneity


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
