"""``lifebound readpoint``: enter what chips measured at read points into the journal of their run."""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import sys
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from monitor.campaign import Campaign, parse
from monitor.campaign.reader import show
from monitor.campaign.readpoints import (
    MAX_READPOINTS_BYTES,
    Reading,
    ReadPoints,
    read_points_from_csv,
)
from monitor.campaign.texts import read_text
from monitor.faces.terminal.drift import drift_text
from monitor.figures.document import ParameterFigures
from monitor.journal import SqliteJournal
from monitor.ledger import Ledger
from monitor.service.account import Account, restore
from monitor.service.clock import wall_ms
from monitor.service.rundir import read_snapshot
from shared.entries import Measured, Readout, ReadPointFile
from shared.errors import InputError
from shared.quantities import MS_PER_H

_REACHED = 0.9  # of a read point's hours: not every hour before it need be credited
_ROWS_OF_AN_ENTRY = 1000  # keeps a line of an exported run well below its bound


def run(args: argparse.Namespace) -> int:
    """Check the file as a whole, append it unless only asked to check, and show the drift."""
    if not args.check and args.who is None:
        raise InputError(
            "--who: the name under which to enter the file is needed (or --check, to enter nothing)"
        )
    if args.who is not None and not (args.who.strip() and args.who.isprintable() and len(args.who) <= 200):
        raise InputError("--who: 1 to 200 printable characters are needed")
    path = Path(args.file)
    if not path.name.isprintable() or len(path.name) > 255:
        raise InputError(
            f"{show(path.name)}: the name of the file is entered with it; give it a printable one"
        )
    text = read_text(path, MAX_READPOINTS_BYTES)
    shown, warnings = asyncio.run(_enter(args, path.name, text))
    for warning in warnings:
        print(f"lifebound readpoint: warning: {warning}", file=sys.stderr)
    if args.json:
        print(msgspec.json.encode(shown).decode())
    else:
        for item in shown:
            print(f"{item.parameter} ({item.unit})")
            print("\n".join(f"  {line}" for line in drift_text(item)))
        print("checked; nothing was entered" if args.check else f"entered in the name of {args.who}")
    return 0


async def _enter(args: argparse.Namespace, name: str, text: str) -> tuple[list[ParameterFigures], list[str]]:
    async with await SqliteJournal.open(Path(args.run)) as journal:
        campaign = parse(journal.run.source)
        account = await restore(campaign, journal, read_snapshot(Path(args.run)))
        mechanism = _mechanism(args.mechanism, campaign)
        digest = hashlib.sha256(text.encode()).hexdigest()
        _check_new(name, digest, account.ledger)
        found = _read(name, text, mechanism, campaign, account.ledger)
        entries = _entries(args, name, digest, mechanism, found)
        doubts = [str(warning) for warning in found.warnings] + _doubts(found, account)
        account.apply(entries)
        if not args.check:
            await journal.append(entries)
    mine = {reading.parameter for reading in found.readings}
    shown = [item for item in account.figures().drift if item.parameter in mine]
    return shown, doubts


def _doubts(found: ReadPoints, account: Account) -> list[str]:
    """What may be a slip: read points that the plan does not name, or that the chips have not reached."""
    campaign, ledger = account.campaign, account.ledger
    credited_ms = dict(
        zip((chip.serial for chip in campaign.chips), ledger.accounts.credited_ms.tolist(), strict=True)
    )
    said = []
    for point_h in sorted({r.read_point_h for r in found.readings if r.read_point_h > 0}):
        if campaign.read_points_h and point_h not in campaign.read_points_h:
            planned = ", ".join(f"{h:g}" for h in campaign.read_points_h)
            said.append(f"read point {point_h:g} h: the campaign plans {planned} h")
        early = [
            r.serial
            for r in found.readings
            if r.read_point_h == point_h and credited_ms[r.serial] < _REACHED * point_h * MS_PER_H
        ]
        if early:
            said.append(
                f"read point {point_h:g} h: {len(set(early))} chips have fewer credited hours, {early[0]} has "
                f"{credited_ms[early[0]] / MS_PER_H:.1f} h"
            )
    now = datetime.now(UTC)
    future = [r.serial for r in found.readings if r.measured_at is not None and r.measured_at > now]
    if future:
        said.append(f"{len(set(future))} chips were measured in the future, {future[0]} among them")
    return said


