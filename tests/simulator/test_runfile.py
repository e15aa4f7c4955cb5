"""The run file: the export format, in order of arrival, plain and packed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import zstandard

from shared.messages import Presence, decode
from shared.topics import Kind, parse_topic
from simulator.runfile import write_run, write_truth
from simulator.scenario import Options, Setup, Truth, preset

START_MS = 1_790_000_000_000
MakeSetup = Callable[..., Setup]


def test_every_line_is_a_message_in_order_of_arrival(make_setup: MakeSetup, tmp_path: Path) -> None:
    setup = make_setup(prefix="plant/hall-2")
    options = Options(3, 6.0, preset("demo", setup, 6.0))
    truth = write_run(setup, options, tmp_path / "run.jsonl", START_MS)
    lines = [json.loads(line) for line in (tmp_path / "run.jsonl").read_bytes().splitlines()]
    kinds = []
    for line in lines:
        assert list(line) == ["t_recv_ms", "topic", "payload"]
        topic = parse_topic("plant/hall-2", line["topic"])
        assert topic is not None
        kinds.append(topic.kind)
        message = decode(topic.kind, json.dumps(line["payload"]).encode())
        assert message.v == 1
    arrivals = [line["t_recv_ms"] for line in lines]
    assert arrivals == sorted(arrivals)
    assert arrivals[0] == START_MS
    delays = [
        line["t_recv_ms"] - line["payload"]["t_ms"] for line in lines if line["topic"].endswith("tally")
    ]
    assert min(delays) == 0
    assert max(delays) == pytest.approx(0.05 * 6 * 3_600_000, abs=10_100), "the outage"
    sent = truth.transport
    assert kinds.count(Kind.TALLY) + kinds.count(Kind.ERROR) == sent.tallies + sent.errors + sent.duplicates
    last = [decode(Kind.PRESENCE, json.dumps(line["payload"]).encode()) for line in lines[-2:]]
    assert [isinstance(message, Presence) and message.online for message in last] == [False, False]


def test_packed_and_plain_hold_the_same(make_setup: MakeSetup, tmp_path: Path) -> None:
    setup = make_setup(1, 1, 2)
    options = Options(3, 1.0, preset("harsh", setup, 1.0))
    plain = write_run(setup, options, tmp_path / "run.jsonl", START_MS)
    packed = write_run(setup, options, str(tmp_path / "run.jsonl.zst"), START_MS)
    with (
        (tmp_path / "run.jsonl.zst").open("rb") as raw,
        zstandard.ZstdDecompressor().stream_reader(raw) as out,
    ):
        assert out.read() == (tmp_path / "run.jsonl").read_bytes()
    assert plain == packed


def test_the_truth_is_written_as_json(make_setup: MakeSetup, tmp_path: Path) -> None:
    setup = make_setup()
    truth = write_run(setup, Options(3, 2.0, preset("demo", setup, 2.0)), tmp_path / "run.jsonl", START_MS)
    write_truth(truth, tmp_path / "truth.json")
    text = (tmp_path / "truth.json").read_bytes()
    assert msgspec.json.decode(text, type=Truth) == truth
    chip = json.loads(text)["chips"][0]
    assert {"serial", "lot", "rack", "board", "socket", "failed", "cause", "mechanism"} < set(chip)
    assert {"boot", "up_ms", "read_index", "t_ms", "reads", "reads_all", "errors"} < set(chip)
