"""Runs as JSON lines: what is written comes back, and what is no run is told by its line."""

from __future__ import annotations

import hashlib
import json
import tempfile
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.campaign import Source
from monitor.journal import Run
from monitor.journal.exchange import (
    MAX_LINE_BYTES,
    ArchivedJournal,
    Line,
    archived_campaign,
    entry_line,
    last_line,
    open_writer,
    read_lines,
)
from shared.entries import Disposed, Entry, Measured, Readout, ReadPointFile, Received, Refused
from shared.errors import ContractError, InputError
from shared.messages import decode
from shared.topics import Kind, parse_topic
from tests.journal.entries import entries, entry, exactly, some_refused

PREFIX = "bench/lifebound"
GOOD = b'{"t_recv_ms":1,"topic":"lifebound/oven-1/presence","payload":{}}\n'

RUN = Run("a run", 0, Source("invented.toml", "[campaign]", "rack,board"))


def entry_of(line: Line) -> Entry:
    """A line read back by the contract's own decoder."""
    assert isinstance(line.t_recv_ms, int)
    if not isinstance(line.disposition, msgspec.UnsetType):
        return Disposed(line.t_recv_ms, line.disposition)
    if not isinstance(line.readpoint, msgspec.UnsetType):
        return Measured(line.t_recv_ms, line.readpoint)
    assert isinstance(line.topic, str)
    assert isinstance(line.payload, msgspec.Raw)
    topic = parse_topic(PREFIX, line.topic)
    assert topic is not None
    return Received(line.t_recv_ms, topic, decode(topic.kind, bytes(line.payload)))


def readpoint_line(**changes: Any) -> bytes:
    """A line of measurements with fields of it replaced, those of its one readout too."""
    readout = {"serial": "A-1", "read_point_h": 168.0, "parameter": "margin", "unit": "mV", "value": 1.5}
    readout["low_limit"] = 0.5
    whole = {"file": "a.csv", "sha256": "0" * 64, "mechanism": "m", "who": "R. Ostra", "when_ms": 7}
    readout |= {key: value for key, value in changes.items() if key not in {*whole, "readouts"}}
    whole |= {"readouts": [readout]} | {key: changes[key] for key in changes if key in {*whole, "readouts"}}
    return json.dumps({"t_recv_ms": 7, "readpoint": whole}, separators=(",", ":")).encode() + b"\n"


@pytest.mark.parametrize("name", ["run.jsonl", "run.jsonl.zst"])
@settings(max_examples=40)
@given(written=st.lists(entries, max_size=6), refused=some_refused)
def test_a_run_comes_back_as_it_was_written(name: str, written: list[Entry], refused: Refused) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        with open_writer(path) as out:
            for one in written:
                out.write(entry_line(one, PREFIX))
            out.write(last_line(refused, RUN))
        *lines, last = read_lines(path)
        assert archived_campaign(path) == RUN.source
    assert exactly([entry_of(line) for line in lines]) == exactly(written)
    assert last.intake == refused


def test_a_line_is_what_the_interface_says(tmp_path: Path) -> None:
    line = json.loads(entry_line(entry(3), "lifebound"))
    assert list(line) == ["t_recv_ms", "topic", "payload"]
    assert (line["t_recv_ms"], line["topic"]) == (3, "lifebound/oven-1/1/tally")
    assert line["payload"]["seq"] == 3


