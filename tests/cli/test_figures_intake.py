"""``lifebound figures --intake``: what came in, from a run directory and a running service, as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli import figures as command
from monitor.figures import Figures, to_json
from monitor.journal.exchange import Line
from monitor.service.account import Account
from tests.cli.command import lifebound
from tests.cli.test_runs import record
from tests.figures.test_intake import troubled


@pytest.fixture
def run(tmp_path: Path) -> Path:
    bench = troubled()
    again = Account(bench.account.campaign)
    bench.lines = [line for line in bench.lines if is_accepted(again, line)]
    return record(tmp_path / "run", bench, bench.account.session.refused)


def is_accepted(account: Account, line: Line) -> bool:
    before = account.ledger.accepted
    account.hear(line)
    return account.ledger.accepted > before


def test_the_counts_and_the_latest_as_text(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = lifebound(capsys, "figures", "--run", run, "--intake")
    assert (told.code, told.err) == (0, "")
    for line in (
        "conflicts       1  contradict an earlier message of the same number; the",
        "Latest invalid messages",
        "    socket 2: reads fell from 18000000 to 0 (and 1 more sockets)",
    ):
        assert any(shown.startswith(line) for shown in told.out.splitlines()), line
    assert all(" " <= char <= "~" or char == "\n" for char in told.out)


def test_the_same_as_json_is_that_part_of_the_document(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = lifebound(capsys, "figures", "--run", run, "--intake", "--json")
    document = json.loads(lifebound(capsys, "figures", "--run", run, "--json").out)
    assert json.loads(told.out) == {key: document[key] for key in ("campaign", "as_of_ms", "intake", "racks")}
    assert len(document["intake"]["noted"]) == 8
    assert document["racks"] == [
        {"rack": "oven-1", "judged": 11, "refused": 2, "reason": document["racks"][0]["reason"]}
    ]


def test_a_replay_of_the_export_tells_the_same(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert lifebound(capsys, "export", run, tmp_path / "out.jsonl.zst").code == 0
    told = lifebound(capsys, "replay", tmp_path / "out.jsonl.zst", "--json").out
    assert told == lifebound(capsys, "figures", "--run", run, "--json").out
    assert len(json.loads(told)["intake"]["noted"]) == 8


def test_a_running_service_is_asked_for_the_same(
    run: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What goes over HTTP is the document; here it comes from the run directory."""
    document: Figures = command.figures_of_directory(run)

    async def answer(url: str) -> Figures:
        assert url == "http://127.0.0.1:8417"
        return document

    monkeypatch.setattr(command, "fetch", answer)
    told = lifebound(capsys, "figures", "--url", "http://127.0.0.1:8417", "--intake")
    assert told.code == 0
    assert told.out == lifebound(capsys, "figures", "--run", run, "--intake").out
    assert to_json(document)
