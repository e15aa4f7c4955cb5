"""What a live service shows: the figures, the alerts, and how the service itself is."""

from __future__ import annotations

import msgspec

from monitor.figures import Figures
from monitor.rules.alerts import Alert


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the service is. ``broker`` and ``storage`` are null while all is well, else one sentence.

    ``storage_since_ms`` is when the journal began to take nothing (UTC in ms), null while it takes what comes.
    ``unacknowledged`` messages are in hand and not yet on disk: the broker keeps them until they are.
    ``clock_steps`` is how often since the start the wall clock of the service's machine was set, and
    ``clock_step_ms`` by how much the last time (null: never); hours do not rest on that clock.
    """

    run: str
    now_ms: int
    ready: bool
    broker: str | None
    storage: str | None
    storage_since_ms: int | None = None
    unacknowledged: int = 0
    clock_steps: int = 0
    clock_step_ms: int | None = None


class State(msgspec.Struct, frozen=True):
    """One event of the stream, and all that a view needs."""

    health: Health
    alerts: list[Alert]
    figures: Figures
