"""Whole runs through the command line: simulated against their known truth, exported, replayed, replayed otherwise.

The truth of a simulation is kept by the simulator, which knows nothing of how a monitor folds messages; reads, failed
reads and failures must agree exactly.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from monitor.journal import Run, SqliteJournal
from monitor.journal.exchange import Line, read_lines
from shared.entries import Disposed, Entry, Received, Refused
from shared.messages import decode
from shared.topics import parse_topic
from simulator.truth import Truth
from tests.cli.command import lifebound
from tests.figures.bench import READS_PER_H, START_MS, Bench, campaign_text

CHIPS = [
    {"rack": "oven-1", "board": 1, "sockets": "1-3", "lot": "A", "serial": "A-{n}"},
    {"rack": "oven-1", "board": 2, "sockets": "2,4", "lot": "B", "serial": "B-{n}"},
]
FAST = {"report_interval_s": 60, "reorder_hold_s": 120}


def simulated(tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: object) -> tuple[Path, Path, Truth]:
    """A campaign file, a simulated run of it, and its truth."""
    campaign, out, truth = tmp_path / "c.toml", tmp_path / "sim.jsonl.zst", tmp_path / "truth.json"
    campaign.write_text(campaign_text(stress=FAST, chips=CHIPS))
    done = lifebound(capsys, "simulate", campaign, "--out", out, "--truth", truth, "--json", *more)
    assert (done.code, done.err) == (0, "")
    told = msgspec.json.decode(truth.read_bytes(), type=Truth)
    assert msgspec.json.decode(done.out, type=Truth) == told
    return campaign, out, told


@pytest.mark.parametrize(
    "more",
    [
        ("--hours", 6, "--fail", "A-2@2.5"),
        ("--hours", 6, "--fail", "A-2@2.5", "--fail", "B-1@3", "--seed", 7),
        ("--hours", 20, "--preset", "harsh", "--seed", 5, "--fail", "B-2@1"),
    ],
    ids=["one fails", "two fail", "harsh"],
)
def test_the_account_agrees_with_the_simulated_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: tuple[object, ...]
) -> None:
    campaign, out, truth = simulated(tmp_path, capsys, *more)
    done = lifebound(capsys, "replay", out, "--campaign", campaign, "--json")
    assert (done.code, done.err) == (0, "")
    figures = json.loads(done.out)
    failed = {c.serial: c for c in truth.chips if c.failed}
    assert len(failed) >= 1
    assert {f["serial"] for f in figures["failures"]} == set(failed)
    assert figures["chips"]["failed"] == truth.totals.failed
    assert figures["reads"]["total"] == truth.totals.reads
    assert figures["reads"]["errors"] == truth.totals.errors
    assert figures["intake"]["accepted"] >= truth.transport.tallies
    assert (figures["intake"]["conflicts"], figures["intake"]["invalid"]) == (0, 0)


def test_a_failure_is_told_at_the_instant_of_the_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    campaign, out, truth = simulated(tmp_path, capsys, "--hours", 6, "--fail", "A-2@2.5")
    figures = json.loads(lifebound(capsys, "replay", out, "--campaign", campaign, "--json").out)
    (failure,) = figures["failures"]
    (chip,) = (c for c in truth.chips if c.failed)
    assert (failure["serial"], failure["up_ms"], failure["t_ms"]) == ("A-2", chip.up_ms, chip.t_ms)
    assert 2.5 * 3_600_000 <= failure["up_ms"] < 2.6 * 3_600_000


def test_the_same_seed_gives_the_same_figures_and_another_does_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = []
    for n, seed in enumerate((3, 3, 4)):
        folder = tmp_path / str(n)
        folder.mkdir()
        campaign, out, _ = simulated(folder, capsys, "--hours", 4, "--preset", "harsh", "--seed", seed)
        figures = json.loads(lifebound(capsys, "replay", out, "--campaign", campaign, "--json").out)
        told.append((figures["reads"], figures["exposure"]))
    assert told[0] == told[1] != told[2]


# --- a run directory, its export, and the replay of both ------------------------------------------------------------


def entry_of(line: Line) -> Entry:
    if isinstance(line.disposition, msgspec.UnsetType):
        topic = parse_topic("lifebound", str(line.topic))
        assert topic is not None
        return Received(line.t_recv_ms, topic, decode(topic.kind, bytes(line.payload)))  # type: ignore[arg-type]
    return Disposed(line.t_recv_ms, line.disposition)  # type: ignore[arg-type]


def record(folder: Path, bench: Bench, refused: Refused) -> Path:
    """A run directory with what the bench was told, in several batches."""
    entries = [entry_of(line) for line in bench.lines]

    async def write() -> None:
        run = Run("run-1", START_MS, bench.account.campaign.source)
        async with await SqliteJournal.create(folder, run) as journal:
            for start in range(0, len(entries), 3):
                await journal.append(entries[start : start + 3], refused)

    asyncio.run(write())
    return folder


@pytest.fixture
def bench() -> Bench:
    """Chip A-1 fails with one failed read, B-1 with many; one is dispositioned out, the other into a mechanism."""
    bench = Bench(mechanism=[{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}])
    bench.presence(0, online=True)
    bench.hours(0, 1)
    bench.error(0, 1.5, socket=1)
    bench.tally(2, 2, [2 * READS_PER_H] * 4, [1, 0, 0, 0])
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [1, 0, 7, 0])
    bench.judge(3.5, "A-1", "not-relevant")
    bench.judge(3.6, "B-1", "not-relevant")
    bench.judge(3.7, "B-1", "relevant", "gate-oxide")
    bench.tally(4, 4, [4 * READS_PER_H] * 4, [1, 0, 9, 0])
    return bench


REFUSED = Refused(
    duplicates=5,
    conflicts=2,
    invalid=3,
    strangers=4,
    stranger_places=[("oven-9", None, None), ("oven-1", 7, None), ("oven-1", 1, 9)],
    invalid_reasons={"json": 2, "field": 1},
)


@pytest.mark.parametrize("name", ["out.jsonl", "out.jsonl.zst"])
def test_the_replay_of_an_export_gives_the_same_bytes(
    tmp_path: Path, bench: Bench, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run, campaign = record(tmp_path / "run", bench, REFUSED), tmp_path / "c.toml"
    campaign.write_text(bench.account.campaign.source.toml)
    live = lifebound(capsys, "figures", "--run", run, "--json")
    again = lifebound(capsys, "replay", run, "--json")
    assert lifebound(capsys, "export", run, tmp_path / name).code == 0
    exported = lifebound(capsys, "replay", tmp_path / name, "--campaign", campaign, "--json")
    at_speed = lifebound(
        capsys, "replay", tmp_path / name, "--campaign", campaign, "--speed", "1e12", "--json"
    )
    own = lifebound(capsys, "replay", tmp_path / name, "--json")  # the archive holds its campaign
    assert live.code == again.code == exported.code == at_speed.code == own.code == 0
    assert live.out == again.out == exported.out == at_speed.out == own.out
    figures = json.loads(live.out)
    assert [(f["serial"], f["disposition"], f["mechanism"]) for f in figures["failures"]] == [
        ("A-1", "not-relevant", None),
        ("B-1", "relevant", "gate-oxide"),
    ]
    assert [m["failures"] for m in figures["mechanisms"]] == [0, 1]
    intake = figures["intake"]
    assert (intake["duplicates"], intake["conflicts"], intake["invalid"], intake["strangers"]) == (5, 2, 3, 4)
    assert intake["stranger_places"] == [["oven-1", 1, 9], ["oven-1", 7, None], ["oven-9", None, None]]
    assert figures["chips"]["strangers"] == 3
    assert live.out.endswith("}\n")
    assert live.out.count("\n") == 1  # exactly the document


def test_under_another_prefix_a_directory_and_its_export_are_strangers_alike(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    run, out, other = (
        record(tmp_path / "run", bench, REFUSED),
        tmp_path / "out.jsonl",
        tmp_path / "other.toml",
    )
    other.write_text(bench.account.campaign.source.toml + '\n[intake]\nprefix = "elsewhere"\n')
    assert lifebound(capsys, "export", run, out).code == 0
    of_directory = lifebound(capsys, "replay", run, "--campaign", other, "--json")
    of_export = lifebound(capsys, "replay", out, "--campaign", other, "--json")
    assert of_directory.out == of_export.out
    assert json.loads(of_export.out)["intake"]["accepted"] == 0


def test_an_export_is_json_lines_in_journal_order(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    run = record(tmp_path / "run", bench, REFUSED)
    assert lifebound(capsys, "export", run, tmp_path / "out.jsonl").code == 0
    lines: list[dict[str, Any]] = [
        json.loads(line) for line in (tmp_path / "out.jsonl").read_text().splitlines()
    ]
    *entries, last = lines
    assert [line["t_recv_ms"] for line in entries] == [line.t_recv_ms for line in bench.lines]
    assert [sorted(line) for line in entries] == [
        ["disposition", "t_recv_ms"]
        if isinstance(entry_of(line), Disposed)
        else ["payload", "t_recv_ms", "topic"]
        for line in bench.lines
    ]
    assert entries[0]["topic"] == "lifebound/oven-1/presence"
    counts = ("duplicates", "conflicts", "invalid", "strangers")
    assert [last["intake"][key] for key in counts] == [5, 2, 3, 4]
    assert len(list(read_lines(tmp_path / "out.jsonl"))) == len(lines)
    assert not list(tmp_path.glob("*.partial"))


def test_messages_the_contract_refuses_are_counted_not_fatal(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside what the file's last line says: a repeat, a contradiction, nonsense twice, a stranger."""
    run, campaign, out = record(tmp_path / "run", bench, REFUSED), tmp_path / "c.toml", tmp_path / "out.jsonl"
    campaign.write_text(bench.account.campaign.source.toml)
    assert lifebound(capsys, "export", run, out).code == 0
    *entries, last = out.read_bytes().splitlines(keepends=True)
    first = json.loads(entries[1])
    assert first["topic"].endswith("tally")
    bad = [
        first,
        {**first, "payload": {**first["payload"], "temp_c": 1}},
        {**first, "payload": [1, 2]},
        {**first, "payload": {**first["payload"], "seq": 1.0}},
        {**first, "topic": "lifebound/oven-8/1/tally", "payload": None},
    ]
    out.write_bytes(b"".join(entries) + b"".join(json.dumps(line).encode() + b"\n" for line in bad) + last)
    told = json.loads(lifebound(capsys, "replay", out, "--campaign", campaign, "--json").out)
    plain = json.loads(lifebound(capsys, "figures", "--run", run, "--json").out)
    intake = told["intake"]
    assert (intake["duplicates"], intake["conflicts"], intake["invalid"], intake["strangers"]) == (6, 3, 5, 5)
    assert ["oven-8", 1, None] in intake["stranger_places"]
    for key in ("exposure", "reads", "mechanisms", "failures", "coverage", "lots"):
        assert told[key] == plain[key]


