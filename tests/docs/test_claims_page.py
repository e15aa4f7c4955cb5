"""The numbers of docs/claims.md, recomputed; their functions are held by the modules of tests/published."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.claims import anytime_upper_count, pass_line, poisson_upper_count, watched_miss_probability

PAGE = (Path(__file__).parents[2] / "docs" / "claims.md").read_text(encoding="utf-8")
TOLERANCES = (0, 1, 2, 3, 5, 10, 50)


@pytest.mark.parametrize("stated", [60, 90, 95])
def test_what_is_left_of_the_confidence_when_watched(stated: int) -> None:
    row = re.search(rf"^\| {stated} % \|(.*)\|$", PAGE, re.MULTILINE)
    assert row is not None
    shown = [float(cell.strip().removesuffix(" %")) for cell in row[1].split("|")]
    left = [100 * (1 - watched_miss_probability(stated / 100, failures)) for failures in TOLERANCES]
    assert shown == pytest.approx(left, abs=0.051)


def test_looks_at_the_read_points_only() -> None:
    looks = (0.168, 0.5, 1.0)
    left = ", ".join(f"{100 * (1 - watched_miss_probability(0.9, r, looks=looks)):.1f}" for r in (1, 2, 3))
    assert f"R = 1, 2, 3 at 90 %: {left} %" in " ".join(PAGE.split())


def test_confidences_of_the_pass_line() -> None:
    first, second, third = (f"{100 * pass_line(r, 0.9).adjusted_confidence:.1f} %" for r in (1, 2, 3))
    assert f"at 90 %: {first} with R = 1, {second} with 2, {third} with 3" in " ".join(PAGE.split())


def test_what_any_time_costs() -> None:
    """19 % without a failure at 90 %, about 40 % with one to five; up to about four fifths at 60 % (README)."""
    cost = {
        (r, c): anytime_upper_count(r, c) / poisson_upper_count(r, c) - 1
        for r in range(6)
        for c in (0.6, 0.9)
    }
    assert "costs 19 % at no failure and about 40 % with one to five at 90 %" in " ".join(PAGE.split())
    assert cost[0, 0.9] == pytest.approx(0.19, abs=0.005)
    assert all(cost[r, 0.9] == pytest.approx(0.40, abs=0.05) for r in range(1, 6))
    assert max(cost.values()) == pytest.approx(0.84, abs=0.01)
