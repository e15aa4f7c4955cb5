"""Every group of rows, by the name under which it stands on the page."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator

import numpy as np

from benchmarks.calibration.ahead import forecasts
from benchmarks.calibration.end_to_end import end_to_end
from benchmarks.calibration.energies import energies
from benchmarks.calibration.life import early, fitted, life
from benchmarks.calibration.lots import lots
from benchmarks.calibration.one_look import one_look
from benchmarks.calibration.reads import read_points, reads
from benchmarks.calibration.several import several
from benchmarks.calibration.stopping import stopping
from benchmarks.calibration.table import Row
from benchmarks.calibration.watched import anytime, watched

Group = Callable[[np.random.Generator, int], Iterator[Row]]

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


def all_rows(seed: int, campaigns: int, runs: int) -> dict[str, list[Row]]:
    """All rows by group."""
    found = {
        name: list(group(np.random.default_rng([seed, zlib.crc32(name.encode())]), campaigns))
        for name, group in GROUPS.items()
    }
    return {**found, "End to end": list(end_to_end(seed, runs))}
