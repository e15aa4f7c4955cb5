"""``lifebound check RUN``: the head to copy, an exit code, what is wrong by name; for a directory and for an export."""

from __future__ import annotations

import asyncio
import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from importlib import resources
from pathlib import Path

import pytest
import zstandard

from monitor.campaign import Source, parse
from monitor.journal import FILE_NAME, Head, Run, SqliteJournal, chain
from monitor.service.account import restore, snapshot_of
from monitor.service.rundir import write_snapshot
from shared.entries import Refused
from tests.cli.command import lifebound
from tests.journal.entries import entry

EXAMPLE = resources.files("monitor.campaign") / "examples" / "tern-a1.toml"
SOURCE = Source("tern-a1.toml", EXAMPLE.read_text(encoding="utf-8"))
HEADS = list[str]


async def _record(folder: Path, run: Run) -> HEADS:
    heads = []
    async with await SqliteJournal.create(folder, run) as journal:
        for number in range(5):
            heads.append(str(journal.head))
            await journal.append([entry(number), entry(1000 + number)], Refused(invalid=number))
        account = await restore(parse(SOURCE), journal)
        write_snapshot(folder, snapshot_of(account, journal))
        return [*heads, str(journal.head)]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, HEADS]:
    """A sound run of five batches, and its head after each."""
    folder = tmp_path_factory.mktemp("recorded") / "run"
    return folder, asyncio.run(_record(folder, Run("the run", 1_790_000_000_000, SOURCE)))


@pytest.fixture
def run_dir(tmp_path: Path, recorded: tuple[Path, HEADS]) -> Path:
    """A copy to spoil."""
    return Path(shutil.copytree(recorded[0], tmp_path / "run"))


def alter(folder: Path, statement: str) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        db.execute(statement)


def test_a_sound_run_prints_its_head_first(
    capsys: pytest.CaptureFixture[str], recorded: tuple[Path, HEADS]
) -> None:
    folder, heads = recorded
    done = lifebound(capsys, "check", folder)
    assert (done.code, done.err) == (0, "")
    lines = done.out.splitlines()
    assert lines[0] == f"head {heads[-1]}"
    assert "10 entries in 5 batches" in done.out
    assert lines[-1].strip() == "sound: nothing is wrong"
    assert "note" not in done.out, "the snapshot is of use"
    facts = json.loads(lifebound(capsys, "check", folder, "--json").out)
    assert (facts["head"], facts["sound"], facts["run"], facts["batches"]) == (heads[-1], True, "the run", 5)
    assert (facts["entries"], facts["first_ms"], facts["last_ms"], facts["findings"]) == (10, 0, 1004, [])


@pytest.mark.parametrize("after", range(6))
def test_every_head_that_was_noted_is_still_in_the_chain(
    capsys: pytest.CaptureFixture[str], recorded: tuple[Path, HEADS], after: int
) -> None:
    folder, heads = recorded
    assert lifebound(capsys, "check", folder, "--head", heads[after]).code == 0
    number, digest = heads[after].split(":")
    other = f"{number}:{'0' * 64}"
    done = lifebound(capsys, "check", folder, "--head", other)
    assert done.code == 1
    assert f"batch {number} has another hash than was noted" in done.out
    assert done.out.splitlines()[0] == "head none that is worth noting"
    assert digest not in done.out


def test_a_run_that_was_changed_is_told_by_exit_code_and_name(
    capsys: pytest.CaptureFixture[str], run_dir: Path
) -> None:
    alter(run_dir, "UPDATE batch SET body = zeroblob(40) WHERE id = 3")
    done = lifebound(capsys, "check", run_dir)
    assert (done.code, done.err) == (1, "")
    assert "wrong: batch 3 changed: the hash does not fit the contents" in done.out
    assert "NOT sound" in done.out
    (finding,) = json.loads(lifebound(capsys, "check", run_dir, "--json").out)["findings"]
    assert (finding["severity"], finding["kind"], finding["first"], finding["last"]) == (
        "wrong",
        "changed",
        3,
        3,
    )


