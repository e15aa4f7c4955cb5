"""Trouble with the disk under the journal, as the service tells it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StorageTrouble:
    """Why the journal takes nothing, and since when by the wall clock."""

    reason: str
    since_ms: int
