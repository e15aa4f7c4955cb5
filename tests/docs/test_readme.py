"""The README's worked example, run as a reader would, and its arithmetic against scipy and the published factor."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from scipy.stats import chi2

from tests.cli.command import lifebound

README = Path(__file__).parents[2] / "README.md"
EXAMPLE = README.parent / "monitor" / "campaign" / "examples" / "tern-a1.toml"
BOUND_S = 90


def blocks(heading: str) -> list[str]:
    """The shell blocks under a heading, in order."""
    section = README.read_text(encoding="utf-8").split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"```sh\n(.*?)```", section, re.DOTALL)


def test_quick_start_is_one_block_of_two_commands() -> None:
    assert blocks("Quick start") == ["make demo\nmake test\n"]


def test_worked_example_gives_the_figures_worked_out_by_hand(
    tmp_path: Path, tool: Callable[[str], str]
) -> None:
    tool("mosquitto_pub")
    tool("curl")
    script = (
        "set -eu\n"
        + "\n".join(blocks("Worked example"))
        + "lifebound figures --run run-by-hand --json > out.json\n"
    )
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(
        ["bash", "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        timeout=BOUND_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr + (tmp_path / "serve.log").read_text()
    assert "H-001" in done.stdout

    figures = msgspec.json.decode((tmp_path / "out.json").read_bytes())
    assert figures["chips"] == {
        "loaded": 2,
        "at_risk": 1,
        "failed": 1,
        "not_relevant": 0,
        "strangers": 0,
        "reading": figures["chips"]["reading"],
    }
    assert figures["exposure"]["credited_h"] == pytest.approx(44 / 3600, rel=1e-12)
    assert figures["exposure"]["uncredited_h"]["not_reading"] == pytest.approx(10 / 3600, rel=1e-12)
    assert figures["reads"] == {"total": 4900, "credited": 4400, "errors": 1, "errors_at_risk": 1}

    # 77.645382: Arrhenius, 0.7 eV, 55 to 125 degC, CODATA k; recomputed in the project's reference of check values
    (any_mechanism,) = figures["mechanisms"]
    equivalent_h = 44 / 3600 * 77.645382
    assert any_mechanism["equivalent_h"] == pytest.approx(equivalent_h, rel=1e-7)
    assert any_mechanism["equivalent_h"] == pytest.approx(0.94900, abs=5e-6)
    for bound, printed in zip(any_mechanism["bounds"], (2.1310e9, 4.0988e9), strict=True):
        expected = chi2.ppf(bound["confidence"], 4) / 2 / equivalent_h * 1e9
        assert bound["fit_upper"] == pytest.approx(expected, rel=1e-7)
        assert bound["fit_upper"] == pytest.approx(printed, rel=5e-5)
    # 3.60700 and 5.36328: the any-time table for r = 1, c = 5 (computed with mpmath, 20 digits)
    for bound, count in zip(any_mechanism["anytime"], (3.6070021219339, 5.3632834937623), strict=True):
        assert bound["fit_upper"] == pytest.approx(count / equivalent_h * 1e9, rel=1e-7)
    assert [b["fit_upper"] for b in any_mechanism["anytime"]] == pytest.approx([3.8008e9, 5.6515e9], rel=5e-5)
    reads = figures["coverage"]["reads"]
    assert (reads["least"], reads["most"]) == pytest.approx((2000 / 365_250, 2400 / 365_250))
    assert figures["read_error"][1]["per_read_upper"] == pytest.approx(8.84e-4, rel=1e-3)
    (failure,) = figures["failures"]
    assert (failure["serial"], failure["up_ms"], failure["reads"], failure["address"]) == (
        "H-001",
        34000,
        2400,
        77,
    )


def test_planning_examples_print_what_the_readme_shows(capsys: pytest.CaptureFixture[str]) -> None:
    """Each line shown stands in the output, in this order; the readme leaves out lines between."""
    section = README.read_text(encoding="utf-8").split("## Planning\n", 1)[1].split("\n## ", 1)[0]
    shown = re.findall(r"^\$ lifebound (.*)\n((?:(?!\$ )(?!```).*\n)*)", section, re.MULTILINE)
    assert len(shown) == 2
    for command, lines in shown:
        words = [str(EXAMPLE) if word == "tern-a1.toml" else word for word in shlex.split(command)]
        rest = iter(lifebound(capsys, *words).out.splitlines())
        for line in lines.splitlines():
            assert line == "..." or line in rest, line
