"""``lifebound export``: a run as JSON lines."""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import json
from pathlib import Path

from monitor.campaign import parse
from monitor.journal import SqliteJournal
from monitor.journal.exchange import ArchivedJournal, entry_line, last_line, open_writer
from shared.errors import InputError
from shared.shown import escape, plain_json


def run(args: argparse.Namespace) -> int:
    """Write the export and say how much it holds."""
    out = Path(args.out)
    if not out.name.endswith((".jsonl", ".jsonl.zst")):
        raise InputError(f"{out}: the name must end in .jsonl or .jsonl.zst")
    entries = asyncio.run(_export(Path(args.run), out))
    facts = {"out": str(out), "entries": entries, "bytes": out.stat().st_size}
    if args.json:
        print(plain_json(json.dumps(facts)))
    else:
        print(escape(f"{out}: {entries} entries, {facts['bytes']} bytes"))
    return 0


async def _export(run_dir: Path, out: Path) -> int:
    count, digest = 0, hashlib.sha256()
    async with await SqliteJournal.open(run_dir) as journal:
        prefix = parse(journal.run.source).prefix
        with open_writer(out) as stream:
            while (
                True
            ):  # until the counts are those of the last batch written, while a service may be recording
                async for batch in journal.batches(journal.position):
                    lines = b"".join(entry_line(entry, prefix) for entry in batch)
                    digest.update(lines)
                    stream.write(lines)
                    count += len(batch)
                refused = await journal.refused()
                if not await journal.has_news():
                    break
            head = journal.head
            archived = ArchivedJournal(head.number, str(head), digest.hexdigest())
            stream.write(last_line(refused, journal.run, archived))
    return count
