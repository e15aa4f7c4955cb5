"""What lies on a disk or answers a request may be damaged, of another version, or made to do harm: it is refused.

Batches and files of the journal, snapshots, notes of where a service listens, figures documents.
"""

from __future__ import annotations

import asyncio
import json
import os
import sqlite3
from pathlib import Path
from typing import Any

import msgspec
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import parse
from monitor.figures import Figures, from_json, to_json
from monitor.journal import FILE_NAME, Run, SqliteJournal
from monitor.journal.codec import CorruptError, pack, unpack
from monitor.ledger import freeze, thaw
from monitor.service.account import restore
from monitor.service.rundir import read_note, read_snapshot
from shared.entries import Disposed, Disposition, Entry, Received
from shared.errors import LifeboundError
from shared.messages import Presence, Tally, decode
from shared.topics import Kind, Topic, parse_topic
from tests.figures.bench import START_MS, Bench
from tests.fuzz.effort import attempt, effort
from tests.fuzz.hostile import numbers, spliced, texts, values

TALLY = {"v": 1, "boot": "b", "seq": 0, "t_ms": 1, "up_ms": 1, "temp_c": 1.5, "supply_v": None}
ENTRIES: list[Entry] = [
    Received(1, Topic("oven-1", 1, Kind.TALLY), Tally(**TALLY, reads=[1], errors=[0])),  # type: ignore[arg-type]
    Received(2, Topic("oven-1", 0, Kind.PRESENCE), Presence(v=1, online=False, boot="b", t_ms=0)),
    Disposed(3, Disposition(serial="A-1", cls="relevant", who="w", why="y", when_ms=1)),
]


def benched() -> Bench:
    bench = Bench()
    bench.presence(0, online=True)
    bench.hours(0, 3)
    bench.error(0, 2.5, socket=1)
    bench.judge(3, "A-1", "relevant")
    return bench


# --- the journal ---------------------------------------------------------------------------------------------------


@effort(100)
@given(st.data())
def test_a_batch_of_any_bytes(data: st.DataObject) -> None:
    body = data.draw(st.binary(max_size=60) | spliced(pack(ENTRIES)))
    if data.draw(st.booleans()):
        kind = st.sampled_from(["tally", "error", "presence", "disposition", "readpoint"]) | texts
        rows = data.draw(st.lists(st.tuples(numbers, kind, texts, numbers, values), max_size=3))
        body = zstandard.ZstdCompressor().compress(msgspec.msgpack.encode(_small(rows)))
    try:
        entries = unpack(body)
    except CorruptError:
        return
    assert unpack(pack(entries)) == entries


def _small(rows: Any) -> Any:
    """Rows with integers that MessagePack can hold."""
    if isinstance(rows, list | tuple):
        return [_small(item) for item in rows]
    if isinstance(rows, dict):
        return {key: _small(item) for key, item in rows.items()}
    return rows if not isinstance(rows, int) or abs(rows) < 2**63 else 2**63


