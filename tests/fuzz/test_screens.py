"""Text from outside is never obeyed by a terminal: what any command prints holds no control character but line ends.

Every free text of a campaign, a recorded run, a journal, a file name and an argument carries sequences that clear a
screen, write to a clipboard, ring, return the carriage, turn the writing around, or mean something to a markup.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import unicodedata
from pathlib import Path
from typing import Any

import msgspec
import pytest

from monitor.cli.main import main
from monitor.faces.terminal import Link, plain_line, render
from monitor.journal import Run, SqliteJournal
from monitor.journal.exchange import Line, entry_line, read_lines
from monitor.rules.alerts import update
from monitor.service.account import Account
from monitor.service.logs import JsonFormatter
from shared.entries import Disposed, Disposition, Entry, Measured, Readout, ReadPointFile, Received
from shared.messages import decode
from shared.topics import parse_topic
from tests.figures.bench import READS_PER_H, START_MS, Bench, campaign_text, make_campaign
from tests.fuzz.hostile import TRICKS

HOSTILE = "\x1b[2J\x1b]52;c;aGk=\x07\r\x9b31m\u202e[/red]{0}%n\x7f\x00=1+1"
INVISIBLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


class Printed:
    """Runs commands in this process, and looks at every byte that they print."""

    def __init__(self, capture: pytest.CaptureFixture[bytes]) -> None:
        self._capture = capture

    def __call__(self, *argv: object, code: int | None = 0) -> str:
        self._capture.readouterr()
        try:
            got = main([str(word) for word in argv])
        except SystemExit as end:
            got = end.code if isinstance(end.code, int) else 0
        printed = self._capture.readouterr()
        text = (printed.out + printed.err).decode()
        strange = [char for char in text if unicodedata.category(char) in INVISIBLE and char != "\n"]
        assert strange == []
        assert "Traceback" not in text
        assert code is None or got == code, text
        return text


@pytest.fixture
def printed(capsysbinary: pytest.CaptureFixture[bytes]) -> Printed:
    return Printed(capsysbinary)


def lines_with_hostile_texts() -> list[Line]:
    """A run with a failure whose every free text is hostile: boots, software, topics, judgements, measurements."""
    bench = Bench()
    boot = HOSTILE[:64]
    bench.send(0, "oven-1/presence", {"boot": boot, "online": True, "boards": [1], "software": HOSTILE})
    bench.hours(0, 2, boot=boot)
    bench.error(0, 2.5, socket=1, boot=boot)
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [1, 0, 0, 0], boot=boot)
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [2, 0, 0, 0], boot=boot)  # a conflict
    bench.send(3, f"{HOSTILE}/1/tally", {"boot": boot})
    bench.send(3, f"oven-1/1/{HOSTILE}", {"boot": boot})
    bench.send(3, "oven-1/1/tally", {"boot": HOSTILE * 9, HOSTILE: HOSTILE})
    return bench.lines


def hostile_entries() -> list[Entry]:
    """What a person entered, in a run from elsewhere that never saw our checks."""
    readouts = [
        Readout(
            serial="A-1",
            read_point_h=h,
            parameter=HOSTILE,
            unit=HOSTILE[:16],
            value=20.0 - h / 100,
            low_limit=10.0,
        )
        for h in (0.0, 168.0, 500.0)
    ]
    judged = Disposition(
        serial="A-1", cls="relevant", mechanism=HOSTILE, who=HOSTILE, why=HOSTILE * 9, when_ms=START_MS
    )
    nobody = Disposition(serial=HOSTILE, cls="relevant", who=HOSTILE, why=HOSTILE, when_ms=START_MS)
    file = ReadPointFile(
        file=HOSTILE,
        sha256="0" * 64,
        mechanism=HOSTILE,
        who=HOSTILE,
        when_ms=START_MS,
        readouts=tuple(readouts),
    )
    return [Disposed(START_MS, judged), Disposed(START_MS, nobody), Measured(START_MS, file)]


@pytest.fixture
def exported(tmp_path: Path) -> Path:
    path = tmp_path / "hostile.jsonl"
    lines = [
        msgspec.json.encode({"t_recv_ms": one.t_recv_ms, "topic": one.topic, "payload": one.payload})
        for one in lines_with_hostile_texts()
    ]
    lines += [entry_line(entry, "lifebound").rstrip() for entry in hostile_entries()]
    counts = {
        "strangers": 1,
        "stranger_places": [[HOSTILE, 1, 2]],
        "invalid": 1,
        "invalid_reasons": {HOSTILE: 1},
    }
    archive = {"name": HOSTILE, "toml": campaign_text(), "chips_csv": None, "sha256": HOSTILE, "run": HOSTILE}
    lines.append(json.dumps({"intake": counts, "campaign": archive}).encode())
    path.write_bytes(b"\n".join(lines) + b"\n")
    return path


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """The same in a run directory."""
    folder = tmp_path / "run"
    account = Account(make_campaign())

    async def write() -> None:
        async with await SqliteJournal.create(folder, Run("r", START_MS, account.campaign.source)) as journal:
            for line in lines_with_hostile_texts():
                topic = parse_topic("lifebound", str(line.topic))
                judgement = account.session.judge(START_MS, str(line.topic), bytes(line.payload))  # type: ignore[arg-type]
                if topic is not None and judgement.entry is not None:
                    message = decode(topic.kind, bytes(line.payload))  # type: ignore[arg-type]
                    await journal.append([Received(START_MS, topic, message)], account.session.refused)
            await journal.append(hostile_entries())

    asyncio.run(write())
    return folder


def test_a_run_from_elsewhere(printed: Printed, exported: Path) -> None:
    told = json.loads(printed("replay", exported, "--json"))
    assert told["failures"][0]["serial"] == "A-1"
    assert told["failures"][0]["dispositions"][0]["why"] == HOSTILE * 9, (
        "nothing of it is lost in the document"
    )
    printed("replay", exported)
    printed("replay", exported, "--speed", "1e12", "--plain")
    printed("replay", exported, "--speed", "1e12", "--ascii")


def test_a_run_directory_from_elsewhere(printed: Printed, recorded: Path, tmp_path: Path) -> None:
    for words in (
        ["figures", "--run", recorded],
        ["figures", "--run", recorded, "--json"],
        ["replay", recorded],
    ):
        printed(*words)
    printed("figures", "--run", recorded, "--intake", code=None)
    printed("check", recorded, code=None)
    printed("export", recorded, tmp_path / "out.jsonl")
    raw = (tmp_path / "out.jsonl").read_bytes()
    assert not set(raw) & (set(range(32)) - {10}), "a line of an export ends where it ends"
    assert len(list(read_lines(tmp_path / "out.jsonl"))) == len(raw.splitlines())
    judge = [
        "disposition",
        "--run",
        recorded,
        "--serial",
        "A-1",
        "--class",
        "relevant",
        "--who",
        "w",
        "--why",
        "y",
    ]
    printed(*judge)
    printed(*judge, "--json")
    (tmp_path / "rp.csv").write_text(
        "serial,read_point_h,parameter,unit,value,low_limit,high_limit,removed_at,measured_at\nA-1,0,margin,mV,20,10,,,\n"
    )
    for more in (["--check"], ["--check", "--json"]):
        printed("readpoint", tmp_path / "rp.csv", "--run", recorded, "--mechanism", "charge-loss", *more)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_the_view_and_its_lines(exported: Path, ascii_only: bool) -> None:
    account = Account(make_campaign())
    for line in read_lines(exported):
        account.hear(line)
    figures = account.figures()
    alerts = update([], figures, START_MS)
    link = Link(HOSTILE, "lost", 3.0, 1.0, note=HOSTILE)
    for width in (40, 100, 200):
        shown = render(figures, alerts, link, width, 60, ascii_only=ascii_only)
        text = shown.plain if hasattr(shown, "plain") else str(shown)
        assert [c for c in text if unicodedata.category(c) in INVISIBLE and c != "\n"] == []
    assert plain_line(figures, alerts, link).isprintable()


FREE = [
    "title",
    "id",
    "name",
    "rack",
    "lot",
    "serial",
    "sockets",
    "prefix",
    "accelerate_at",
    "chips_file",
    "reads_on",
]


@pytest.mark.parametrize("key", FREE)
@pytest.mark.parametrize("trick", [*TRICKS, HOSTILE])
def test_a_campaign_with_a_hostile_text(printed: Printed, tmp_path: Path, key: str, trick: str) -> None:
    """It is refused in a sentence, or shown harmlessly."""
    chip: dict[str, Any] = {"rack": "oven-1", "board": 1, "sockets": "1-2", "lot": "A", "serial": "A-{n}"}
    changes: dict[str, Any] = {
        "title": {"campaign": {"title": trick}},
        "id": {"campaign": {"id": trick}},
        "name": {"mechanism": [{"name": trick, "ea_ev": 0.7}]},
        "prefix": {"intake": {"prefix": trick}},
        "accelerate_at": {"stress": {"accelerate_at": trick}},
        "chips_file": {"chips_file": trick},
        "reads_on": {"use": {"reads_on": trick}},
    }
    path = tmp_path / "c.toml"
    text = campaign_text(**changes.get(key, {"chips": [{**chip, key: trick}]}))
    path.write_text(text.replace("\x7f", "\\u007f"))
    printed("check", path, code=None)
    printed("check", path, "--json", code=None)


def test_keys_with_hostile_names(printed: Printed, tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    key = json.dumps(HOSTILE).replace("\x7f", "\\u007f")
    path.write_text(f"{campaign_text()}{key} = 1\n[x]\n{key} = {key}\n")
    assert "unknown key" in printed("check", path, code=2)
    path.write_text(f"{key} = {key}\n{key} = 1\n\x1b[2J\u202e = =")
    printed("check", path, code=2)


NAMES = [
    "\x1b[2J\x07",
    "a\nlifebound: all is well",
    "\u202egnp",
    "-x",
    "a\udcffb",
    "n" * 300,
    "x" * 5000,
    "\x9b31m\x7f",
    "",
]


@pytest.mark.parametrize("name", NAMES)
def test_hostile_arguments(printed: Printed, recorded: Path, tmp_path: Path, name: str) -> None:
    """Names of files that are not there, or that cannot be; values that are none. A sentence, and no more than one."""
    good = tmp_path / "c.toml"
    good.write_text(campaign_text())
    run = str(recorded)
    signed = ["--class", "relevant", "--who", "w", "--why", "y"]
    for words in (
        [name],
        ["check", name],
        ["check", good, name],
        ["check", good, f"--{name}"],
        ["figures", "--run", name],
        ["figures", "--url", f"http://{name}"],
        ["watch", "--run", name, "--plain"],
        ["replay", name],
        ["replay", f"{name}.jsonl.zst"],
        ["replay", run, "--campaign", name],
        ["replay", run, "--speed", name],
        ["export", name, tmp_path / "o.jsonl"],
        ["export", run, f"{name}/o.jsonl"],
        ["export", run, f"{name}o.csv"],
        ["disposition", "--run", name, "--serial", "A-1", *signed],
        ["disposition", "--run", run, "--serial", f"{name}!", *signed],
        ["disposition", "--run", run, "--serial", "A-1", "--mechanism", f"{name}!", *signed],
        ["disposition", "--run", run, "--serial", "A-1", "--class", name, "--who", "w", "--why", "y"],
        ["readpoint", f"{name}.csv", "--run", run, "--who", "w"],
        ["readpoint", good, "--run", name, "--who", "w"],
        ["serve", good, "--broker", f"mqtt://127.0.0.1:1/{name}x"],
        ["serve", good, "--broker", f"mqtt://{'x' * 70}{name}", "--run", f"{tmp_path}\0"],
        ["serve", good, "--http", f"{name}:x"],
        ["serve", good, "--webhook", f"ftp://{name}"],
        ["serve", name],
        ["simulate", good, "--out", f"{name}.txt"],
        ["simulate", good, "--out", tmp_path / "o.jsonl", "--fail", f"{name}@1"],
        ["plan", "--campaign", name],
        ["plan", "--chips", name],
    ):
        text = printed(*words, code=None)
        assert "lifebound" in text or name == ""  # nothing asked for, nothing wrong
        assert not any(line.startswith("lifebound: all is well") for line in text.splitlines())
        assert len(text) < 20_000 or name in ("--help",)


def test_a_file_with_a_hostile_name(printed: Printed, recorded: Path, tmp_path: Path) -> None:
    folder = tmp_path / os.fsdecode(b"\x1b[2J\nlifebound: \xff\xe2\x80\xae")
    folder.mkdir()
    (folder / "c.toml").write_text(campaign_text())
    printed("check", folder / "c.toml")
    printed(
        "simulate",
        folder / "c.toml",
        "--out",
        folder / "o.jsonl",
        "--hours",
        "2",
        "--truth",
        folder / "t.json",
    )
    printed("replay", folder / "o.jsonl")
    printed("replay", folder / "o.jsonl", "--speed", "1e12", "--plain")
    printed("export", recorded, folder / "e.jsonl.zst")
    printed("export", recorded, folder / "e.jsonl", "--json")
    (folder / "bad.jsonl").write_bytes(
        b'{"t_recv_ms":1,"disposition":{"serial":"A","class":"\xc2\x9b31m\xe2\x80\xae"}}\n'
    )
    assert "line 1" in printed("replay", folder / "bad.jsonl", "--campaign", folder / "c.toml", code=2)
    (folder / "bad.toml").write_text("a = = 1")
    printed("check", folder / "bad.toml", code=2)


@pytest.mark.parametrize("text", [*TRICKS, HOSTILE, "\ud800"])
def test_a_log_line_is_one_line_of_ascii(text: str) -> None:
    record = logging.LogRecord("x", logging.INFO, "f", 1, "refused %s", (text,), None)
    record.rack = text
    line = JsonFormatter().format(record)
    assert line.isascii()
    assert line.isprintable()
    told = json.loads(line)
    assert told["event"] == f"refused {text}"
    assert told["rack"] == text
