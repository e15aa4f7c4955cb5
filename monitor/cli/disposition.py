"""``lifebound disposition``: enter a signed judgement of failed chips into the journal of their run."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

import msgspec

from monitor.campaign import parse
from monitor.journal import SqliteJournal
from monitor.service.account import Account, restore
from monitor.service.rundir import read_snapshot
from monitor.service.service import wall_ms
from shared.entries import Disposed, Disposition
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Check the judgement against the run, and append it."""
    dispositions = _dispositions(args)
    asyncio.run(_enter(Path(args.run), dispositions))
    for disposition in dispositions:
        if args.json:
            print(msgspec.json.encode(disposition).decode())
        else:
            print(f"{disposition.serial}: entered as {disposition.cls}, in the name of {disposition.who}")
    return 0


def _dispositions(args: argparse.Namespace) -> list[Disposition]:
    for name, text, most in (("--who", args.who, 200), ("--why", args.why, 4000)):
        if not text.strip() or len(text) > most or not text.isprintable():
            raise InputError(f"{name}: 1 to {most} printable characters are needed")
    if args.mechanism and args.cls != "relevant":
        raise InputError("--mechanism: only a relevant failure has one; leave it out or use --class relevant")
    now_ms = wall_ms()
    return [
        Disposition(
            serial=serial, cls=args.cls, mechanism=args.mechanism, who=args.who, why=args.why, when_ms=now_ms
        )
        for serial in dict.fromkeys(args.serial)
    ]


async def _enter(run_dir: Path, dispositions: list[Disposition]) -> None:
    async with await SqliteJournal.open(run_dir) as journal:
        account = await restore(parse(journal.run.source), journal, read_snapshot(run_dir))
        for disposition in dispositions:
            _check(account, disposition)
        await journal.append([Disposed(disposition.when_ms, disposition) for disposition in dispositions])


def _check(account: Account, disposition: Disposition) -> None:
    campaign = account.campaign
    chips = {chip.serial: index for index, chip in enumerate(campaign.chips)}
    if disposition.serial not in chips:
        raise InputError(f"--serial {disposition.serial}: the campaign names no such chip")
    if account.ledger.witnesses[chips[disposition.serial]].failure is None:
        raise InputError(
            f"--serial {disposition.serial}: this chip has not failed; there is nothing to judge"
        )
    names = [mechanism.name for mechanism in campaign.mechanisms]
    if disposition.mechanism is not None and disposition.mechanism not in names:
        raise InputError(f"--mechanism {disposition.mechanism}: the campaign names {', '.join(names)}")
