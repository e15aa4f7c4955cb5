"""``lifebound token``: make the token of a run, or take it away."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.service.access import make_token, revoke_token
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Make a token and print it once, or revoke it."""
    folder = Path(args.run)
    if folder.exists() and not folder.is_dir():
        raise InputError(f"--run {args.run}: is no directory")
    if args.revoke:
        there_was = revoke_token(folder)
        print("The token is revoked." if there_was else "There was no token.", file=sys.stderr)
        return 0
    print(make_token(folder), flush=True)
    print(
        "This is the only time it is shown; an earlier one no longer holds. Clients take it from "
        "LIFEBOUND_HTTP_TOKEN_FILE or LIFEBOUND_HTTP_TOKEN.",
        file=sys.stderr,
    )
    return 0
