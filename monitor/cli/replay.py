"""``lifebound replay``: fold a recorded run again, as fast as it goes or at a speed in the view."""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Iterator
from pathlib import Path

from monitor.campaign import Campaign, load, parse
from monitor.cli.display import Display
from monitor.cli.figures import print_figures
from monitor.cli.runs import account_of, need_campaign, warn
from monitor.faces.terminal import Link
from monitor.journal import SqliteJournal
from monitor.journal.exchange import Line, read_lines
from monitor.rules.alerts import Alert, update
from monitor.service.account import Account
from shared.entries import Entry, Refused
from shared.errors import InputError

REDRAW_EVERY_S = 0.5
_MAX_WAIT_S = 3600.0


def run(args: argparse.Namespace) -> int:
    """Replay, and print the final figures."""
    path = Path(args.run)
    if not path.exists():
        raise InputError(f"{path}: no such run; give a run directory or an exported .jsonl file")
    account = account_of(path, args.campaign) if args.speed is None else _at_speed(path, args)
    print_figures(account.figures(), as_json=args.json)
    return 0


def _at_speed(path: Path, args: argparse.Namespace) -> Account:
    campaign = load(Path(args.campaign)) if args.campaign else None
    steps: Iterator[Line | Entry | Refused]
    if path.is_dir():
        account, steps = asyncio.run(_journal_steps(path, campaign))
    else:
        account, steps = Account(need_campaign(path, campaign)), read_lines(path, warn)
    source = f"replay of {path} at {args.speed:g} times real time"
    with Display(plain=args.plain, ascii_only=args.ascii, quiet=args.json) as display:
        player = _Player(account, display, source, args.speed)
        for step in steps:
            player.play(step)
        player.show()
    return account


class _Player:
    """Feeds an account at a pace told by the receive times, and keeps the display current."""

    def __init__(self, account: Account, display: Display, source: str, speed: float) -> None:
        self._account = account
        self._display = display
        self._source = source
        self._speed = speed
        self._alerts: dict[str, Alert] = {}
        self._first_ms: int | None = None
        self._began_s = time.monotonic()
        self._shown_s = float("-inf")

    def play(self, step: Line | Entry | Refused) -> None:
        """Wait until the step is due, then feed it."""
        at_ms = getattr(step, "t_recv_ms", None)
        if isinstance(at_ms, int):
            self._wait_for(at_ms)
        match step:
            case Line():
                self._account.hear(step)
            case Refused():
                self._account.session.add_refused(step)
            case _:
                self._account.admit(step)

    def _wait_for(self, at_ms: int) -> None:
        if self._first_ms is None:
            self._first_ms = at_ms
        due_s = self._began_s + (at_ms - self._first_ms) / 1000 / self._speed
        while (wait_s := min(due_s - time.monotonic(), _MAX_WAIT_S)) > 0:
            self._show_if_due()
            time.sleep(min(wait_s, REDRAW_EVERY_S))
        self._show_if_due()

    def _show_if_due(self) -> None:
        if time.monotonic() - self._shown_s >= REDRAW_EVERY_S:
            self._shown_s = time.monotonic()
            self.show()

    def show(self) -> None:
        """Draw the account as it stands."""
        figures = self._account.figures()
        opened = [alert for alert in self._alerts.values() if alert.cleared_ms is None]
        for alert in update(opened, figures, figures.as_of_ms or 0):
            self._alerts[alert.id] = alert
        link = Link(self._source, "replay", 0.0 if figures.as_of_ms is not None else None, float("inf"))
        self._display.show(figures, list(self._alerts.values()), link)


async def _journal_steps(
    path: Path, other: Campaign | None
) -> tuple[Account, Iterator[Line | Entry | Refused]]:
    async with await SqliteJournal.open(path) as journal:
        account = Account(other or parse(journal.run.source))
        account.recorded_sha256 = journal.run.source.sha256
        entries = [entry async for batch in journal.batches() for entry in batch]
        refused = await journal.refused()
    return account, iter([*entries, refused])
