"""Small runs made by hand: an invented campaign of hourly tallies, and a bench that feeds its account line by line.

The rack reads 1000 times a second, so an hour is 3 600 000 reads of a chip; a tally may be three hours apart.
"""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.campaign import Campaign, Source, parse
from monitor.figures import Figures
from monitor.journal.exchange import Line
from monitor.service.account import Account
from shared.entries import Disposition, Refused
from shared.quantities import MS_PER_H

START_MS = 1_780_272_000_000  # 2026-06-01 00:00 UTC
READS_PER_H = 3_600_000

Facts = dict[str, Any]

ONE_BOARD = [
    {"rack": "oven-1", "board": 1, "sockets": "1-2", "lot": "A", "serial": "A-{n}"},
    {"rack": "oven-1", "board": 1, "sockets": "3-4", "lot": "B", "serial": "B-{n}"},
]


def facts(**changes: Any) -> Facts:
    """The campaign as nested tables; ``stress={...}`` and the like are laid over it, lists replace."""
    usual: Facts = {
        "campaign": {"id": "bench", "planned_hours": 10, "target_fit": 100, "confidence": [0.6, 0.9]},
        "stress": {
            "temp_c": 125,
            "temp_tol_minus_c": 2,
            "temp_tol_plus_c": 5,
            "supply_v": 1.98,
            "supply_tol_v": 0.04,
            "read_rate_hz": 1000,
            "report_interval_s": 3600,
            "reorder_hold_s": 7200,
        },
        "use": {
            "life_years": 15,
            "reads_per_day": 5.0e5,
            "supply_v": 1.8,
            "profile": [{"share": 1, "temp_c": 55}],
        },
        "mechanism": [{"name": "charge-loss", "ea_ev": 0.7}],
        "chips": ONE_BOARD,
    }
    for key, change in changes.items():
        usual[key] = {**usual.get(key, {}), **change} if isinstance(change, dict) else change
    return usual


def toml(value: Any) -> str:
    """A value as inline TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    return msgspec.json.encode(value).decode()


def campaign_text(**changes: Any) -> str:
    """A campaign file."""
    return "\n".join(f"{key} = {toml(value)}" for key, value in facts(**changes).items()) + "\n"


def make_campaign(**changes: Any) -> Campaign:
    """The campaign, parsed."""
    return parse(Source("bench.toml", campaign_text(**changes)))


class Bench:
    """An account, and the lines it was told. ``hour`` is the rack's up time and the time of receipt alike."""

    def __init__(self, **changes: Any) -> None:
        self.account = Account(make_campaign(**changes))
        self.lines: list[Line] = []

    @property
    def figures(self) -> Figures:
        """The figures as they stand."""
        return self.account.figures()

    def tally(
        self,
        seq: int,
        hour: float,
        reads: list[int | None],
        errors: list[int | None] | None = None,
        *,
        rack: str = "oven-1",
        board: int = 1,
        boot: str = "boot-1",
        temp_c: float | None = 125.0,
        supply_v: float | None = 1.98,
    ) -> None:
        """A tally; no failed reads unless told."""
        self.send(
            hour,
            f"{rack}/{board}/tally",
            {
                "boot": boot,
                "seq": seq,
                "temp_c": temp_c,
                "supply_v": supply_v,
                "reads": reads,
                "errors": errors or [None if r is None else 0 for r in reads],
            },
        )

    def hours(self, first: int, last: int, chips: int = 4, **more: Any) -> None:
        """Tallies ``first`` to ``last``, one an hour, of chips that all read as they should."""
        for seq in range(first, last + 1):
            self.tally(seq, seq, [seq * READS_PER_H] * chips, **more)

    def error(
        self, n: int, hour: float, socket: int, *, rack: str = "oven-1", board: int = 1, **more: Any
    ) -> None:
        """An error message of the first failed read, at the very read that the up time asks for."""
        self.send(
            hour,
            f"{rack}/{board}/error",
            {
                "boot": "boot-1",
                "n": n,
                "socket": socket,
                "address": 77,
                "expected": "ff",
                "observed": "fe",
                "read_index": max(round(hour * READS_PER_H), 1),
                "count": 1,
                **more,
            },
        )

    def presence(self, hour: float, *, online: bool, rack: str = "oven-1") -> None:
        """A rack comes or goes."""
        boards = {"boards": [1]} if online else {}
        self.send(hour, f"{rack}/presence", {"boot": "boot-1", "online": online, **boards})

    def send(self, hour: float, topic: str, payload: Facts) -> None:
        """Any message, with the version and the times of ``hour`` filled in."""
        up_ms = round(hour * MS_PER_H)
        body = {"v": 1, "t_ms": START_MS + up_ms, "up_ms": up_ms, **payload}
        self.hear(
            Line(
                t_recv_ms=START_MS + up_ms,
                topic=f"lifebound/{topic}",
                payload=msgspec.Raw(msgspec.json.encode(body)),
            )
        )

    def judge(self, hour: float, serial: str, cls: str, mechanism: str | None = None) -> None:
        """A disposition."""
        when_ms = START_MS + round(hour * MS_PER_H)
        entry = {"serial": serial, "class": cls, "who": "bench", "why": "by hand", "when_ms": when_ms}
        if mechanism is not None:
            entry["mechanism"] = mechanism
        self.hear(Line(t_recv_ms=when_ms, disposition=msgspec.convert(entry, Disposition)))

    def refuse(self, **counts: Any) -> None:
        """The counts that an export ends with."""
        self.hear(Line(intake=Refused(**counts)))

    def hear(self, line: Line) -> None:
        """Tell the account a line."""
        self.lines.append(line)
        self.account.hear(line)