def test_a_line_of_measurements_is_what_the_interface_says(tmp_path: Path) -> None:
    """What is not known is left out."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(readpoint_line())
    (line,) = read_lines(path)
    readout = Readout(
        serial="A-1", read_point_h=168.0, parameter="margin", unit="mV", value=1.5, low_limit=0.5
    )
    file = ReadPointFile(
        file="a.csv", sha256="0" * 64, mechanism="m", who="R. Ostra", when_ms=7, readouts=(readout,)
    )
    assert entry_of(line) == Measured(7, file)
    assert entry_line(Measured(7, file), PREFIX) == readpoint_line()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"no json\n", "not a line of an exported run"),
        (b"[]\n", "not a line of an exported run"),
        (b"{}\n", "needs t_recv_ms with topic and payload"),
        (b'{"t_recv_ms":1,"topic":"a"}\n', "needs t_recv_ms with topic and payload"),
        (b'{"t_recv_ms":1.0,"topic":"a","payload":{}}\n', "not a line of an exported run"),
        (b'{"topic":"a","payload":{}}\n', "needs t_recv_ms"),
        (b'{"t_recv_ms":1,"disposition":{"serial":"A"}}\n', "not a line of an exported run"),
        (GOOD[:-2] + b',"intake":{}}\n', "needs t_recv_ms"),
        (readpoint_line()[:-2] + b',"intake":{}}\n', "needs t_recv_ms"),
        (readpoint_line()[:-2] + b',"topic":"a","payload":{}}\n', "needs t_recv_ms"),
        (readpoint_line().replace(b'"t_recv_ms":7,', b""), "needs t_recv_ms"),
        (readpoint_line(sha256="A" * 64), "not a line of an exported run"),
        (readpoint_line(file=""), "not a line of an exported run"),
        (readpoint_line(who=""), "not a line of an exported run"),
        (readpoint_line(readouts=None), "not a line of an exported run"),
        (readpoint_line(read_point_h=-1.0), "not a line of an exported run"),
        (readpoint_line(value="1.5"), "not a line of an exported run"),
        (readpoint_line(value=None), "not a line of an exported run"),
        (readpoint_line(unit="V" * 17), "not a line of an exported run"),
        (readpoint_line(removed_ms=2**70), "not a line of an exported run"),
        (readpoint_line().replace(b"1.5", b"1e999"), "not a line of an exported run"),
        (readpoint_line().replace(b"1.5", b"NaN"), "not a line of an exported run"),
        (b'{"intake":{"duplicates":-1}}\n', "not a line of an exported run"),
        (b'{"payload":' + b"[" * 50_000 + b"}\n", "not a line of an exported run"),
        (b'{"t_recv_ms":1,"topic":"a","payload":{', "not a line of an exported run"),
        (b'{"a":"' + b"x" * MAX_LINE_BYTES + b'"}\n', "longer than"),
    ],
)
def test_a_bad_line_is_named_by_its_number(tmp_path: Path, text: bytes, says: str) -> None:
    path = tmp_path / "run.jsonl"
    path.write_bytes(GOOD + b"\n" + GOOD + text)
    lines = read_lines(path)
    assert len([next(lines), next(lines)]) == 2, "an empty line is none, but it is counted"
    with pytest.raises(InputError, match=f"^{path} line 4: {says}"):
        next(lines)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nothing\.jsonl: no such file"):
        list(read_lines(tmp_path / "nothing.jsonl"))


def test_what_is_not_compressed_is_told(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl.zst"
    path.write_bytes(GOOD)
    with pytest.raises(InputError, match=r"run.jsonl.zst after line 0: cannot be read"):
        list(read_lines(path))


def test_a_compressed_run_that_is_cut_off_is_no_shorter_run(tmp_path: Path) -> None:
    path, cut = tmp_path / "run.jsonl.zst", tmp_path / "cut.jsonl.zst"
    with open_writer(path) as out:
        for number in range(2000):
            out.write(entry_line(entry(number), PREFIX))
    whole = path.read_bytes()
    for length in (1, len(whole) // 3, len(whole) - 1):
        cut.write_bytes(whole[:length])
        with pytest.raises(InputError, match=r"cut\.jsonl\.zst"):
            list(read_lines(cut))
    assert len(list(read_lines(path))) == 2000


def test_frames_that_follow_each_other_are_one_run(tmp_path: Path) -> None:
    """Compressed files may be joined end to end (RFC 8878, section 3.1.1)."""
    parts = [tmp_path / "1.jsonl.zst", tmp_path / "2.jsonl.zst"]
    for number, part in enumerate(parts):
        with open_writer(part) as out:
            out.write(entry_line(entry(number), PREFIX))
    joined = tmp_path / "joined.jsonl.zst"
    joined.write_bytes(b"".join(part.read_bytes() for part in parts))
    assert [line.t_recv_ms for line in read_lines(joined)] == [0, 1]


@pytest.mark.parametrize("name", ["run.jsonl", "run.jsonl.zst"])
def test_an_export_that_breaks_off_leaves_the_old_one(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(b"the old one")

    def write_half() -> None:
        with open_writer(path) as out:
            out.write(entry_line(entry(1), PREFIX))
            raise KeyError("something else went wrong")

    with pytest.raises(KeyError):
        write_half()
    assert path.read_bytes() == b"the old one"
    assert list(tmp_path.iterdir()) == [path]


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with (
        pytest.raises(InputError, match=r"run\.jsonl: cannot be written"),
        open_writer(tmp_path / "no" / "run.jsonl"),
    ):
        pass


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b'{"v":1,"temp_c":NaN}', "json"),
        (b'{"x":' + b"[" * 3000 + b"]" * 3000 + b"}", "depth"),
        (b"nonsense", "json"),
    ],
    ids=["NaN", "deep", "words"],
)
def test_a_message_that_is_no_json_is_for_the_contract_to_refuse(
    tmp_path: Path, payload: bytes, reason: str
) -> None:
    """A lost sensor written as NaN must not make a whole file unreadable; the envelope still names its topic."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(b'{"t_recv_ms": 5, "topic": "lifebound/oven-1/1/tally", "payload": ' + payload + b"}\n")
    (line,) = read_lines(path)
    assert (line.t_recv_ms, line.topic) == (5, "lifebound/oven-1/1/tally")
    with pytest.raises(ContractError) as refused:
        decode(Kind.TALLY, bytes(line.payload))
    assert refused.value.reason == reason


def test_a_line_that_is_cut_off_is_not_taken_for_a_broken_message(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_bytes(b'{"t_recv_ms":5,"topic":"lifebound/oven-1/1/tally","payload":{"v":1}')
    with pytest.raises(InputError, match="line 1"):
        list(read_lines(path))


@pytest.mark.parametrize("changed", ["taken out", "swapped", "doubled", "edited"])
def test_lines_that_are_not_those_which_were_exported_are_told(tmp_path: Path, changed: str) -> None:
    """Whoever folds them would get figures of a run that never was."""
    lines = [entry_line(entry(number), PREFIX) for number in range(3)]
    digest = hashlib.sha256(b"".join(lines)).hexdigest()
    end = last_line(Refused(), RUN, ArchivedJournal(3, f"3:{'0' * 64}", digest))
    path = tmp_path / "run.jsonl"
    path.write_bytes(b"".join(lines) + end)
    untold: list[str] = []
    assert len(list(read_lines(path, untold.append))) == 4
    assert untold == []
    altered = {
        "taken out": lines[:2],
        "swapped": [lines[1], lines[0], lines[2]],
        "doubled": [*lines, lines[2]],
        "edited": [lines[0], lines[1].replace(b'"t_recv_ms":', b'"t_recv_ms":1'), lines[2]],
    }[changed]
    assert altered != lines
    path.write_bytes(b"".join(altered) + end)
    told: list[str] = []
    assert len(list(read_lines(path, told.append))) == len(altered) + 1, "for what it is worth"
    assert f"line {len(altered) + 1}: the lines before it are not those that were exported" in told[0]
