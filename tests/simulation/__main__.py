"""``python -m tests.simulation``: play seeds, tell the ones that fail, and what was injected."""

from __future__ import annotations

import argparse
import sys
import time

from tests.simulation.table import Table
from tests.simulation.world import run_seed


def main() -> int:
    """Play; 1 when a seed failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--seeds", type=int, default=1000, help="how many seeds")
    parser.add_argument("--from", dest="first", type=int, default=0, help="the first of them")
    parser.add_argument("--seed", type=int, help="play this one alone, and print all that happens in it")
    args = parser.parse_args()
    if args.seed is not None:
        return _alone(args.seed)
    table, began_s = Table(), time.monotonic()
    for number, seed in enumerate(range(args.first, args.first + args.seeds), start=1):
        outcome = run_seed(seed)
        table.add(outcome)
        if outcome.failures:
            print(f"\nseed {seed} failed: {outcome.failures[0]}\n  {reproduce(seed)}", flush=True)
        if number % 10 == 0 or number == args.seeds:
            pace = f"{number} of {args.seeds} seeds, {len(table.failed)} failed"
            print(f"\r{pace}, {time.monotonic() - began_s:.0f} s", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(table.text())
    return 1 if table.failed else 0


def _alone(seed: int) -> int:
    outcome = run_seed(seed, keep_log=True)
    for line in outcome.log:
        print(line)
    print(f"seed {seed}: hash of events {outcome.digest}")
    for failure in outcome.failures:
        print(f"FAILED: {failure}")
    return 1 if outcome.failures else 0


def reproduce(seed: int) -> str:
    """The command that plays a seed again."""
    return f"python -m tests.simulation --seed {seed}"


if __name__ == "__main__":
    sys.exit(main())
