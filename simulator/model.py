"""Physics of a stress rack: how long chips live, how warm it is, which reads fail. Pure functions on numbers.

Instants are integer milliseconds, read indices integer counts from 1; a half-open interval ``(lo, hi]`` of the
read counter holds the reads that complete while the counter goes from ``lo`` to ``hi``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

AMBIENT_C = 25.0
READ_JITTER = 0.008  # a rack reads at its nominal rate within this fraction


def lifetimes_h(
    rng: np.random.Generator, size: int, *, shape: float, scale_use_h: float, acceleration: float
) -> Floats:
    """Hours at stress until failure, Weibull distributed (shape < 1 infant, 1 random, > 1 wear-out).

    ``scale_use_h`` is the characteristic life at use; stress shortens every life by ``acceleration``.
    """
    if not (shape > 0 and scale_use_h > 0 and acceleration > 0):
        raise ValueError("shape, scale and acceleration of a life must be above 0")
    return rng.weibull(shape, size) * (scale_use_h / acceleration)


def instants_h(rng: np.random.Generator, per_h: float, hours: float) -> Floats:
    """Instants of a Poisson process of ``per_h`` events an hour within ``hours``, ascending."""
    return np.sort(rng.uniform(0.0, hours, int(rng.poisson(per_h * hours))))


def ramp_c(at_h: Floats, setpoint_c: float, ramp_h: float) -> Floats:
    """Oven temperature without disturbance: a straight ramp from ambient within ``ramp_h``, then the soak."""
    if ramp_h <= 0:
        return np.full_like(at_h, setpoint_c)
    return AMBIENT_C + (setpoint_c - AMBIENT_C) * np.minimum(at_h / ramp_h, 1.0)


def excursion_c(at_h: Floats, from_h: float, to_h: float, delta_c: float) -> Floats:
    """What an excursion adds: ``delta_c`` between the two instants, with flanks of a tenth of its length."""
    flank = (to_h - from_h) / 10
    if flank <= 0:
        return np.zeros_like(at_h)
    return delta_c * np.clip(np.minimum(at_h - from_h, to_h - at_h) / flank, 0.0, 1.0)


def overlap_ms(a_ms: Integers, b_ms: Integers, from_ms: int, to_ms: int) -> Integers:
    """Milliseconds that each interval ``(a, b]`` shares with ``(from, to]``."""
    shared: Integers = np.maximum(np.minimum(b_ms, to_ms) - np.maximum(a_ms, from_ms), 0)
    return shared


def reads_done(rng: np.random.Generator, rate_hz: float, active_ms: NDArray[np.float64]) -> Integers:
    """Reads completed in ``active_ms`` milliseconds of reading: the nominal number within READ_JITTER."""
    jitter = rng.uniform(1 - READ_JITTER, 1 + READ_JITTER, active_ms.shape)
    return np.rint(rate_hz / 1000 * active_ms * jitter).astype(np.int64)


@dataclass(frozen=True, slots=True)
class Pace:
    """How the counter of one socket runs through one interval: evenly, from ``ra`` at ``a`` to ``rb`` at ``b``."""

    a_ms: int
    b_ms: int
    ra: int
    rb: int

    def index(self, up_ms: int) -> int:
        """Reads completed up to and including ``up_ms``."""
        return self.ra + (up_ms - self.a_ms) * (self.rb - self.ra) // (self.b_ms - self.a_ms)

    def instant(self, read_index: int) -> int:
        """The first millisecond at which read ``read_index`` is complete; within ``(a, b]``."""
        done = (read_index - self.ra) * (self.b_ms - self.a_ms)
        return self.a_ms - (-done // (self.rb - self.ra))


@dataclass(frozen=True, slots=True)
class Failing:
    """Which reads of a socket fail: all in ``spans`` ``(lo, hi]``, and those of defective ``cells``.

    The array is read address by address, round and round: read ``r`` is of address ``(r - 1) % words``. A cell
    ``(address, since)`` fails in every read after ``since``. Spans are disjoint, addresses distinct.
    """

    words: int
    spans: tuple[tuple[int, int], ...] = ()
    cells: tuple[tuple[int, int], ...] = ()

    def count(self, lo: int, hi: int) -> int:
        """Failed reads in ``(lo, hi]``."""
        spans = [(max(lo, start), min(hi, end)) for start, end in self.spans if start < hi and lo < end]
        total = sum(end - start for start, end in spans)
        for address, since in self.cells:
            total += self._of_cell(address, since, lo, hi)
            total -= sum(self._of_cell(address, since, start, end) for start, end in spans)
        return total

    def first(self, lo: int, hi: int) -> int | None:
        """Index of the first failed read in ``(lo, hi]``."""
        firsts = [max(lo, start) + 1 for start, end in self.spans if max(lo, start) < min(hi, end)]
        for address, since in self.cells:
            low = max(lo, since)
            firsts.append(low + 1 + (address - low) % self.words)
        first = min(firsts, default=hi + 1)
        return first if first <= hi else None

    def _of_cell(self, address: int, since: int, lo: int, hi: int) -> int:
        low = max(lo, since)
        if low >= hi:
            return 0
        return (hi - 1 - address) // self.words - (low - 1 - address) // self.words


def merged(spans: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """The same reads as disjoint ascending spans."""
    out: list[tuple[int, int]] = []
    for lo, hi in sorted(span for span in spans if span[0] < span[1]):
        if out and lo <= out[-1][1]:
            out[-1] = (out[-1][0], max(hi, out[-1][1]))
        else:
            out.append((lo, hi))
    return tuple(out)


def pattern(address: int) -> int:
    """The 32 bit test data of an address (Knuth's multiplicative hash, so that neighbours differ)."""
    return (address + 1) * 2654435761 & 0xFFFFFFFF


def wrong_data(address: int, *, no_contact: bool) -> tuple[str, str]:
    """Expected and observed data of a failed read, as hex: one flipped bit, or an open bus of all ones."""
    expected = pattern(address)
    observed = 0xFFFFFFFF if no_contact else expected ^ (1 << address % 32)
    if observed == expected:
        observed = 0
    return f"{expected:08x}", f"{observed:08x}"