def _check_new(name: str, digest: str, ledger: Ledger) -> None:
    """Raise InputError for a file that was entered before."""
    for file in ledger.readpoints:
        if file.sha256 == digest:
            raise InputError(
                f"{name}: entered before, as {file.file} in the name of {file.who}; nothing was entered"
            )


def _read(name: str, text: str, mechanism: str, campaign: Campaign, ledger: Ledger) -> ReadPoints:
    """The readings of the file, if all of it is sound and goes with what was entered before."""
    found = read_points_from_csv(name, text, {chip.serial for chip in campaign.chips})
    problems = [str(problem) for problem in found.problems]
    before = {r.parameter: (r, file.mechanism) for file in ledger.readpoints for r in file.readouts}
    for reading in {r.parameter: r for r in found.readings}.values():
        if reading.parameter in before:
            problems += _unlike(name, reading, mechanism, *before[reading.parameter])
    if problems:
        lines = "\n".join(f"  {problem}" for problem in problems[:100])
        more = f"\n  and {len(problems) - 100} more" if len(problems) > 100 else ""
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        raise InputError(f"{name}: {count}; nothing was entered; correct it and try again\n{lines}{more}")
    return found


def _unlike(name: str, reading: Reading, mechanism: str, before: Readout, entered_by: str) -> list[str]:
    """A parameter keeps its unit, its limits and its mechanism from one file to the next."""
    found = []
    now = (reading.unit, reading.low_limit, reading.high_limit)
    then = (before.unit, before.low_limit, before.high_limit)
    if now != then:
        found.append(
            f"{name}: {reading.parameter}: {_stated(*now)}; {_stated(*then)} in what was entered before; a parameter "
            "has one unit and one pair of limits: give it another name if it is another"
        )
    if mechanism != entered_by:
        found.append(
            f"{name}: {reading.parameter}: --mechanism {mechanism}; it was entered with {entered_by}, by whose "
            "acceleration all of its values are extrapolated"
        )
    return found


def _stated(unit: str, low: float | None, high: float | None) -> str:
    ends = " to ".join("none" if limit is None else f"{limit:g}" for limit in (low, high))
    return f"limits {ends} {unit}"


def _entries(
    args: argparse.Namespace, name: str, digest: str, mechanism: str, found: ReadPoints
) -> list[Measured]:
    now_ms = wall_ms()
    readouts = [_readout(reading) for reading in found.readings]
    return [
        Measured(
            now_ms,
            ReadPointFile(
                file=name,
                sha256=digest,
                mechanism=mechanism,
                who=args.who or "-",
                when_ms=now_ms,
                readouts=tuple(readouts[start : start + _ROWS_OF_AN_ENTRY]),
            ),
        )
        for start in range(0, len(readouts), _ROWS_OF_AN_ENTRY)
    ]


def _mechanism(asked: str | None, campaign: Campaign) -> str:
    names = [mechanism.name for mechanism in campaign.mechanisms]
    if asked is None and len(names) == 1:
        return names[0]
    if asked not in names:
        found = "is needed" if asked is None else f"{asked} is none of the campaign"
        raise InputError(f"--mechanism: {found}; by whose acceleration to extrapolate: {', '.join(names)}")
    return asked


def _readout(reading: Reading) -> Readout:
    return Readout(
        serial=reading.serial,
        read_point_h=reading.read_point_h,
        parameter=reading.parameter,
        unit=reading.unit,
        value=reading.value,
        low_limit=reading.low_limit,
        high_limit=reading.high_limit,
        removed_ms=_ms(reading.removed_at),
        measured_ms=_ms(reading.measured_at),
    )


def _ms(at: datetime | None) -> int | None:
    return None if at is None else round(at.timestamp() * 1000)
