"""Token buckets, one for each key (a remote address): pure, time is given.

A bucket holds up to ``burst`` and fills with ``per_s`` a second; whoever takes one from an empty bucket is told how
long to wait. Only so many keys are remembered: the one not seen for longest is forgotten first, and begins again
with a full bucket. So a crowd of addresses can neither fill the memory nor shut anybody else out.
"""

from __future__ import annotations

from collections import OrderedDict


class Buckets:
    """At most ``most`` buckets, each of ``burst`` at ``per_s`` a second."""

    def __init__(self, per_s: float, burst: float, most: int) -> None:
        self._per_s = per_s
        self._burst = burst
        self._most = most
        self._levels: OrderedDict[str, tuple[float, float]] = OrderedDict()  # key: (level, when in s)

    def __len__(self) -> int:
        """How many keys are remembered."""
        return len(self._levels)

    def take(self, key: str, now_s: float) -> float:
        """Take one; returns 0.0 when there was one, else the seconds until there is one."""
        level, at_s = self._levels.pop(key, (self._burst, now_s))
        level = min(self._burst, level + max(0.0, now_s - at_s) * self._per_s)
        taken = level >= 1.0
        self._levels[key] = (level - 1.0 if taken else level, max(at_s, now_s))
        if len(self._levels) > self._most:
            self._levels.popitem(last=False)
        return 0.0 if taken else (1.0 - level) / self._per_s
