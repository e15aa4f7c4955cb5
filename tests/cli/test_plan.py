"""``lifebound plan``: the answer first, both kinds of bound, the same facts as JSON; refusals in one sentence.

Sources: the trade's example (0 of 231 chips, 1000 h, 125 to 55 °C, 0.7 eV, 60 %), 51.09 FIT, turned round; the summary
of the example campaign by ``lifebound check``; tables of sample sizes (tests/published/sample_sizes.py).
"""

from __future__ import annotations

import json
import shlex
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from monitor.campaign import load
from monitor.figures.basis import Standing
from tests.cli.command import Outcome, lifebound

EXAMPLE = str(resources.files("monitor.campaign") / "examples" / "tern-a1.toml")
CAMPAIGN = """
[campaign]
id = "tern-a1-plan"
title = "Tern A1, to be planned"
planned_hours = 1000
read_points_h = [500]
confidence = [0.60, 0.90]
target_fit = 50

[stress]
temp_c = 125.0
temp_tol_minus_c = 2.0
temp_tol_plus_c = 5.0
supply_v = 1.98
supply_tol_v = 0.04
read_rate_hz = 2.0e5
report_interval_s = 10
self_heating_c = 4.0
min_read_fraction = 0.9
max_read_fraction = 1.1
max_gap_s = 30
bridge_gap_s = 0
reorder_hold_s = 60
accelerate_at = "measured"

[use]
life_years = 15
reads_per_day = 5.0e5
supply_v = 1.80
[[use.profile]]
share = 0.06
temp_c = -20.0
[[use.profile]]
share = 0.94
temp_c = 60.0

[failure]
errors = 1
common_cause_chips = 3
common_cause_s = 60

[intake]
prefix = "lifebound"

[claims]
mixture_rate = 5.0

[[mechanism]]
name = "charge-loss"
ea_ev = 1.1
[[mechanism]]
name = "gate-oxide"
ea_ev = 0.7
gamma_per_v = 3.5

[[chips]]
rack = "oven-1"
board = 1
sockets = "1-231"
lot = "A"
serial = "A-{n:03}"
"""
INTERVAL = "ea_low_ev = 0.6\nea_high_ev = 0.8"
PART = "--ea 0.7 --use-temp 55"
TRADE = {
    "chips": "231",
    "hours": "1000",
    "temp": "125",
    "failures": "0",
    "confidence": "0.6",
    "target": "51.09",
}


@pytest.fixture
def campaign(tmp_path: Path) -> str:
    return written(tmp_path)


def written(folder: Path, after_charge_loss: str = "", after_gate_oxide: str = "") -> str:
    """The campaign file, with more said of its mechanisms."""
    text = CAMPAIGN.replace("ea_ev = 1.1", f"ea_ev = 1.1\n{after_charge_loss}")
    path = folder / "campaign.toml"
    path.write_text(text.replace("ea_ev = 0.7", f"ea_ev = 0.7\n{after_gate_oxide}"))
    return str(path)


def plan(capsys: pytest.CaptureFixture[str], line: str) -> Outcome:
    return lifebound(capsys, "plan", *shlex.split(line))


def facts(capsys: pytest.CaptureFixture[str], line: str) -> dict[str, Any]:
    done = plan(capsys, f"{line} --json")
    assert (done.code, done.err) == (0, "")
    found = json.loads(done.out)
    assert isinstance(found, dict)
    return found


def trade(**changed: str) -> str:
    options = {**TRADE, **changed}
    return " ".join([PART, *(f"--{name} {shlex.quote(value)}" for name, value in options.items() if value)])


