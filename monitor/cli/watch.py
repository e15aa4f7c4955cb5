"""``lifebound watch``: the terminal view of a running service."""

from __future__ import annotations

import argparse
import asyncio
import signal
from pathlib import Path

from monitor.cli.attach import Attached, show_until
from monitor.cli.display import Display
from monitor.cli.parser import DEFAULT_HTTP
from monitor.cli.remote import check_url
from monitor.service.rundir import read_note
from shared.errors import InputError, UnavailableError


def run(args: argparse.Namespace) -> int:
    """Watch until interrupted, or until the service says that the token is not the right one."""
    url = args.url or _url_of(args.run) or f"http://{DEFAULT_HTTP}"
    check_url(url)
    attached = Attached(url)
    with Display(plain=args.plain, ascii_only=args.ascii) as display:
        asyncio.run(_watch(attached, display))
    if attached.refused:
        raise InputError(attached.refused)
    return 0


def _url_of(run_dir: str | None) -> str | None:
    if run_dir is None:
        return None
    if not Path(run_dir).is_dir():
        raise InputError(f"--run {run_dir}: no such run directory")
    note = read_note(Path(run_dir))
    if note is None:
        raise UnavailableError(
            f"--run {run_dir}: no service is recording here; start one with lifebound serve, or read "
            f"what was recorded with lifebound figures --run {run_dir}"
        )
    return note.http


async def _watch(attached: Attached, display: Display) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await show_until(attached, display, lambda: stop.is_set() or attached.refused is not None)
