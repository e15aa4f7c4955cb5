"""The machinery of the calibration benchmark: what a campaign keeps of its chips, verdicts, and the page."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from benchmarks.calibration.__main__ import PAGE
from benchmarks.calibration.bounds import MIXTURE_RATE, at_the_stop, lowest, lowest_of_grid
from benchmarks.calibration.end_to_end import end_to_end
from benchmarks.calibration.groups import GROUPS
from benchmarks.calibration.reads import reads
from benchmarks.calibration.several import _unit_total
from benchmarks.calibration.table import Expects, Row, as_json, page, row
from benchmarks.calibration.truth import at_end, at_failures, at_failures_with_removals, true_factor
from benchmarks.calibration.watched import watched
from monitor.claims import anytime_upper_fit, fixed_look_bound, total_bound, watched_miss_probability

LIVES = np.array([[5.0, 1.0, 3.0, 9.0]])


def test_hours_at_failures_and_at_the_end_by_hand() -> None:
    assert at_failures(LIVES).tolist() == [[4.0, 1 + 3 * 3.0, 1 + 3 + 2 * 5.0, 18.0]]
    assert at_failures(LIVES, [[1.0, 2.0, 1.0, 1.0]])[0, 1] == 2 * 1 + 3 * 3.0
    failures, hours = at_end(LIVES, 4.0)
    assert (failures.tolist(), hours.tolist()) == ([2], [1 + 3 + 4 + 4.0])


def test_hours_with_removals_by_hand() -> None:
    # The second chip fails at 1 and the first is pulled then; the third fails at 3, and the fourth is pulled.
    assert at_failures_with_removals(LIVES).tolist() == [[4.0, 1 + 1 + 3 + 3.0]]


def test_the_lowest_bound_is_just_before_a_failure_or_at_the_end() -> None:
    path, end = np.array([[4.0, 10.0, 14.0]]), np.array([12.0])

    def bound(failures: int, hours: float) -> float | None:
        return anytime_upper_fit(failures, hours, 0.6, 5.0)

    looks = [bound(0, 4.0), bound(1, 10.0), bound(2, 12.0)]
    least = min(look for look in looks if look is not None)
    assert lowest(bound, path, end).tolist() == [least]
    assert least <= float(lowest_of_grid(bound, path, end, 50)[0]) <= least * 1.06


def test_a_campaign_stops_as_soon_as_its_bound_meets_the_target() -> None:
    def bound(failures: int, hours: float) -> float | None:
        return fixed_look_bound(failures, hours, 0.9).fit_upper

    first_line = 2.302585092994046e9  # ln 10: hours at which no failure shows 1 FIT
    path = np.array([[first_line * 1.1, 9e9], [first_line * 0.9, 9e9]])
    told = at_the_stop(bound, path, np.array([3e9, 3e9]), 1.0)
    assert told.tolist() == pytest.approx([1.0, bound(1, 3e9)])


def test_totals_after_one_device_hour_scale_with_the_hours() -> None:
    failures, factors, hours = (2, 0, 1), (22.0, 78.0, 900.0), 1234.5
    total = total_bound(failures, [hours * factor for factor in factors], 0.9, MIXTURE_RATE, factors)
    told = (total.fit_sum_of_bounds, total.fit_weighted, total.fit_anytime)
    unit = _unit_total(failures, factors, 0.9)
    assert [each / hours for each in unit] == pytest.approx(told, rel=1e-12)


def test_the_true_factor_is_the_arrhenius_one_to_the_digits_of_the_constant() -> None:
    # 0.7 eV from 125 to 55 °C, computed with mpmath for k = 8.617333262e-5 eV/K; the SI's k has two digits more.
    assert float(true_factor(0.7)) == pytest.approx(77.64538205530277, rel=1e-9)


@pytest.mark.parametrize(
    ("expects", "found", "verdict"),
    [
        ("covers", 0.90, "holds"),
        ("covers", 0.88, "holds"),
        ("covers", 0.87, "ANTI-CONSERVATIVE"),
        ("nears", 0.871, "near"),
        ("nears", 0.86, "ANTI-CONSERVATIVE"),
        ("fails", 0.87, "fails as it must"),
        ("fails", 0.89, "not seen to fail"),
        ("agrees", 0.92, "agrees"),
        ("agrees", 0.94, "DISAGREES"),
    ],
)
def test_verdicts_by_three_standard_errors(expects: Expects, found: float, verdict: str) -> None:
    # Three standard errors of a share of 0.9 in 1000: 3 sqrt(0.09 / 1000) = 0.0285.
    assert Row("claim", "setting", 0.9, found, 1000, expects).verdict == verdict


def test_a_row_counts_what_is_true() -> None:
    counted = row("claim", "setting", 0.6, [True, False, True, True])
    assert (counted.found, counted.campaigns) == (0.75, 4)
    assert counted.standard_error == pytest.approx(math.sqrt(0.75 * 0.25 / 4))


def test_watching_loses_what_it_must() -> None:
    rows = list(watched(np.random.default_rng(1), 600))
    told = [each for each in rows if each.expects == "agrees"]
    assert [each.verdict for each in told] == ["agrees"] * 9
    assert told[0].says == 1 - watched_miss_probability(0.6, 1)
    worst = [each for each in rows if "10 failures" in each.setting and each.expects == "fails"]
    assert [each.verdict for each in worst] == ["fails as it must"] * 3


@pytest.mark.parametrize("name", [name for name in GROUPS if name != "Life fitted"])
def test_every_group_has_rows_that_differ(name: str) -> None:
    campaigns = 20 if name == "Forecasts" else 4  # so many that each row of a forecast has one
    rows = list(GROUPS[name](np.random.default_rng(7), campaigns))
    assert all(0 <= each.found <= 1 and each.campaigns > 0 for each in rows)
    assert len({(each.claim, each.setting, each.says) for each in rows}) == len(rows)


def test_the_same_seed_gives_the_same_rows() -> None:
    first, again = (list(reads(np.random.default_rng(7), 50)) for _ in range(2))
    assert first == again


def test_a_campaign_through_the_line_shows_what_its_truth_says() -> None:
    exact, *bounds = end_to_end(3, 1)
    assert exact.verdict == "agrees"
    assert [each.says for each in bounds] == [0.6, 0.6, 0.9, 0.9]


def test_the_page_and_the_json_hold_every_row() -> None:
    rows = {"A group": [Row("claim", "setting", 0.9, 0.8, 1000, "covers")]}
    text = page(rows, 5, 1000, 2)
    assert "| claim | setting | 0.9000 | 0.8000 | 0.0126 | 1000 | **ANTI-CONSERVATIVE** |" in text
    assert "--campaigns 1000 --end-to-end 2 --seed 5" in text
    assert json.loads(as_json(rows))[0]["verdict"] == "ANTI-CONSERVATIVE"


def test_the_page_is_the_one_in_docs() -> None:
    assert PAGE.is_file()
    assert PAGE.read_text(encoding="utf-8").startswith("# Calibration")
