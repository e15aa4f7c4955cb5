"""Conditions that need a person, told from the figures alone; an alert is the beginning or the end of one.

Pure: the same figures always give the same conditions, so an alert that was already given is recognised after a
restart by its identity and is not given again.
"""

from __future__ import annotations

import msgspec


class Alert(msgspec.Struct, frozen=True, kw_only=True):
    """A condition that began (``cleared_ms`` null) or that has cleared.

    ``id`` is the same for both, and unique within a run: a receiver may treat equal (id, cleared) pairs as repeats.
    ``kind`` is one of "chip failed", "suspected equipment incident", "board silent", "chip not reading", "excursion".
    """

    id: str
    kind: str
    subject: str
    reason: str
    began_ms: int
    cleared_ms: int | None = None
