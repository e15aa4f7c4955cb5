"""Does each kind of bound cover the truth as often as it says? Thousands of campaigns of chips whose lives are known.

``python -m benchmarks.calibration`` (``make calibration``) writes docs/calibration.md; ``--json`` prints the rows.
Every group of rows has a random stream of its own, so that a row depends on the seed and the number of campaigns alone.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from benchmarks.calibration.groups import all_rows
from benchmarks.calibration.table import as_json, page

PAGE = Path(__file__).parents[2] / "docs" / "calibration.md"
CAMPAIGNS, END_TO_END, SEED = 10_000, 20, 20_260_601


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, and write the page or print JSON; 1 where a verdict is not the one expected."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.calibration", description=__doc__.splitlines()[0]
    )
    parser.add_argument(
        "--campaigns", type=int, default=CAMPAIGNS, help="campaigns a row (default: %(default)s)"
    )
    parser.add_argument(
        "--end-to-end", type=int, default=END_TO_END, help="campaigns through the line (default: %(default)s)"
    )
    parser.add_argument("--seed", type=int, default=SEED, help="default: %(default)s")
    parser.add_argument("--json", action="store_true", help="print the rows as JSON and write no page")
    args = parser.parse_args(arguments)
    if args.campaigns < 100 or args.end_to_end < 1 or args.seed < 0:
        parser.error("--campaigns must be at least 100, --end-to-end at least 1 and --seed at least 0")
    rows = all_rows(args.seed, args.campaigns, args.end_to_end)
    if args.json:
        print(as_json(rows))
    else:
        text = page(rows, args.seed, args.campaigns, args.end_to_end)
        PAGE.write_text(text, encoding="utf-8")
        print(text)
    return int(any(each.is_finding for group in rows.values() for each in group))


if __name__ == "__main__":
    raise SystemExit(main())
