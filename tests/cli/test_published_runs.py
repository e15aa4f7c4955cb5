"""Published life tests, written down as runs of a rack and folded by ``lifebound replay``, through the whole line.

- 0 failures of 231 chips in 1000 h, 125 to 55 °C, 0.7 eV, 60 %: 50.9 FIT in a chip maker's public application note
  (read; it uses 0 °C = 273 K and k = 8.617e-5 eV/K); 51.0864450649 with our constants (mpmath).
- 2 failures in 800 h of test: MTBF from 127 to 2251 h at 90 %, two-sided (NIST/SEMATECH e-Handbook 8.4.5.1, from
  memory).
- 10 failures of 20 units, the others good at 500 h: Weibull shape 1.7208, scale 606.53 (NIST/SEMATECH e-Handbook
  8.4.1.2, from memory).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.cli.command import lifebound

START_MS = 1_800_000_000_000
MS_PER_H = 3_600_000
READS_PER_H = 3_600  # one a second
BOARD = 100  # sockets of a board of this rack


def campaign_text(chips: int, *, use_c: float, confidence: list[float]) -> str:
    blocks = "".join(
        f'[[chips]]\nrack = "bench"\nboard = {board + 1}\nsockets = "1-{min(BOARD, chips - board * BOARD)}"\n'
        'lot = "P"\nserial = "P-{n:03}"\n'
        for board in range(-(-chips // BOARD))
    )
    return f"""
campaign = {{id = "published", planned_hours = 1000, confidence = {confidence}, target_fit = 100}}
stress = {{temp_c = 125, temp_tol_minus_c = 2, temp_tol_plus_c = 5, supply_v = 1.98, supply_tol_v = 0.04,
  read_rate_hz = 1, report_interval_s = 36000}}
use = {{life_years = 10, reads_per_day = 1, supply_v = 1.98, profile = [{{share = 1, temp_c = {use_c}}}]}}
mechanism = [{{name = "any", ea_ev = 0.7}}]
{blocks}""".replace(",\n  ", ", ")


def run_lines(chips: int, hours: int, step_h: int, failures: Mapping[int, float]) -> Iterator[str]:
    """Tallies every ``step_h`` hours, and an error message for each chip of ``failures`` (number to hours)."""
    messages: list[tuple[int, str, dict[str, Any]]] = []
    for n, (chip, at_h) in enumerate(sorted(failures.items(), key=lambda item: item[1])):
        body = {
            "n": n,
            "t_ms": START_MS + int(at_h * MS_PER_H),
            "up_ms": int(at_h * MS_PER_H),
            "socket": chip % BOARD + 1,
            "address": chip,
            "expected": "a5",
            "observed": "a4",
            "read_index": int(at_h * READS_PER_H),
            "count": 1,
        }
        messages.append((int(at_h * MS_PER_H), f"bench/{chip // BOARD + 1}/error", body))
    for seq in range(hours // step_h + 1):
        up_ms = seq * step_h * MS_PER_H
        for board in range(-(-chips // BOARD)):
            mine = range(board * BOARD, min(chips, (board + 1) * BOARD))
            body = {
                "seq": seq,
                "t_ms": START_MS + up_ms,
                "up_ms": up_ms,
                "temp_c": 125.0,
                "supply_v": 1.98,
                "reads": [seq * step_h * READS_PER_H for _ in mine],
                "errors": [int(failures.get(chip, 1e9) * MS_PER_H <= up_ms) for chip in mine],
            }
            messages.append((up_ms, f"bench/{board + 1}/tally", body))
    for up_ms, topic, body in sorted(messages, key=lambda message: message[0]):
        payload = {"v": 1, "boot": "b1", **body}
        yield json.dumps({"t_recv_ms": START_MS + up_ms, "topic": f"lifebound/{topic}", "payload": payload})


def replayed(
    folder: Path, capsys: pytest.CaptureFixture[str], campaign: str, lines: Iterator[str]
) -> dict[str, Any]:
    """The figures document of the run."""
    (folder / "c.toml").write_text(campaign)
    (folder / "run.jsonl").write_text("\n".join(lines) + "\n")
    done = lifebound(capsys, "replay", folder / "run.jsonl", "--campaign", folder / "c.toml", "--json")
    assert done.code == 0, done.err
    figures: dict[str, Any] = json.loads(done.out)
    return figures


def test_no_failure_of_231_chips_in_1000_hours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    campaign = campaign_text(231, use_c=55, confidence=[0.6, 0.9])
    figures = replayed(tmp_path, capsys, campaign, run_lines(231, 1000, 10, {}))
    assert figures["exposure"]["credited_h"] == 231_000
    bound = figures["mechanisms"][0]["bounds"][0]
    assert bound["fit_upper"] == pytest.approx(51.0864450649, rel=1e-11)
    assert bound["fit_upper"] == pytest.approx(50.9, rel=0.005)  # as published, with other constants


def test_two_failures_in_800_hours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    campaign = campaign_text(3, use_c=125, confidence=[0.95])  # 95 % on each side
    figures = replayed(tmp_path, capsys, campaign, run_lines(3, 400, 1, {0: 150.0, 1: 250.0}))
    assert figures["exposure"]["credited_h"] == 800
    bound = figures["mechanisms"][0]["bounds"][0]
    assert 1e9 / bound["fit_upper"] == pytest.approx(127, abs=0.5)
    assert 1e9 / bound["fit_lower"] == pytest.approx(2251, abs=0.5)
    assert figures["mechanisms"][0]["fitted"] is None  # two failures are too few


def test_ten_of_twenty_units_fail_within_500_hours(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hours = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
    campaign = campaign_text(20, use_c=125, confidence=[0.9])
    figures = replayed(tmp_path, capsys, campaign, run_lines(20, 500, 1, dict(enumerate(hours))))
    mechanism = figures["mechanisms"][0]
    assert mechanism["failures"] == 10
    assert mechanism["equivalent_h"] == pytest.approx(sum(hours) + 10 * 500, rel=1e-12)
    fitted = mechanism["fitted"]
    assert fitted["shape"] == pytest.approx(1.7208, abs=5e-5)
    assert fitted["scale_h"] == pytest.approx(606.528, abs=0.005)
    assert [step["t_h"] for step in mechanism["curve"]] == pytest.approx(hours)
    assert mechanism["curve"][-1]["survival"] == pytest.approx(0.5)  # 10 of 20, nobody censored before
