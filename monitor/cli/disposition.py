"""``lifebound disposition``: enter a signed judgement of failed chips, into the journal of their run or over HTTP."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

import msgspec

from monitor.campaign import parse
from monitor.cli.remote import enter
from monitor.faces.judging import Judgement
from monitor.journal import SqliteJournal
from monitor.service.account import restore
from monitor.service.clock import wall_ms
from monitor.service.judgement import JudgementError, check_words, entries_of
from monitor.service.rundir import read_snapshot
from shared.entries import Disposition
from shared.errors import InputError

_OPTIONS = {"serial": "--serial", "mechanism": "--mechanism", "who": "--who", "why": "--why"}
_VALUES = {"serial", "mechanism"}  # short enough to be shown again


def run(args: argparse.Namespace) -> int:
    """Check the judgement against the run, and append it."""
    judgements = [
        Judgement(serial=serial, cls=args.cls, mechanism=args.mechanism, who=args.who, why=args.why)
        for serial in dict.fromkeys(args.serial)
    ]
    try:
        check_words(judgements)
        entered = asyncio.run(
            enter(args.url, judgements) if args.url else _append(Path(args.run), judgements)
        )
    except JudgementError as error:
        raise InputError(f"{_option(error)}: {error.reason}") from None
    for disposition in entered:
        if args.json:
            print(msgspec.json.encode(disposition).decode())
        else:
            print(f"{disposition.serial}: entered as {disposition.cls}, in the name of {disposition.who}")
    return 0


def _option(error: JudgementError) -> str:
    option = _OPTIONS[error.field]
    return f"{option} {getattr(error.judgement, error.field)}" if error.field in _VALUES else option


async def _append(run_dir: Path, judgements: list[Judgement]) -> list[Disposition]:
    async with await SqliteJournal.open(run_dir) as journal:
        account = await restore(parse(journal.run.source), journal, read_snapshot(run_dir))
        entries = entries_of(judgements, account, wall_ms())
        await journal.append(entries)
    return [entry.disposition for entry in entries]
