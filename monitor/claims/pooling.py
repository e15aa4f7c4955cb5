"""May the lots be pooled? An exact test that they share one failure rate.

Given R failures in all, lots of one common rate share them as a multinomial with probabilities in proportion to
exposure. The p-value is the probability of all tables at least as unlike that as the one seen, by the
likelihood-ratio statistic ``G = 2 sum x ln(x / (R p))``. It is good for one look at a time fixed in advance. The
chi-square approximation is about twice too eager at the few failures a qualification has, and meaningless over many
lots, so tables are enumerated as long as there are not too many, and drawn beyond that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc, gammaln, xlogy

from monitor.claims import _checks

SIGNIFICANCE = 0.05
MAX_TABLES = 200_000

EXACT = "exact multinomial"
DRAWN = "drawn multinomial"
APPROXIMATE = "chi-square approximation"
NO_TEST = "no test"

_LEAST_DRAWS, _MOST_DRAWS, _DRAWN_AT_ONCE, _SEED = 2_000, 10_000, 500, 20_261_125
_MOST_DRAWN = 1000  # failures; beyond, chi-square is near enough
_TIE_TOLERANCE = 1e-12  # per failure: rounding grows with the terms that are summed

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pooling:
    """The verdict on pooling, its p-value (None where there was nothing to test) and how that was reached.

    Verdicts: ``pooling supported`` (p above 0.05), ``lots differ``, ``no power`` (not even the most uneven outcome
    of so few failures could have shown a difference), ``one lot``, and ``no exposure`` (a lot has failures but no
    hours, so there is no rate to compare).
    """

    p_value: float | None
    verdict: str
    method: str


def homogeneity(failures: Sequence[int], exposures_h: Sequence[float]) -> Pooling:
    """Test whether lots with these failures and equivalent device-hours (one of each per lot) may be pooled.

    Lots with neither failures nor exposure are left out. Up to ``MAX_TABLES`` possible outcomes the p-value is exact
    when exposures were fixed beforehand; above that it is the share of drawn outcomes (seeded, so the same every time),
    and beyond 1000 failures the chi-square approximation; ``method`` says which. That no outcome could have shown a
    difference is always told exactly.
    """
    _check_lots(failures, exposures_h)
    lots = [(r, h) for r, h in zip(failures, exposures_h, strict=True) if r > 0 or h > 0]
    if any(exposure == 0 for _, exposure in lots):
        return Pooling(None, "no exposure", NO_TEST)
    if len(lots) == 1:
        return Pooling(None, "one lot", NO_TEST)
    counts = np.array([r for r, _ in lots], dtype=np.int64)
    exposures = np.array([h for _, h in lots], dtype=np.float64)
    if counts.sum() == 0:
        return Pooling(None, "no power", NO_TEST)
    p_value, least_p_value, method = _p_values(counts, exposures / exposures.sum())
    if least_p_value > SIGNIFICANCE:
        return Pooling(p_value, "no power", method)
    return Pooling(p_value, "pooling supported" if p_value > SIGNIFICANCE else "lots differ", method)


def _check_lots(failures: Sequence[int], exposures_h: Sequence[float]) -> None:
    if len(failures) != len(exposures_h):
        raise ValueError(
            f"exposures_h must have one entry per lot, {len(failures)}; got {len(exposures_h)} entries"
        )
    for lot_failures, exposure_h in zip(failures, exposures_h, strict=True):
        _checks.count("failures", lot_failures)
        _checks.not_negative("exposures_h", exposure_h)


def _p_values(counts: NDArray[np.int64], shares: _Floats) -> tuple[float, float, str]:
    """The p-value, the smallest one any outcome of as many failures could have had, and the method."""
    total, lots = int(counts.sum()), len(counts)
    observed = _statistic(counts, shares, total)
    least = float((shares[shares <= shares.min() * (1 + _TIE_TOLERANCE)] ** total).sum())
    tolerance = _TIE_TOLERANCE * total
    if _few_tables(total, lots):
        statistics, log_probabilities = _all_tables(total, shares)
        as_unlike = log_probabilities[statistics >= observed - tolerance]
        return min(1.0, float(np.exp(as_unlike).sum())), least, EXACT
    if total <= _MOST_DRAWN:
        return _drawn_p_value(observed - tolerance, shares, total), least, DRAWN
    return _chi2_tail(observed, lots - 1), least, APPROXIMATE


def _drawn_p_value(statistic: float, shares: _Floats, total: int) -> float:
    """Share of drawn tables at least as unlike, the one seen among them: a valid p-value, the same every time.

    Only the lots that failures fall in are counted: ``G = 2 sum over failures of ln(x / (R p))`` of their lots.
    """
    rng, lots = np.random.default_rng(_SEED), len(shares)
    rounds = min(_MOST_DRAWS, max(_LEAST_DRAWS, _MOST_DRAWS * 100 // total)) // _DRAWN_AT_ONCE
    as_unlike, edges = 1, np.cumsum(shares)[:-1]
    for _ in range(rounds):
        lot = np.searchsorted(edges, rng.random((_DRAWN_AT_ONCE, total)), side="right")
        cells = lot + np.arange(_DRAWN_AT_ONCE)[:, None] * lots
        _, cell, counts = np.unique(cells.ravel(), return_inverse=True, return_counts=True)
        terms = np.log(counts[cell].reshape(lot.shape) / (total * shares[lot]))
        as_unlike += int((2 * terms.sum(axis=1) >= statistic).sum())
    return as_unlike / (rounds * _DRAWN_AT_ONCE + 1)


def _chi2_tail(statistic: float, freedom: int) -> float:
    """Probability that chi-square with so many degrees of freedom exceeds the statistic."""
    return float(gammaincc(freedom / 2, statistic / 2))


def _few_tables(total: int, lots: int) -> bool:
    # C(R + k - 1, min(R, k - 1)), given up on as soon as it is too large: the number itself may be astronomic.
    tables = 1
    for i in range(1, min(total, lots - 1) + 1):
        tables = tables * (total + lots - i) // i
        if tables > MAX_TABLES:
            return False
    return True


def _statistic(counts: NDArray[np.int64], shares: _Floats, total: int) -> float:
    return float(2 * xlogy(counts, counts / (total * shares)).sum())


def _all_tables(total: int, shares: _Floats) -> tuple[_Floats, _Floats]:
    """G and log probability of every way to share ``total`` failures among the lots.

    A table is built failure-bearing lot by lot, all tables abreast: lots without failures add nothing to either
    figure. So there are at most min(R, k) rounds, and never more rows than tables.
    """
    lots = len(shares)
    sizes = np.arange(total + 1)
    g_terms = 2 * xlogy(sizes, sizes / (total * shares[:, None]))
    log_terms = sizes * np.log(shares[:, None]) - gammaln(sizes + 1)
    # One row per unfinished table: the first lot still open, failures left, and the sums so far.
    first = np.zeros(1, dtype=np.int64)
    left = np.full(1, total, dtype=np.int64)
    g = np.zeros(1)
    log_p = np.full(1, float(gammaln(total + 1)))
    done: list[tuple[_Floats, _Floats]] = []
    while first.size:
        row, lot, size = _next_lots(first, left, lots)
        g = g[row] + g_terms[lot, size]
        log_p = log_p[row] + log_terms[lot, size]
        first, left = lot + 1, left[row] - size
        complete = left == 0
        done.append((g[complete], log_p[complete]))
        going_on = ~complete
        first, left, g, log_p = first[going_on], left[going_on], g[going_on], log_p[going_on]
    return np.concatenate([g for g, _ in done]), np.concatenate([log_p for _, log_p in done])


def _next_lots(
    first: NDArray[np.int64], left: NDArray[np.int64], lots: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Every next failure-bearing lot of every row, with every size: (row, lot, size), flat.

    Any open lot may take 1 to ``left`` failures, but the last lot must take all that are left.
    """
    choices = (lots - 1 - first) * left + 1
    row = np.repeat(np.arange(first.size), choices)
    place = np.arange(row.size) - np.repeat(np.cumsum(choices) - choices, choices)
    lot = first[row] + place // left[row]
    size = np.where(lot == lots - 1, left[row], place % left[row] + 1)
    return row, lot, size
