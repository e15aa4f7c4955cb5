"""Waiting longer after each failure, with jitter, up to a limit."""

from __future__ import annotations

import random
from collections.abc import Iterator


def delays_s(first_s: float = 0.2, most_s: float = 15.0, rng: random.Random | None = None) -> Iterator[float]:
    """Delays that double from ``first_s`` to ``most_s``; each is drawn from its upper half."""
    draw = rng or random.Random()
    delay_s = first_s
    while True:
        yield delay_s * draw.uniform(0.5, 1.0)
        delay_s = min(2 * delay_s, most_s)
