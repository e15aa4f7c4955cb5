"""``lifebound check RUN``: is a run directory or an exported file sound, and is it still what was noted."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec

from monitor.campaign import parse
from monitor.faces.terminal.text import instant
from monitor.journal import Head, MemoryJournal, Run
from monitor.journal.verify import Holds, Verification, verify
from monitor.journal.verify_export import verify_export
from monitor.service.account import restore
from monitor.service.rundir import read_snapshot
from shared.entries import Entry
from shared.errors import InputError
from shared.shown import escape, plain_json

_SOUND, _WRONG = 0, 1
_SHOWN = 100  # findings in words; JSON has them all


def run(path: Path, noted: str | None, *, json: bool) -> int:
    """Print what was found; returns 0 when the run is sound and 1 when something is wrong."""
    head = _head(noted)
    if path.is_dir():
        found = verify(path, head, look=lambda run, holds: _snapshot(path, run, holds))
    else:
        found = verify_export(path, head)
    print(as_json(found) if json else explain(found))
    return _SOUND if found.sound else _WRONG


def explain(found: Verification) -> str:
    """What was found as text; the head first, to be copied."""
    lines = [
        f"head {found.head}" if found.head is not None and found.sound else "head none that is worth noting"
    ]
    if found.run is not None:
        lines.append(f"  run      {escape(found.run)[:100]}")
    lines.append(f"  holds    {found.entries} entries in {found.batches} batches")
    if found.first_ms is not None and found.last_ms is not None:
        lines.append(f"  arrived  {instant(found.first_ms)} to {instant(found.last_ms)}")
    lines += [f"  {each.severity}: {each.text}" for each in found.findings[:_SHOWN]]
    if len(found.findings) > _SHOWN:
        lines.append(f"  and {len(found.findings) - _SHOWN} more (--json has them all)")
    lines.append("  sound: nothing is wrong" if found.sound else f"  NOT sound; {_advice(found)}")
    return "\n".join(lines)


def _advice(found: Verification) -> str:
    wrong = [each for each in found.findings if each.severity == "wrong"]
    if all(each.kind in {"truncated", "rewritten"} for each in wrong):
        return "either the head that was given is of another run, or this record is not the one it was; look at both"
    return "restore it from a copy"


def as_json(found: Verification) -> str:
    """What was found as JSON; the head as text, also of a run that is not sound."""
    facts = msgspec.to_builtins(found)
    facts |= {"head": str(found.head) if found.head else None, "sound": found.sound}
    return plain_json(msgspec.json.encode(facts).decode())


def _head(text: str | None) -> Head | None:
    try:
        return Head.parse(text) if text is not None else None
    except ValueError as error:
        raise InputError(f"--head {text}: {error}; copy it from what lifebound check printed") from error


class _Asked(MemoryJournal):
    """Answers for a journal which heads it holds, and learns from where an account would read on."""

    def __init__(self, run: Run, holds: Holds) -> None:
        super().__init__(run)
        self._holds = holds
        self.after = 0

    async def holds(self, head: Head) -> bool:
        return self._holds(head)

    async def batches(self, after: int = 0) -> AsyncIterator[list[Entry]]:
        self.after = after
        nothing: list[list[Entry]] = []
        for batch in nothing:
            yield batch


def _snapshot(folder: Path, run: Run, holds: Holds) -> str | None:
    """What is to be said of the snapshot; it spares time and nothing else."""
    data = read_snapshot(folder)
    if data is None:
        return None
    asked = _Asked(run, holds)
    asyncio.run(restore(parse(run.source), asked, data))
    if asked.after == 0:
        return "the snapshot is of no use to this run; the next start takes longer, and changes nothing else"
    return None