def test_a_replay_under_another_criterion_changes_what_it_should(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """With 2 failed reads, A-1 (one failed read) is healthy to the end, and B-1 (seven at once) fails as before."""
    run, other = record(tmp_path / "run", bench, REFUSED), tmp_path / "two.toml"
    mechanisms = [{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}]
    other.write_text(campaign_text(failure={"errors": 2}, mechanism=mechanisms))
    own = json.loads(lifebound(capsys, "replay", run, "--json").out)
    told = json.loads(lifebound(capsys, "replay", run, "--campaign", other, "--json").out)
    assert [f["serial"] for f in own["failures"]] == ["A-1", "B-1"]
    assert [f["serial"] for f in told["failures"]] == ["B-1"]
    assert (own["chips"]["not_relevant"], told["chips"]["not_relevant"]) == (1, 0)
    # A-1 had 1.5 h; now it has all four. B-1 keeps the two hours up to the tally before the one that shows it.
    assert (own["exposure"]["credited_h"], told["exposure"]["credited_h"]) == (1.5 + 2 + 4 + 4, 4 + 2 + 4 + 4)
    assert told["reads"]["total"] == own["reads"]["total"] + READS_PER_H * 5 // 2
    assert told["reads"]["errors"] == own["reads"]["errors"] == 1 + 9
    assert told["intake"] == own["intake"]
    # The run keeps its own campaign: nothing was written.
    assert json.loads(lifebound(capsys, "figures", "--run", run, "--json").out) == own


def test_a_replay_under_another_energy_weighs_the_same_hours_otherwise(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    """0.7 to 0.6 eV, 125 to 55 °C: exp(0.1 x 6.21736) = 1.862157964 times fewer hours of use (mpmath)."""
    run, other = record(tmp_path / "run", bench, REFUSED), tmp_path / "other.toml"
    mechanisms = [{"name": "charge-loss", "ea_ev": 0.6}, {"name": "gate-oxide", "ea_ev": 0.5}]
    other.write_text(campaign_text(mechanism=mechanisms))
    own = json.loads(lifebound(capsys, "replay", run, "--json").out)
    told = json.loads(lifebound(capsys, "replay", run, "--campaign", other, "--json").out)
    assert told["exposure"] == own["exposure"]
    hours = [document["mechanisms"][0]["equivalent_h"] for document in (own, told)]
    assert hours[0] / hours[1] == pytest.approx(1.862157964, rel=1e-9)
    assert told["mechanisms"][1] == own["mechanisms"][1]


def test_figures_as_text_name_the_campaign(
    tmp_path: Path, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    done = lifebound(capsys, "figures", "--run", record(tmp_path / "run", bench, REFUSED))
    assert (done.code, done.err) == (0, "")
    assert "bench" in done.out
