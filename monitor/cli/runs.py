"""Reading runs for the commands: from a run directory or an exported file."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from pathlib import Path

from monitor.campaign import Campaign, load, parse
from monitor.journal import SqliteJournal
from monitor.journal.exchange import archived_campaign, read_lines
from monitor.service.account import Account, restore
from monitor.service.rundir import read_snapshot
from shared.errors import InputError
from shared.shown import escape


def account_of(run: Path, campaign_file: str | None = None) -> Account:
    """The account of a run directory or of an exported file, folded from its beginning."""
    other = load(Path(campaign_file)) if campaign_file else None
    if run.is_dir():
        return asyncio.run(_account_of_directory(run, other, None))
    return account_of_file(run, other)


def present_account(run_dir: Path) -> Account:
    """The account of a run directory, from its snapshot where one is of use."""
    return asyncio.run(_account_of_directory(run_dir, None, read_snapshot(run_dir)))


def account_of_file(
    path: Path, campaign: Campaign | None, each: Callable[[Account], None] | None = None
) -> Account:
    """The account of an exported file; ``each`` is called after every line."""
    account = Account(need_campaign(path, campaign))
    for line in read_lines(path, warn):
        account.hear(line)
        if each is not None:
            each(account)
    return account


def warn(sentence: str) -> None:
    """Say on standard error what is doubtful about a run."""
    print(f"lifebound: warning: {escape(sentence)}", file=sys.stderr)


def need_campaign(path: Path, campaign: Campaign | None) -> Campaign:
    """The campaign to replay an exported file under: the given one, or its own where it holds it."""
    if campaign is None:
        if not path.exists():
            raise InputError(f"{path}: no such run; give a run directory or an exported .jsonl file")
        source = archived_campaign(path)
        if source is None:
            raise InputError(f"{path}: this file does not hold its campaign; add --campaign FILE")
        return parse(source)
    return campaign


async def _account_of_directory(run: Path, other: Campaign | None, snapshot: bytes | None) -> Account:
    async with await SqliteJournal.open(run) as journal:
        return await restore(other or parse(journal.run.source), journal, snapshot)