def test_a_run_that_was_cut_off_is_told_by_the_head(
    capsys: pytest.CaptureFixture[str], run_dir: Path, recorded: tuple[Path, HEADS]
) -> None:
    alter(run_dir, "DELETE FROM batch WHERE id > 3")
    alter(run_dir, """UPDATE refused SET value = replace(value, '"invalid":4', '"invalid":2')""")
    assert lifebound(capsys, "check", run_dir).code == 0, "a chain does not know how long it was"
    done = lifebound(capsys, "check", run_dir, "--head", recorded[1][-1])
    assert done.code == 1
    assert "batches 4 to 5 missing at the end: the head that was noted is 5" in done.out


@pytest.mark.parametrize("how", ["damaged", "beyond the end"])
def test_a_snapshot_of_no_use_is_a_note(capsys: pytest.CaptureFixture[str], run_dir: Path, how: str) -> None:
    if how == "damaged":
        write_snapshot(run_dir, b"x" * 500)
    else:
        alter(run_dir, "DELETE FROM batch WHERE id = 5")
    done = lifebound(capsys, "check", run_dir)
    assert done.code == (0 if how == "damaged" else 1)
    assert "note: the snapshot is of no use to this run" in done.out


def test_nothing_from_the_file_reaches_the_terminal_as_it_is(
    capsys: pytest.CaptureFixture[str], run_dir: Path
) -> None:
    """Names of tables and files, facts of the run: all may be from elsewhere."""
    evil = "\x1b]0;owned\x07\u202e"
    alter(run_dir, f'CREATE TABLE "{evil}" (x)')
    alter(run_dir, f"UPDATE run SET value = '{evil}' WHERE key = 'id'")
    (run_dir / f"{evil}.partial").touch()
    for words in ([], ["--json"]):
        done = lifebound(capsys, "check", run_dir, *words)
        assert done.code == 1
        assert all(line.isprintable() for line in done.out.splitlines())


def test_many_findings_are_cut_short_in_words(capsys: pytest.CaptureFixture[str], run_dir: Path) -> None:
    for number in range(150):
        (run_dir / f"{number}.partial").touch()
    assert "and 50 more" in lifebound(capsys, "check", run_dir).out
    assert len(json.loads(lifebound(capsys, "check", run_dir, "--json").out)["findings"]) == 150


# ---------------------------------------------------------------- exported files


@pytest.fixture(params=["run.jsonl", "run.jsonl.zst"])
def exported(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    recorded: tuple[Path, HEADS],
) -> Path:
    """An export of the sound run."""
    path = tmp_path / str(request.param)
    assert lifebound(capsys, "export", recorded[0], path).code == 0
    return path


def lines_of(path: Path) -> list[bytes]:
    data = path.read_bytes()
    if path.suffix == ".zst":
        data = zstandard.ZstdDecompressor().decompressobj().decompress(data)
    return data.splitlines(keepends=True)


def write(path: Path, lines: list[bytes]) -> None:
    data = b"".join(lines)
    path.write_bytes(zstandard.ZstdCompressor().compress(data) if path.suffix == ".zst" else data)


def test_an_export_says_what_it_was_made_from(exported: Path, recorded: tuple[Path, HEADS]) -> None:
    *lines, last = lines_of(exported)
    digest = hashlib.sha256(b"".join(lines)).hexdigest()
    assert json.loads(last)["journal"] == {"batches": 5, "head": recorded[1][-1], "lines_sha256": digest}


def test_a_sound_export(
    capsys: pytest.CaptureFixture[str], exported: Path, recorded: tuple[Path, HEADS]
) -> None:
    heads = recorded[1]
    for words in ([], ["--head", heads[-1]]):
        done = lifebound(capsys, "check", exported, *words)
        assert (done.code, done.out.splitlines()[0]) == (0, f"head {heads[-1]}")
        assert "note" not in done.out
    facts = json.loads(lifebound(capsys, "check", exported, "--json").out)
    assert (facts["run"], facts["entries"], facts["batches"]) == ("the run", 10, 5)
    assert "exported after the head was noted" in lifebound(capsys, "check", exported, "--head", heads[2]).out


