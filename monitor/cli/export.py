"""``lifebound export``: a run as JSON lines."""

from __future__ import annotations

import argparse
import asyncio
import json
from pathlib import Path

from monitor.campaign import parse
from monitor.journal import SqliteJournal
from monitor.journal.exchange import entry_line, last_line, open_writer
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Write the export and say how much it holds."""
    out = Path(args.out)
    if not out.name.endswith((".jsonl", ".jsonl.zst")):
        raise InputError(f"{out}: the name must end in .jsonl or .jsonl.zst")
    entries = asyncio.run(_export(Path(args.run), out))
    facts = {"out": str(out), "entries": entries, "bytes": out.stat().st_size}
    print(json.dumps(facts) if args.json else f"{out}: {entries} entries, {facts['bytes']} bytes")
    return 0


async def _export(run_dir: Path, out: Path) -> int:
    count = 0
    async with await SqliteJournal.open(run_dir) as journal:
        prefix = parse(journal.run.source).prefix
        with open_writer(out) as stream:
            async for batch in journal.batches():
                stream.write(b"".join(entry_line(entry, prefix) for entry in batch))
                count += len(batch)
            stream.write(last_line(await journal.refused(), journal.run))
    return count
