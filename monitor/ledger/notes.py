"""The latest things that went wrong in the fold, kept for inspection: a few of each kind, in harmless text."""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec

from shared.entries import DETAIL_CHARS, NOTED
from shared.shown import printable

LATE = "late"
GAP = "gap"
COUNTER_FAULT = "counter fault"
DISAGREEMENT = "disagreement"
_BOOT_CHARS = 64


class Event(msgspec.Struct, frozen=True):
    """What happened to one board: ``seq`` is that of a tally, or ``n`` of an error message where there is one."""

    t_recv_ms: int
    rack: str
    board: int
    boot: str
    seq: int | None
    detail: str


@dataclass(slots=True)
class Notes:
    """The latest ``NOTED`` events of each kind, oldest first; ``now_ms`` is the receive time of what is folded."""

    kept: dict[str, list[Event]] = field(default_factory=dict)
    now_ms: int = 0

    def add(self, kind: str, place: tuple[str, int], boot: str, seq: int | None, detail: str) -> None:
        """Note an event; a boot's name comes from outside."""
        events = self.kept.setdefault(kind, [])
        rack, board = place
        boot, detail = printable(boot, _BOOT_CHARS), printable(detail, DETAIL_CHARS)
        events.append(Event(self.now_ms, rack, board, boot, seq, detail))
        del events[:-NOTED]
