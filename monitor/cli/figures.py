"""``lifebound figures``: the figures now, from a run directory or a running service."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from urllib.parse import urlsplit

import aiohttp
import msgspec

from monitor.cli.runs import present_account
from monitor.faces.terminal import summary
from monitor.figures import Figures, from_json, to_json
from shared.errors import InputError, UnavailableError

_TIMEOUT_S = 10


def run(args: argparse.Namespace) -> int:
    """Print the figures as text or as the document."""
    figures = figures_of_directory(Path(args.run)) if args.run else asyncio.run(fetch(args.url))
    print_figures(figures, as_json=args.json)
    return 0


def figures_of_directory(run_dir: Path) -> Figures:
    """The figures of a run directory; no service is needed. Raises InputError."""
    if not run_dir.is_dir():
        raise InputError(f"{run_dir}: no such run directory")
    return present_account(run_dir).figures()


def print_figures(figures: Figures, *, as_json: bool) -> None:
    """Print to standard output: exactly the document, or the text summary."""
    if as_json:
        sys.stdout.buffer.write(to_json(figures) + b"\n")
        sys.stdout.buffer.flush()
    else:
        print(summary(figures))


async def fetch(url: str) -> Figures:
    """The figures of a running service. Raises UnavailableError, InputError."""
    check_url(url)
    try:
        async with (
            aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=_TIMEOUT_S)) as http,
            http.get(f"{url.rstrip('/')}/v1/figures") as answer,
        ):
            body = await answer.read()
            if answer.status != 200:
                raise UnavailableError(f"{url}: answered {answer.status}; is this a lifebound service?")
        return from_json(body)
    except (aiohttp.ClientError, TimeoutError):
        raise UnavailableError(f"{url}: no service answers; start one with lifebound serve") from None
    except msgspec.MsgspecError as error:
        raise UnavailableError(f"{url}: does not answer with a figures document ({error})") from None


def check_url(url: str) -> None:
    """Raises InputError for what is no HTTP address."""
    try:
        parts = urlsplit(url)
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        sound = False
    if not sound:
        raise InputError(f"--url {url}: use http://HOST:PORT")