def test_an_export_is_held_against_the_head_that_was_noted(
    capsys: pytest.CaptureFixture[str], exported: Path
) -> None:
    for head, says in (
        (f"5:{'0' * 64}", "batch 5 has another hash"),
        (f"6:{'0' * 64}", "before the head that"),
    ):
        done = lifebound(capsys, "check", exported, "--head", head)
        assert done.code == 1
        assert says in done.out


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda lines: [*lines[:3], *lines[4:]], "the lines are not those"),
        (lambda lines: [lines[1], lines[0], *lines[2:]], "the lines are not those"),
        (
            lambda lines: [lines[0].replace(b'"temp_c":125.0', b'"temp_c":125.1'), *lines[1:]],
            "the lines are not",
        ),
        (lambda lines: [lines[0][:-1] + b" \n", *lines[1:]], "the lines are not those"),
        (lambda lines: [lines[0], b"\n", *lines[1:]], "the lines are not those"),
        (lambda lines: [lines[0], *lines], "the lines are not those"),
        (lambda lines: lines[:-1], "the last line is missing"),
        (lambda lines: [*lines, lines[-1]], "there twice"),
        (lambda lines: [*lines, lines[0]], "lines follow the last one"),
        (lambda lines: [*lines[:2], b"{\x1b[2J\n", *lines[2:]], "line 3"),
        (lambda lines: [*lines[:-1], lines[-1].replace(b'"head":"5:', b'"head":"4:')], "its head is none"),
        (
            lambda lines: [*lines[:-1], lines[-1].replace(b'"head":"5:', b'"head":"\\u001b')],
            "its head is none",
        ),
        (lambda lines: [*lines[:-1], lines[-1].replace(b"planned_hours", b"planned_hourz")], "hash was kept"),
        (lambda lines: [*lines[:-1], _without(lines[-1], "campaign")], "it does not hold its campaign"),
    ],
)
def test_a_changed_export_is_told(
    capsys: pytest.CaptureFixture[str], exported: Path, spoil: object, says: str
) -> None:
    assert callable(spoil)
    write(exported, spoil(lines_of(exported)))
    done = lifebound(capsys, "check", exported)
    assert done.code == 1
    assert says in done.out
    assert done.out.isascii()
    assert all(line.isprintable() for line in done.out.splitlines())


def _without(line: bytes, key: str) -> bytes:
    whole = json.loads(line)
    del whole[key]
    return json.dumps(whole, separators=(",", ":")).encode() + b"\n"


def test_an_export_of_before_has_only_a_note(capsys: pytest.CaptureFixture[str], exported: Path) -> None:
    *lines, last = lines_of(exported)
    write(exported, [*lines, _without(last, "journal")])
    done = lifebound(capsys, "check", exported)
    assert done.code == 0
    assert "note: it does not say what its lines hash to" in done.out
    assert lifebound(capsys, "check", exported, "--head", f"5:{'0' * 64}").code == 1, (
        "there is nothing to compare"
    )


def test_an_export_that_is_cut_off_or_missing(capsys: pytest.CaptureFixture[str], exported: Path) -> None:
    exported.write_bytes(exported.read_bytes()[:-30])
    assert lifebound(capsys, "check", exported).code == 1
    exported.unlink()
    done = lifebound(capsys, "check", exported)
    assert (done.code, done.out) == (2, "")
    assert "no such file" in done.err


def test_the_genesis_of_a_run_is_its_first_head(recorded: tuple[Path, HEADS]) -> None:
    """What may be noted when a run begins, before anything has arrived."""
    facts = {"id": "the run", "began_ms": "1790000000000", "campaign_name": "tern-a1.toml"}
    facts |= {"campaign_toml": SOURCE.toml, "campaign_sha256": SOURCE.sha256}
    assert Head.parse(recorded[1][0]) == Head(0, chain.genesis(facts).hex())
