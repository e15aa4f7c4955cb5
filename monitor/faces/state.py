"""What a live service shows: the figures, the alerts, and how the service itself is."""

from __future__ import annotations

import msgspec

from monitor.figures import Figures
from monitor.rules.alerts import Alert


class Health(msgspec.Struct, frozen=True):
    """How the service is. ``broker`` and ``storage`` are null while all is well, else one sentence."""

    run: str
    now_ms: int
    ready: bool
    broker: str | None
    storage: str | None


class State(msgspec.Struct, frozen=True):
    """One event of the stream, and all that a view needs."""

    health: Health
    alerts: list[Alert]
    figures: Figures