@pytest.fixture(scope="module")
def run_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small run on disk, its file whole."""
    folder = tmp_path_factory.mktemp("stored") / "run"
    bench = benched()

    async def write() -> None:
        async with await SqliteJournal.create(
            folder, Run("r", START_MS, bench.account.campaign.source)
        ) as journal:
            for line in bench.lines:
                if not isinstance(line.topic, msgspec.UnsetType):
                    topic = parse_topic("lifebound", line.topic)
                    assert topic is not None
                    message = decode(topic.kind, bytes(line.payload))  # type: ignore[arg-type]
                    await journal.append([Received(START_MS, topic, message)])

    asyncio.run(write())
    with sqlite3.connect(folder / FILE_NAME) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    return folder


async def _figures(folder: Path) -> Figures:
    async with await SqliteJournal.open(folder) as journal:
        return (await restore(parse(journal.run.source), journal, read_snapshot(folder))).figures()


@effort(40)
@given(st.data())
def test_a_damaged_journal_is_told_or_holds_what_it_held(
    tmp_path_factory: pytest.TempPathFactory, run_dir: Path, data: st.DataObject
) -> None:
    folder = Path(tmp_path_factory.mktemp("damaged"))
    whole = (run_dir / FILE_NAME).read_bytes()
    body = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(body) - 1) | st.integers(0, 100))
        piece = data.draw(st.binary(min_size=1, max_size=8))
        body[at : at + len(piece)] = piece
    if data.draw(st.integers(0, 4)) == 0:
        del body[data.draw(st.integers(0, len(body))) :]
    (folder / FILE_NAME).write_bytes(bytes(body))
    figures = attempt(asyncio.run, _figures(folder))
    if figures is not None:
        assert to_json(figures)


def test_the_journal_that_is_damaged_is_good(run_dir: Path) -> None:
    figures = asyncio.run(_figures(run_dir))
    assert (figures.chips.failed, figures.intake.accepted) == (1, 6)


@pytest.mark.parametrize("kind", ["fifo", "directory", "dangling", "another", "empty", "zeros"])
def test_what_is_no_journal_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    path = tmp_path / FILE_NAME
    match kind:
        case "fifo":
            os.mkfifo(path)
        case "directory":
            path.mkdir()
        case "dangling":
            path.symlink_to(tmp_path / "nowhere")
        case "another":
            with sqlite3.connect(path) as db:
                db.execute("CREATE TABLE batch (id INTEGER PRIMARY KEY, body BLOB)")
            db.close()
        case "empty":
            path.touch()
        case "zeros":
            path.write_bytes(bytes(8192))
    with pytest.raises(LifeboundError):
        asyncio.run(_figures(tmp_path))


# --- snapshots and notes -------------------------------------------------------------------------------------------


BENCH = benched()
FROZEN = freeze(BENCH.account.ledger)


@effort(150)
@given(st.data())
def test_a_snapshot_of_any_content_is_taken_up_or_left_alone(data: st.DataObject) -> None:
    bench = BENCH
    frozen = FROZEN
    if data.draw(st.booleans()):
        thaw(bench.account.campaign, data.draw(st.binary(max_size=40) | spliced(frozen)))
        return
    state = json.loads(frozen)
    table: Any = state
    while True:
        key = data.draw(
            st.sampled_from(sorted(table)) if isinstance(table, dict) else st.integers(0, len(table) - 1)
        )
        if not isinstance(table[key], dict | list) or not table[key] or data.draw(st.integers(0, 5)) == 0:
            break
        table = table[key]
    table[key] = data.draw(values)
    thaw(bench.account.campaign, json.dumps(state).encode())


@pytest.mark.parametrize("spoil", ["accounts", "board", "newest", "witnesses", "deep"])
def test_a_snapshot_that_contradicts_the_campaign_is_left_alone(spoil: str) -> None:
    """Its checksum keeps no secret: what it says is checked, not believed."""
    bench = benched()
    state = json.loads(freeze(bench.account.ledger))
    match spoil:
        case "accounts":
            name = next(name for name, value in state["accounts"].items() if isinstance(value, list))
            state["accounts"][name] = ["<i8", [1], "AAAAAAAAAAA="]
        case "board":
            state["boards"][0]["number"] = 77
        case "newest":
            state["boards"][0]["newest"] = "a boot that never was"
        case "witnesses":
            state["witnesses"].pop()
    text = json.dumps(state).encode()
    assert thaw(bench.account.campaign, b"[" * 100_000 if spoil == "deep" else text) is None


@effort(60)
@given(st.data())
def test_a_note_of_any_bytes_says_where_a_service_listens_or_nothing(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    whole = b'{"pid":1,"http":"http://127.0.0.1:1","broker":"b","run":"r"}'
    (folder / "service.json").write_bytes(data.draw(st.binary(max_size=30) | spliced(whole)))
    note = read_note(folder)
    assert note is None or isinstance(note.pid, int)


# --- figures -------------------------------------------------------------------------------------------------------


DOCUMENT = to_json(benched().figures)


@effort(80)
@given(st.data())
def test_a_figures_document_of_any_bytes(data: st.DataObject) -> None:
    """A client takes what a service answers; only what the docstring names is raised."""
    payload = data.draw(st.binary(max_size=40) | spliced(DOCUMENT))
    try:
        figures = from_json(payload)
    except msgspec.MsgspecError:
        return
    assert from_json(to_json(figures)) == figures