# --- the published example, turned round ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("chips", "231 chips for one look"),
        ("hours", "1,000 h for one look"),
        ("temp", "125.0 C for one look"),
        ("failures", "no failure for one look"),
        ("confidence", "60.00 % for one look"),
        ("target", "51.09 FIT for one look"),
    ],
)
def test_each_quantity_of_the_example(asked: str, found: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = plan(capsys, trade(**{asked: "?"}))
    assert (done.code, done.err) == (0, "")
    assert found in done.out.splitlines()[0]


@pytest.mark.parametrize("asked", TRADE)
def test_the_only_one_left_out_is_the_one_asked_for(asked: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert facts(capsys, trade(**{asked: ""})) == facts(capsys, trade(**{asked: "?"}))


def test_no_failure_is_allowed_unless_stated(capsys: pytest.CaptureFixture[str]) -> None:
    stated = facts(capsys, trade(hours="?"))
    assert facts(capsys, trade(hours="", failures="")) == stated
    assert facts(capsys, trade(hours="?", failures="")) == stated


def test_the_facts_of_the_example(capsys: pytest.CaptureFixture[str]) -> None:
    found = facts(capsys, trade(chips="?"))
    one_look, any_time = found["one_look"], found["any_time"]
    assert (found["unknown"], one_look["chips"], one_look["supply_v"]) == ("chips", 231, None)
    assert one_look["fit_upper"] == pytest.approx(51.0864450648790, rel=1e-12)
    assert one_look["mechanisms"][0]["acceleration"] == pytest.approx(77.64538205530277, rel=1e-12)
    assert one_look["equivalent_h"] == pytest.approx(231_000 * 77.64538205530277, rel=1e-12)
    assert one_look["covered_years"] == pytest.approx(77645.38205530277 / 8766, rel=1e-12)
    # what a failure costs: 2.0223 / 0.9163 and 3.1054 / 0.9163 times the hours, from the chi-square table
    prices = [price["hours"] for price in one_look["price"]]
    assert [p / prices[0] for p in prices] == pytest.approx(
        [1, 2.0223132453247 / 0.91629073187416, 3.1053785972633 / 0.91629073187416], rel=1e-9
    )
    chances = {c["truth_over_target"]: c["chance"] for c in one_look["passing"]}
    assert chances[1.0] == pytest.approx(0.4, abs=0.001)  # 1 - C, less what the last chip is too much
    assert sorted(chances.values(), reverse=True) == [chances[share] for share in sorted(chances)]
    assert any_time["chips"] > one_look["chips"]
    assert any_time["passing"][3]["chance"] < chances[1.0]


def test_a_voltage_term(capsys: pytest.CaptureFixture[str]) -> None:
    """Twice the factor at log(2) / 3.5 V more."""
    line = trade(target="25.5432225324395") + " --gamma 3.5 --use-supply 1.8"
    for asked in ("", " --supply '?'"):
        found = facts(capsys, line + asked)
        assert found["unknown"] == "supply_v"
        assert found["one_look"]["supply_v"] == pytest.approx(1.8 + 0.6931471805599453 / 3.5, rel=1e-9)
    assert "1.999 V for one look" in plan(capsys, line).out.splitlines()[0]


def test_years_of_field_life(capsys: pytest.CaptureFixture[str]) -> None:
    line = f"{PART} --hours 1000 --temp 125 --life-years '?'"
    assert plan(capsys, line).out.startswith("Field life covered: 8.85 years;")
    (mechanism,) = facts(capsys, line)["mechanisms"]
    assert mechanism["covered_years"] == pytest.approx(77645.38205530277 / 8766, rel=1e-12)


# --- a campaign file -----------------------------------------------------------------------------------------------


def test_a_campaign_gives_all_that_is_not_asked(campaign: str, capsys: pytest.CaptureFixture[str]) -> None:
    summary = json.loads(lifebound(capsys, "check", campaign, "--json").out)
    found = facts(capsys, f"--campaign {campaign} --hours '?'")
    for kind, hours in (("one_look", "hours"), ("any_time", "hours_anytime")):
        assert found[kind]["hours"] == pytest.approx(summary["target"][hours], rel=1e-9)
        assert (found[kind]["chips"], found[kind]["confidence"]) == (summary["chips"], 0.9)
        for line, told in zip(found[kind]["mechanisms"], summary["mechanisms"], strict=True):
            assert line["name"] == told["name"]
            assert line["acceleration"] == pytest.approx(told["acceleration"], rel=1e-9)
            assert line["life_stress_h"] == pytest.approx(told["life_stress_h"], rel=1e-9)


def test_options_win_over_the_file(campaign: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = facts(capsys, f"--campaign {campaign} --hours '?' --chips 462 --confidence 0.6 --target 25")[
        "one_look"
    ]
    usual = facts(capsys, f"--campaign {campaign} --hours '?' --confidence 0.6")["one_look"]
    assert (found["chips"], found["confidence"], found["target_fit"]) == (462, 0.6, 25.0)
    assert found["hours"] == pytest.approx(usual["hours"], rel=1e-9)


def test_the_slowest_mechanism_decides(campaign: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = facts(capsys, f"--campaign {campaign} --target '?'")["one_look"]
    slowest = min(m["acceleration"] for m in found["mechanisms"])
    assert found["equivalent_h"] == pytest.approx(found["chips"] * found["hours"] * slowest, rel=1e-12)
    assert found["target_fit"] == pytest.approx(2.302585092994e9 / found["equivalent_h"], rel=1e-9)


# --- activation energies that are not known exactly ----------------------------------------------------------------


UNSURE = [
    ("", INTERVAL),
    ("ea_sd_ev = 0.05", ""),
    ("ea_sd_ev = 0.25", INTERVAL),
    ("ea_sd_ev = 0.25", "ea_sd_ev = 0.02"),
]


@pytest.mark.parametrize(("charge_loss", "gate_oxide"), UNSURE)
@pytest.mark.parametrize("kind", ["one_look", "any_time"])
def test_the_account_claims_what_was_planned(
    charge_loss: str, gate_oxide: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The account of the planned hours, with as many failures, has a bound at the target, not below it."""
    path = written(tmp_path, charge_loss, gate_oxide)
    planned = facts(capsys, f"--campaign {path} --hours '?' --failures 1")[kind]
    bases = Standing.planned(load(Path(path))).all_claimed(0.9)
    chip_hours = planned["chips"] * planned["hours"]
    bounds = []
    for line, basis in zip(planned["mechanisms"], bases, strict=True):
        assert line["acceleration"] == pytest.approx(basis.acceleration, rel=1e-12)
        assert line["count_confidence"] == basis.count_confidence
        count = basis.fixed_count(1) if kind == "one_look" else basis.anytime_count(1)
        bounds.append(count * 1e9 / (chip_hours * basis.acceleration))
    assert max(bounds) == pytest.approx(50.0, rel=1e-9)
    assert max(bounds) == pytest.approx(planned["fit_upper"], rel=1e-9)


@pytest.mark.parametrize(("charge_loss", "gate_oxide"), UNSURE)
def test_the_confidence_of_uncertain_energies(
    charge_loss: str, gate_oxide: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Turned round: the hours that 90 % need reach 90 %."""
    path = written(tmp_path, charge_loss, gate_oxide)
    hours = facts(capsys, f"--campaign {path} --hours '?'")["one_look"]["hours"]
    found = facts(capsys, f"--campaign {path} --hours {hours!r} --confidence '?'")["one_look"]
    assert found["confidence"] == pytest.approx(0.9, rel=1e-9)


def test_uncertain_energies_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, "ea_sd_ev = 0.05", INTERVAL)
    out = " ".join(plan(capsys, f"--campaign {path} --hours '?'").out.split())
    # 1.1 eV less 1.6449 sd, the normal quantile of 5 %
    assert "charge-loss: planned at Ea 1.018 eV, not at the stated 1.1 eV: a lower limit" in out
    assert "the count is asked at 95 %" in out
    assert "gate-oxide: planned at Ea 0.6 eV, not at the stated 0.7 eV: the worst end of its interval." in out
    assert "and Ea as stated" in out
    certain = plan(capsys, f"--campaign {written(tmp_path)} --hours '?'").out
    assert "stated" not in certain


def test_an_interval_without_a_campaign(capsys: pytest.CaptureFixture[str]) -> None:
    """As if its worst end were stated, but for the chance of passing, which is that of a part as stated."""
    unsure = facts(capsys, f"{trade(hours='?')} --ea-low 0.6 --ea-high 0.9")["one_look"]
    worst = facts(capsys, trade(hours="?").replace("0.7", "0.6"))["one_look"]
    assert unsure["hours"] == pytest.approx(worst["hours"], rel=1e-12)
    (mechanism,) = unsure["mechanisms"]
    assert (mechanism["ea_ev"], mechanism["ea_stated_ev"]) == (0.6, 0.7)
    faster = 77.64538205530277 / mechanism["acceleration"]
    for careful, certain in zip(
        unsure["passing"], worst["passing"], strict=True
    ):  # exp(-m) without a failure
        assert careful["chance"] == pytest.approx(certain["chance"] ** faster, rel=1e-9)


# --- legal, but weak -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (trade(hours="?", temp="50"), "Use is hotter than the stress for 100 %"),
        (trade(hours="?").replace("0.7", "0"), "The activation energy is 0"),
        (trade(hours="?", temp="200"), "more than 1000"),
        (trade(hours="?", temp="50"), "the stress is milder than use"),
    ],
)
def test_what_is_weak_is_said(line: str, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert any(says in note for note in facts(capsys, line)["notes"])
    done = plan(capsys, line)
    assert says in " ".join(done.out.split())
    assert "warning: " in done.out
    assert "warning: " not in plan(capsys, trade(hours="?")).out


# --- other stresses, sample sizes ----------------------------------------------------------------------------------


def test_other_stresses(campaign: str, capsys: pytest.CaptureFixture[str]) -> None:
    line = f"--campaign {campaign} --hours '?' --compare 125,1.98 --compare 150,2.1 --compare 135"
    found = facts(capsys, line)
    same, hotter, middle = found["stresses"]
    assert same["hours_one_look"] == pytest.approx(found["one_look"]["hours"], rel=1e-12)
    assert same["hours_any_time"] == pytest.approx(found["any_time"]["hours"], rel=1e-12)
    assert (same["doubtful"], hotter["doubtful"]) == (False, True)  # 484 and 3100 times
    assert hotter["hours_one_look"] < middle["hours_one_look"] < same["hours_one_look"]
    assert middle["supply_v"] == 1.98
    out = plan(capsys, line).out
    assert "3,100, 487 (doubtful)" in out
    assert "484, 98.1\n" in out


def test_sample_sizes(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = {
        (s["share_defective"], s["failures"]): (s["binomial"], s["poisson"], s["jedec"])
        for s in facts(capsys, "--sample-sizes")["sample_sizes"]
    }
    assert len(sizes) == 35
    assert (sizes[0.05, 1][0], sizes[0.01, 0][:2], sizes[0.02, 2][2]) == (77, (230, 231), 266)
    assert "230 (231)" in plan(capsys, trade(chips="?", confidence="0.9") + " --sample-sizes").out
    assert "92 (92)" in plan(capsys, "--sample-sizes --confidence 0.6").out  # success run, 60 %, 1 %


# --- the answer is no ----------------------------------------------------------------------------------------------


def test_what_cannot_be_had_is_exit_code_1(capsys: pytest.CaptureFixture[str]) -> None:
    line = trade(failures="?", target="40")
    done = plan(capsys, line)
    assert (done.code, done.err) == (1, "")
    assert done.out.startswith("Not even a plan without a failure is enough")
    done = plan(capsys, f"{line} --json")
    found = json.loads(done.out)
    assert (done.code, found["one_look"], found["any_time"]) == (1, None, None)


def test_what_only_one_look_can_have_is_said_of_both(capsys: pytest.CaptureFixture[str]) -> None:
    done = plan(capsys, trade(failures="?", target="55"))
    assert done.code == 0
    one_look, any_time, *_ = done.out.splitlines()
    assert one_look.startswith("Allowed: no failure for one look")
    assert any_time.startswith("for any number of looks not even")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (trade(chips="?", target="1e-6"), "No number of chips up to 1,000,000"),
        (trade(hours="?", target="1e-6", temp="55"), "No time up to 10,000,000 h"),
        (trade(temp="?", target="1e-6", hours="0.001"), "No temperature up to 400 C"),
        (trade(confidence="?", target="0.001"), "Not even 1 %"),
        (trade(target="?", hours="0.001", temp="-100"), "No target up to 1e9 FIT"),
        (
            trade(target="0.001") + " --supply '?' --exponent 1 --use-supply 1.8",
            "No supply up to ten times that of use",
        ),
    ],
)
def test_each_no_says_how_far_was_looked(line: str, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = plan(capsys, line)
    assert (done.code, done.err) == (1, "")
    assert done.out.startswith(f"{says} is enough")


# --- rounding ------------------------------------------------------------------------------------------------------


def test_no_figure_gains_by_being_shown(campaign: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = facts(capsys, f"--campaign {campaign} --hours '?' --target 37")
    text = plan(capsys, f"--campaign {campaign} --hours '?' --target 37").out

    def row(label: str) -> list[float]:
        (line,) = (line for line in text.splitlines() if line.strip().startswith(f"{label}  "))
        words = line.replace(",", "").removeprefix(f"    {label}").split()
        return [float(word) for word in words if word[0].isdigit()]

    for column, kind in enumerate(("one_look", "any_time")):
        assert row("hours")[column] >= found[kind]["hours"] * (1 - 1e-9)
        assert row("bound at the end")[column] >= found[kind]["fit_upper"] * (1 - 1e-9)
        assert row("equivalent chip-hours")[column] <= found[kind]["equivalent_h"]
        assert row("field life in hours")[column] <= found[kind]["covered_years"]


def test_lines_fit_a_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for line in (
        trade(chips="?"),
        trade(failures="?", target="55"),
        f"--campaign {EXAMPLE} --temp '?' --sample-sizes --compare 150,2.1",
        f"--campaign {written(tmp_path, 'ea_sd_ev = 0.05', INTERVAL)} --hours 5000 --confidence '?'",
        trade(hours="?").replace("0.7", "0") + " --self-heating 9",
        trade(hours="?", temp="250"),
    ):
        assert max(len(text) for text in plan(capsys, line).out.splitlines()) <= 110


# --- wrong input: exit code 2 --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "--ea: is needed, or a campaign file"),
        ("--ea 0.7 --hours '?'", "--use-temp: is needed"),
        (f"{PART} --hours '?'", "--chips, --temp, --confidence, --target: must be given"),
        (f"{PART} --hours 9", "--chips, --temp, --confidence, --target: must be given, but for one"),
        (trade(chips="?", hours="?"), "--chips, --hours: one quantity can be asked for at a time"),
        (trade(), "nothing is asked for"),
        (f"--campaign {EXAMPLE}", "nothing is asked for"),
        (f"--campaign {EXAMPLE} --hours '?' --ea 1", "--ea: stands in the campaign file"),
        (f"--campaign {EXAMPLE} --hours '?' --mixture-rate 1", "--mixture-rate: stands in the campaign file"),
        ("--campaign none.toml --hours '?'", "none.toml"),
        (trade(chips="?", temp="900"), "--temp 900: a number from -100 to 400 is allowed"),
        (trade(hours="?", chips="2.5"), "--chips 2.5: a whole number from 1 to 1,000,000 is allowed"),
        (trade(hours="?", chips="0"), "--chips 0: a whole number from 1"),
        (trade(hours="?", failures="231"), "--failures must be fewer than the chips, 231; got 231"),
        (trade(hours="?", failures="-1"), "--failures -1: a whole number from 0"),
        (trade(hours="?", confidence="60"), "--confidence 60: a number from 0.01 to 0.999999 is allowed"),
        (trade(hours="?", target="0"), "--target 0: a number from 1e-06"),
        (trade(hours="nan"), "--hours: 'nan' is neither a number nor ?"),
        (trade(hours="many"), "--hours: 'many' is neither a number nor ?"),
        (trade(hours="?").replace("0.7", "?"), "--ea: '?' is not a number"),
        (trade(hours="?").replace("0.7", "7"), "--ea 7: a number from -1 to 5 is allowed"),
        (trade(hours="?") + " --gamma 3", "--use-supply: is needed with a voltage term"),
        (trade(hours="?") + " --gamma 3 --use-supply 1.8", "--supply: must be given"),
        (trade(hours="?") + " --gamma 3 --exponent 3 --use-supply 1 --supply 1", "one voltage term or none"),
        (trade() + " --supply '?'", "--supply ?: no mechanism has a voltage term"),
        (trade(temp="?").replace("0.7", "-0.1"), "--temp ?: no mechanism runs faster when hotter"),
        (trade(hours="?") + " --life-years 0", "--life-years 0: a number from 0.001 to 1,000 is allowed"),
        (f"{PART} --life-years '?' --hours 9", "--temp: must be given"),
        (trade(hours="?") + " --compare hot", "--compare hot: give TEMP,SUPPLY"),
        (trade(hours="?") + " --compare 150,1,2", "--compare 150,1,2: give TEMP,SUPPLY"),
        (trade(hours="?") + " --compare 500", "--compare 500: a temperature from -100 to 400 is allowed"),
        (trade(hours="?") + " --compare 150,nan", "--compare 150,nan: a supply from"),
        (
            trade(failures="?", target="40") + " --compare 150",
            "--compare: the plan itself must have an answer",
        ),
        (
            f"--campaign {EXAMPLE} --supply '?' --compare 150",
            "--compare 150: the supply is asked for",
        ),
        (trade(chips="?", hours="-5"), "--hours -5: a number from 0.001 to 10,000,000 is allowed"),
        (trade(hours="?", confidence="1"), "--confidence 1: a number from 0.01 to 0.999999 is allowed"),
        (trade(hours="?", temp="-280"), "--temp -280: a number from -100 to 400 is allowed"),
        (trade(hours="?").replace("55", "-280"), "--use-temp -280: a number from -100 to 400 is allowed"),
        (trade(hours="?") + " --ea-low 0.6", "--ea-high: is needed too"),
        (trade(hours="?") + " --ea-high 0.8", "--ea-low: is needed too"),
        (trade(hours="?") + " --ea-low 0.8 --ea-high 0.9", "--ea-low 0.8: a number from -1 to --ea, 0.7, is"),
        (trade(hours="?") + " --ea-low 0.1 --ea-high 0.2", "--ea-high 0.2: a number from --ea, 0.7, to 5 is"),
        (f"--campaign {EXAMPLE} --hours '?' --ea-low 1", "--ea-low: stands in the campaign file"),
        ("--sample-sizes --confidence 1", "--confidence 1: a number from"),
        (
            "--ea 5 --gamma 100 --use-temp 25 --use-supply 1 --supply 900 --temp 200 --hours 9 --target 5 "
            "--confidence 0.6 --chips '?'",
            "acceleration factor",
        ),
    ],
)
def test_wrong_input_is_one_sentence(line: str, says: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = plan(capsys, line)
    assert (done.code, done.out) == (2, "")
    assert len(done.err.splitlines()) == 1
    assert done.err.startswith("lifebound plan: ")
    assert says in done.err


def test_a_normal_error_needs_a_stress_hotter_than_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "ea_sd_ev = 0.05")
    for more, option in (("--temp 50", "--temp must be above 60"), ("--compare 50", "--compare 50: ")):
        done = plan(capsys, f"--campaign {path} --hours '?' {more}")
        assert (done.code, done.out) == (2, "")
        assert done.err.startswith(f"lifebound plan: {option}")
        assert "must be above 60 where" in done.err
        assert "got 50.0" in done.err
