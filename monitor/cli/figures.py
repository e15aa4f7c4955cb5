"""``lifebound figures``: the figures now, from a run directory or a running service."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path

import msgspec

from monitor.cli.remote import fetch
from monitor.cli.runs import present_account
from monitor.faces.terminal import intake_page, summary
from monitor.figures import Figures, to_json
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Print the figures as text or as the document."""
    figures = figures_of_directory(Path(args.run)) if args.run is not None else asyncio.run(fetch(args.url))
    if args.intake:
        print_intake(figures, as_json=args.json)
    else:
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


def print_intake(figures: Figures, *, as_json: bool) -> None:
    """Print what came in: as text, or the parts of the document that tell of it."""
    if as_json:
        part = {
            "campaign": figures.campaign,
            "as_of_ms": figures.as_of_ms,
            "intake": figures.intake,
            "racks": figures.racks,
        }
        sys.stdout.buffer.write(msgspec.json.encode(part) + b"\n")
        sys.stdout.buffer.flush()
    else:
        print(intake_page(figures), end="")
