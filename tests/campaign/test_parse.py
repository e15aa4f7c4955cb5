"""The campaign file: what it gives, and what is said of a wrong one.

Expected values are those of the example in the interface page and the defaults of the figures page; all names are
invented.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import Campaign, CampaignError, Source, load, parse
from monitor.claims import EaInterval, EaNormal
from monitor.figures import prospect
from monitor.ledger import Limits
from monitor.service.account import Account
from shared.errors import InputError
from tests.campaign.files import DEMO, EXAMPLE, changed, problems, read, with_chips_file, without_chips
from tests.figures.bench import campaign_text, make_campaign, toml


def piece_of(new: str) -> tuple[str, str]:
    """The line of the example that ``new`` stands in for, and ``new``."""
    key = new.partition(" = ")[0]
    return next(line for line in EXAMPLE.splitlines() if line.startswith(f"{key} = ")), new


# --- the examples --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [EXAMPLE, DEMO], ids=["tern-a1", "demo"])
def test_the_examples_hold_three_lots_of_77_on_two_racks_of_six_boards(text: str) -> None:
    campaign = read(text)
    assert len(campaign.chips) == 231
    assert Counter(chip.lot for chip in campaign.chips) == {"A": 77, "B": 77, "C": 77}
    assert {chip.rack for chip in campaign.chips} == {"oven-1", "oven-2"}
    assert {(c.rack, c.board) for c in campaign.chips} == {
        (f"oven-{rack}", board) for rack in (1, 2) for board in range(1, 7)
    }
    assert max(Counter((c.rack, c.board) for c in campaign.chips).values()) == 20
    assert (
        len({c.serial for c in campaign.chips})
        == len({(c.rack, c.board, c.socket) for c in campaign.chips})
        == 231
    )
    (certain,) = campaign.warnings  # of charge-loss an interval is stated
    assert (certain.where, "taken as certain" in certain.allowed) == ("mechanism[2].ea_ev", True)


def test_the_example_says_what_the_interface_page_says() -> None:
    campaign = read(EXAMPLE)
    assert (campaign.id, campaign.title) == ("tern-a1", "Tern A1 embedded flash, operating life")
    assert (campaign.planned_hours, campaign.read_points_h) == (1000.0, (168.0, 500.0, 1000.0))
    assert (campaign.confidence, campaign.target_fit) == ((0.6, 0.9), 50.0)
    s = campaign.stress
    assert (s.temp_c, s.temp_tol_minus_c, s.temp_tol_plus_c) == (125, 2, 5)
    assert (s.supply_v, s.supply_tol_v) == (Decimal("1.98"), Decimal("0.04"))
    assert (s.read_rate_hz, s.report_interval_s, s.self_heating_c) == (200_000, 10, 4)
    assert (s.min_read_fraction, s.max_read_fraction) == (Decimal("0.9"), Decimal("1.1"))
    assert (s.max_gap_s, s.bridge_gap_s, s.reorder_hold_s, s.accelerate_at) == (30, 0, 60, "measured")
    use = campaign.use
    assert (use.life_years, use.reads_per_day) == (15.0, 5e5)
    assert [(p.share, p.temp_c, p.supply_v, p.self_heating_c) for p in use.profile] == [
        (0.06, -20.0, 1.8, 4.0),
        (0.94, 60.0, 1.8, 4.0),
    ]
    rule = campaign.failure
    assert (rule.errors, rule.common_cause_chips, rule.common_cause_s) == (1, 3, 60)
    assert (campaign.prefix, campaign.claims.mixture_rate) == ("lifebound", 5.0)
    assert [(m.name, m.ea_ev, m.gamma_per_v, m.voltage_exponent) for m in campaign.mechanisms] == [
        ("charge-loss", 1.1, 0.0, 0.0),
        ("gate-oxide", 0.7, 3.5, 0.0),
    ]
    assert campaign.energies == (EaInterval(1.0, 1.2), None)
    assert (campaign.macro.words, campaign.macro.bits, use.reads_on) == (32768, 32, "macro")
    claims = campaign.claims
    assert (claims.failures_allowed, claims.discrimination) == (1, 3.0)
    assert (claims.producer_risk, claims.consumer_risk) == (0.1, 0.1)
    assert (claims.weibull_shapes, claims.early_life_h) == ((0.5, 1.0, 2.0), 8766.0)


def test_the_defaults_are_those_of_the_figures_page() -> None:
    """Everything that may be left out, left out."""
    campaign = read(
        """
        campaign = {id = "a", planned_hours = 1, target_fit = 1}
        stress = {temp_c = 125, temp_tol_minus_c = 2, temp_tol_plus_c = 5, supply_v = 1.98, supply_tol_v = 0.04,
                  read_rate_hz = 1, report_interval_s = 7.5}
        use = {life_years = 1, reads_per_day = 1, supply_v = 1.8, profile = [{share = 1, temp_c = 55}]}
        mechanism = [{name = "a", ea_ev = 0.7}]
        chips = [{rack = "r", board = 1, sockets = "1", lot = "A", serial = "A"}]
        """.replace(",\n", ", ")
    )
    s = campaign.stress
    assert s.max_gap_s == Decimal("22.5")  # three report intervals
    assert (s.bridge_gap_s, s.reorder_hold_s, s.accelerate_at, s.self_heating_c) == (0, 60, "measured", 0)
    assert (s.min_read_fraction, s.max_read_fraction) == (Decimal("0.9"), Decimal("1.1"))
    rule = campaign.failure
    assert (rule.errors, rule.common_cause_chips, rule.common_cause_s) == (1, 3, 60)
    assert (campaign.prefix, campaign.claims.mixture_rate, campaign.confidence) == (
        "lifebound",
        5.0,
        (0.6, 0.9),
    )
    assert (campaign.title, campaign.read_points_h) == ("", ())
    assert campaign.use.profile[0].self_heating_c == 0.0
    assert (campaign.use.reads_on, campaign.macro.words, campaign.macro.bits) == ("macro", None, None)
    assert campaign.energies == (None,)
    claims = campaign.claims
    assert (claims.failures_allowed, claims.discrimination) == (None, None), "no plan unless one is declared"
    assert (claims.producer_risk, claims.consumer_risk) == (0.1, 0.1)
    assert (claims.weibull_shapes, claims.early_life_h) == ((0.5, 1.0, 2.0), 8766.0)


def test_a_profile_line_may_have_its_own_supply_and_self_heating() -> None:
    campaign = read(changed(("temp_c = -20.0", "temp_c = -20.0\nsupply_v = 1.7\nself_heating_c = 0.5")))
    first, second = campaign.use.profile
    assert (first.supply_v, first.self_heating_c) == (1.7, 0.5)
    assert (second.supply_v, second.self_heating_c) == (1.8, 4.0)


def test_a_power_law_of_the_supply() -> None:
    campaign = read(changed(("gamma_per_v = 3.5", "voltage_exponent = 40")))
    assert (campaign.mechanisms[1].gamma_per_v, campaign.mechanisms[1].voltage_exponent) == (0.0, 40.0)


def test_decimals_are_kept_as_written() -> None:
    """As doubles 1.1 x 3 and 0.1 + 0.2 miss; 1.98 + 0.04 must be 2.02 exactly, so that 2.02 V lies inside."""
    campaign = read(
        changed(
            ("supply_v = 1.98", "supply_v = 0.1"),
            ("supply_tol_v = 0.04", "supply_tol_v = 0.02"),
            ("supply_v = 1.80", "supply_v = 0.10"),
        )
    )
    assert campaign.stress.supply_v + campaign.stress.supply_tol_v == Decimal("0.12")
    example = read(EXAMPLE)
    limits = Limits.of(example)
    assert example.stress.supply_v + example.stress.supply_tol_v == Decimal("2.02")
    assert (limits.supply_low_v, limits.supply_high_v) == (1.94, 2.02)
    for volts, inside in (
        (2.02, True),
        (2.0200000000000005, False),
        (1.94, True),
        (1.9399999999999997, False),
    ):
        assert limits.supply_ok(volts) is inside
    assert (1.1 + 2.2 == 3.3) is False  # what doubles would do to a limit of 3.3
    hot = read(
        changed(("temp_c = 125.0", "temp_c = 101.1"), ("temp_tol_plus_c = 5.0", "temp_tol_plus_c = 2.2"))
    )
    assert Limits.of(hot).temp_high_c == 103.3


def test_what_is_stated_of_an_activation_energy() -> None:
    """An interval may be a point, and Ea may lie at its end; a normal error is as it is written."""
    interval = [f"{key} = {value}" for key, value in (("ea_low_ev", 1.0), ("ea_high_ev", 1.2))]
    for low, high in ((1.1, 1.1), (0.9, 1.1), (1.1, 1.3)):
        text = changed((interval[0], f"ea_low_ev = {low}"), (interval[1], f"ea_high_ev = {high}"))
        assert read(text).energies == (EaInterval(low, high), None)
    normal = changed((interval[0], "ea_sd_ev = 0.05"), ("ea_high_ev", "# ea_high_ev"))
    assert read(normal).energies == (EaNormal(1.1, 0.05), None)
    both = changed(("ea_ev = 0.7", "ea_ev = 0.7\nea_sd_ev = 0.02"))
    assert read(both).energies == (EaInterval(1.0, 1.2), EaNormal(0.7, 0.02))


@pytest.mark.parametrize(
    ("line", "of"),
    [
        ("failures_allowed = 0", lambda c: (c.claims.failures_allowed, 0)),
        ("failures_allowed = 100", lambda c: (c.claims.failures_allowed, 100)),
        ("discrimination = 1.5", lambda c: (c.claims.discrimination, 1.5)),
        ("discrimination = 1000", lambda c: (c.claims.discrimination, 1000.0)),
        ("producer_risk = 0.49", lambda c: (c.claims.producer_risk, 0.49)),
        ("consumer_risk = 0.01", lambda c: (c.claims.consumer_risk, 0.01)),
        ("weibull_shapes = [0.1, 10]", lambda c: (c.claims.weibull_shapes, (0.1, 10.0))),
        ("early_life_h = 1000000", lambda c: (c.claims.early_life_h, 1e6)),
        ("early_life_h = 0.5", lambda c: (c.claims.early_life_h, 0.5)),
        ("words = 1", lambda c: (c.macro.words, 1)),
        ("words = 1000000000000", lambda c: (c.macro.words, 10**12)),
        ("bits = 1000000", lambda c: (c.macro.bits, 10**6)),
        ('reads_on = "word"', lambda c: (c.use.reads_on, "word")),
    ],
)
def test_new_keys_to_their_very_bounds(line: str, of: Callable[[Campaign], tuple[object, object]]) -> None:
    campaign = read(changed(piece_of(line)))
    found, expected = of(campaign)
    assert found == expected
    Account(campaign).figures()


# --- doubts --------------------------------------------------------------------------------------------------------


def doubts(*edits: tuple[str, str], text: str = EXAMPLE) -> list[str]:
    """The warnings of a changed file, as they are told."""
    return [str(warning) for warning in read(changed(*edits, text=text)).warnings]


WARNED = doubts()


def test_a_short_reorder_hold_is_a_warning_and_no_more() -> None:
    """Under twice the 20 s after which a rack sends again."""
    assert doubts(("reorder_hold_s = 60", "reorder_hold_s = 40")) == WARNED
    (warning, *others) = doubts(("reorder_hold_s = 60", "reorder_hold_s = 39.9"))
    assert warning.startswith("stress.reorder_hold_s: found 39.9;")
    assert others == WARNED


def test_reads_on_one_word_need_the_number_of_words() -> None:
    words = next(line for line in EXAMPLE.splitlines() if line.startswith("words = "))
    assert doubts(piece_of('reads_on = "word"')) == WARNED
    assert doubts((words, "")) == WARNED, "spread over the macro nothing depends on it"
    said = set(doubts((words, ""), piece_of('reads_on = "word"'))) - set(WARNED)
    (warning,) = said
    assert warning.startswith('use.reads_on: found "word"; without macro.words')


@pytest.mark.parametrize(("lots", "per_lot"), [(3, 77), (2, 77), (3, 76), (1, 1), (4, 100)])
def test_a_sample_under_3_lots_of_77_is_a_doubt(lots: int, per_lot: int) -> None:
    blocks = "".join(
        f'[[chips]]\nrack = "oven-1"\nboard = {lot}\nsockets = "1-{per_lot}"\nlot = "L{lot}"\nserial = "{lot}-{{n}}"\n'
        for lot in range(1, lots + 1)
    )
    said = [w for w in read(without_chips() + blocks).warnings if w.where == "chips"]
    expected = []
    if lots < 3:
        expected.append(f"{lots} of at least 3 lots")
    if per_lot < 77:
        expected.append(
            "lots under 77 chips: " + ", ".join(f"L{lot} {per_lot}" for lot in range(1, lots + 1))
        )
    assert [w.found for w in said] == expected


def test_of_many_small_lots_only_some_are_named() -> None:
    blocks = "".join(
        f'[[chips]]\nrack = "oven-1"\nboard = {lot}\nsockets = "1"\nlot = "L{lot}"\nserial = "{lot}"\n'
        for lot in range(1, 10)
    )
    (said,) = (w for w in read(without_chips() + blocks).warnings if w.where == "chips")
    assert said.found == "lots under 77 chips: L1 1, L2 1, L3 1, L4 1, L5 1, .."


def weak(ea_ev: float, use_c: float, stress_c: float = 125) -> str:
    """The doubts about a mechanism of that energy, stressed for a use at one temperature."""
    campaign = make_campaign(
        stress={"temp_c": stress_c},
        use={"profile": [{"share": 1, "temp_c": use_c}]},
        mechanism=[{"name": "m", "ea_ev": ea_ev}],
    )
    return "\n".join(str(w) for w in campaign.warnings if w.where == "mechanism[1]")


def test_extrapolations_that_are_legal_but_weak() -> None:
    """At 125 and 55 °C exp(Ea x 6.21736 / eV) is 78 at 0.7 eV, 993 at 1.11 eV and 1125 at 1.13 eV (by hand).

    From 125 to 24.9 °C it is 100.1 °C.
    """
    assert weak(0.7, 55) == ""
    assert weak(1.11, 55) == ""
    assert "1000" in weak(1.13, 55)
    assert weak(0.3, 25) == "", "just 100 °C"
    assert "100" in weak(0.3, 24.9)
    assert weak(0, 55) != "", "no acceleration by temperature at all"
    assert weak(0.7, 130) != "", "the use is hotter than the stress"


# --- wrong files ---------------------------------------------------------------------------------------------------

# A line in place of the first of the same key -> where, what was found, what is allowed: pieces of exactly one problem.
WRONG_LINES = [
    ('id = "Tern A1"', "campaign.id", '"Tern A1"', "a to z"),
    ("id = 7", "campaign.id", "found 7", "a to z"),
    ("planned_hours = 0", "campaign.planned_hours", "found 0", "above 0"),
    ('planned_hours = "1000"', "campaign.planned_hours", '"1000"', "number"),
    ("planned_hours = inf", "campaign.planned_hours", "Infinity", "number"),
    ("planned_hours = nan", "campaign.planned_hours", "NaN", "number"),
    ("planned_hours = true", "campaign.planned_hours", "true", "number"),
    ("read_points_h = [168, 1000, 500]", "campaign.read_points_h", "[168, 1000, 500]", "rising"),
    ("read_points_h = [168, 168]", "campaign.read_points_h", "168", "rising"),
    ("confidence = [60, 90]", "campaign.confidence", "[60, 90]", "0.01 to 0.999999"),
    ("confidence = []", "campaign.confidence", "[]", "1 to 8"),
    ("confidence = [0.6, 0.60]", "campaign.confidence", "0.6", "different"),
    ("confidence = [1.0]", "campaign.confidence", "1.0", "0.999999"),
    ("target_fit = -50", "campaign.target_fit", "-50", "above 0"),
    ("temp_c = 498.15", "stress.temp_c", "498.15", "-100 and 400"),
    ("temp_tol_minus_c = -2.0", "stress.temp_tol_minus_c", "-2.0", "at least 0"),
    ("supply_v = 0.0", "stress.supply_v", "0", "above 0"),
    ("supply_v = 1980", "mechanism[2]", "inf times", "look at ea_ev"),
    ("supply_tol_v = 2", "stress.supply_tol_v", "2", "less than supply_v (1.98)"),
    ('read_rate_hz = "2.0e5"', "stress.read_rate_hz", '"2.0e5"', "number"),
    ("report_interval_s = 2678401", "stress.report_interval_s", "2678401", "at most 2678400"),
    ("report_interval_s = 0", "stress.report_interval_s", "0", "above 0"),
    ("min_read_fraction = 90", "stress.min_read_fraction", "90", "at most 1"),
    ("max_read_fraction = 0.9", "stress.max_read_fraction", "0.9", "1 to 10"),
    ("max_gap_s = 5", "stress.max_gap_s", "5", "at least report_interval_s (10)"),
    ("reorder_hold_s = -1", "stress.reorder_hold_s", "-1", "at least 0"),
    ('accelerate_at = "mean"', "stress.accelerate_at", '"mean"', '"measured" or "setpoint"'),
    ("share = 0.07", "use.profile", "1.01", "add up to 1"),
    ("share = -0.06", "use.profile[1].share", "-0.06", "above 0"),
    ("errors = 0", "failure.errors", "0", "at least 1"),
    ("errors = 1.0", "failure.errors", "1.0", "whole number"),
    ("common_cause_chips = 1", "failure.common_cause_chips", "1", "at least 2"),
    ('prefix = "lab/#"', "intake.prefix", '"lab/#"', "without wildcards"),
    ("mixture_rate = 51", "claims.mixture_rate", "51", "0 to 50"),
    ("failures_allowed = -1", "claims.failures_allowed", "-1", "0 to 100"),
    ("failures_allowed = 101", "claims.failures_allowed", "101", "0 to 100"),
    ("failures_allowed = 1.0", "claims.failures_allowed", "1.0", "whole number"),
    ("discrimination = 1", "claims.discrimination", "1", "above 1 and at most 1000"),
    ("discrimination = 1001", "claims.discrimination", "1001", "above 1 and at most 1000"),
    ('discrimination = "3"', "claims.discrimination", '"3"', "above 1"),
    ("producer_risk = 0", "claims.producer_risk", "0", "above 0 and below 0.5"),
    ("producer_risk = 10", "claims.producer_risk", "10", "above 0 and below 0.5"),
    ("consumer_risk = 0.5", "claims.consumer_risk", "0.5", "above 0 and below 0.5"),
    ("weibull_shapes = []", "claims.weibull_shapes", "[]", "1 to 5"),
    ("weibull_shapes = [2, 1]", "claims.weibull_shapes", "[2, 1]", "rising"),
    ("weibull_shapes = [0.09]", "claims.weibull_shapes", "0.09", "0.1 to 10"),
    ("weibull_shapes = [1, 11]", "claims.weibull_shapes", "11", "0.1 to 10"),
    ("weibull_shapes = [1, 2, 3, 4, 5, 6]", "claims.weibull_shapes", "6", "1 to 5"),
    ("producer_risk = 1e-30", "claims.consumer_risk", "runs 0.179", "1.5 times"),
    ("weibull_shapes = 1", "claims.weibull_shapes", "found 1", "a list"),
    ("early_life_h = 0", "claims.early_life_h", "0", "above 0"),
    ("early_life_h = 1000001", "claims.early_life_h", "1000001", "1000000"),
    ("words = 0", "macro.words", "0", "1 to 1e12"),
    ("words = 1000000000001", "macro.words", "1000000000001", "1 to 1e12"),
    ("bits = 39.0", "macro.bits", "39.0", "1 to 1e6"),
    ("bits = 1000001", "macro.bits", "1000001", "1 to 1e6"),
    ('reads_on = "words"', "use.reads_on", '"words"', '"macro"'),
    ("ea_low_ev = 1.11", "mechanism[1].ea_low_ev", "1.11 to 1.2", "ea_ev (1.1) must lie in between"),
    ("ea_high_ev = 1.09", "mechanism[1].ea_low_ev", "1.0 to 1.09", "ea_ev (1.1) must lie in between"),
    ("ea_low_ev = -1.1", "mechanism[1].ea_low_ev", "-1.1", "-1 and 5"),
    ("ea_high_ev = 12", "mechanism[1].ea_high_ev", "12", "-1 and 5"),
    ("ea_high_ev = true", "mechanism[1].ea_high_ev", "true", "-1 and 5"),
    ('name = "gate-oxide"', "mechanism[2].name", "stands twice", "of its own"),
    ("ea_ev = 700", "mechanism[1].ea_ev", "700", "-1 and 5"),
    ("target_fit = 0x" + "f" * 5000, "campaign.target_fit", "very many digits", "above 0"),
    ("read_rate_hz = 1e-9999999", "stress.read_rate_hz", "1E-9999999", "of ordinary size"),
    ("planned_hours = 1e9999999", "campaign.planned_hours", "1E+9999999", "of ordinary size"),
    ('rack = "Oven 1"', "chips[1].rack", '"Oven 1"', "as in oven-1"),
    ("board = 0", "chips[1].board", "0", "1 to 9999"),
    ('board = "1"', "chips[1].board", '"1"', "1 to 9999"),
    ('sockets = "20-1"', "chips[1].sockets", '"20-1"', 'as in "1-20"'),
    ('sockets = "1-257"', "chips[1].sockets", '"1-257"', "1 to 256"),
    ("sockets = 20", "chips[1].sockets", "20", 'as in "1-20"'),
    ('serial = "A-{m}"', "chips[1].serial", '"A-{m}"', '"A-{n:03}"'),
    ('serial = "A-{n:64}"', "chips[1].serial", '"A-{n:64}"', "pattern"),
    ('lot = "<b>A</b>"', "chips[1].lot", '"<b>A</b>"', "letters, digits"),
]
# The same for other changes: old and new piece first.
WRONG_PIECES = [
    ('id = "tern-a1"', "", "campaign.id", "missing", "a to z"),
    ("title = ", 'title = "a\\nb" #', "campaign.title", '"a?b"', "one printable line"),
    ("temp_c = -20.0", "temp_c = -200", "use.profile[1].temp_c", "-200", "-100 and 400"),
    (
        "gamma_per_v = 3.5",
        "gamma_per_v = 3.5\nvoltage_exponent = 40",
        "mechanism[2].gamma_per_v",
        "voltage_exponent",
        "one voltage term",
    ),
    ("ea_ev = 1.1", "", "mechanism[1].ea_ev", "missing", "eV"),
    ("ea_low_ev", "# ea_low_ev", "mechanism[1].ea_low_ev", "missing", "needs both ends"),
    ("ea_high_ev", "# ea_high_ev", "mechanism[1].ea_high_ev", "missing", "needs both ends"),
    (
        "ea_ev = 1.1",
        "ea_ev = 1.1\nea_sd_ev = 0.1",
        "mechanism[1].ea_sd_ev",
        "together with an interval",
        "one way",
    ),
    ("ea_ev = 0.7", "ea_ev = 0.7\nea_sd_ev = 0", "mechanism[2].ea_sd_ev", "found 0", "above 0 and at most 1"),
    (
        "ea_ev = 0.7",
        "ea_ev = 0.7\nea_sd_ev = 1.1",
        "mechanism[2].ea_sd_ev",
        "found 1.1",
        "above 0 and at most 1",
    ),
    ("[macro]", "[macro]\nword = 1", "macro.word", "unknown key", 'did you mean "words"?'),
    ("[claims]", "[claims]\nfailures = 1", "claims.failures", "unknown key", "failures_allowed"),
    (
        "planned_hours = 1000",
        "planned_hours = 1000\nplaned_hours = 1",
        "campaign.planed_hours",
        "unknown key",
        'did you mean "planned_hours"?',
    ),
    (
        "errors = 1",
        "errors = 1\nzzz = 1",
        "failure.zzz",
        "unknown key",
        "known keys: errors, common_cause_chips, common_cause_s",
    ),
    ("[failure]", "[failures]\n[failure]", "failures", "unknown key", 'did you mean "failure"?'),
    ("[claims]", "[[claims]]", "claims", "found [a table]", "a table is needed"),
    (
        "[campaign]",
        'chips_file = "chips.csv"\n[campaign]',
        "chips_file",
        "together with [[chips]]",
        "one of the two",
    ),
    ('title = "Tern A1', 'title = "a\\nb', "campaign.title", '"a?b', "one printable line"),
]


@pytest.mark.parametrize(
    ("old", "new", "where", "found", "allowed"),
    [(*piece_of(new), *expected) for new, *expected in WRONG_LINES] + WRONG_PIECES,
)
def test_a_wrong_key_is_named_with_what_was_found_and_what_is_allowed(
    old: str, new: str, where: str, found: str, allowed: str
) -> None:
    (problem,) = problems(changed((old, new)))
    assert problem.where == where
    assert found in problem.found
    assert allowed in problem.allowed


def test_a_file_with_eight_mistakes_gives_eight_problems() -> None:
    """One mistake is one problem: what stands in for a wrong value raises no second one."""
    mistakes = {
        ('id = "tern-a1"', 'id = "Tern A1"'): "campaign.id",
        ("planned_hours = 1000", "planned_hours = -1"): "campaign.planned_hours",
        ("supply_v = 1.98", "supply_v = -1.98"): "stress.supply_v",
        ("max_gap_s = 30", 'max_gap_s = "30 s"'): "stress.max_gap_s",
        ("share = 0.06", "share = 6"): "use.profile[1].share",
        ("ea_ev = 0.7", "ea_ev = 70"): "mechanism[2].ea_ev",
        ("board = 2", 'board = "two"'): "chips[2].board",
        ("mixture_rate = 5.0", "mixture_rat = 5.0"): "claims.mixture_rat",
    }
    text = changed(*mistakes)
    assert sorted(p.where for p in problems(text)) == sorted(mistakes.values())
    with pytest.raises(CampaignError) as caught:
        read(text)
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("spoiled.toml: 8 problems")
    assert len(lines) == 9
    assert all(any(where in line for line in lines[1:]) for where in mistakes.values())


def test_an_empty_file_names_every_key_that_is_needed() -> None:
    assert {p.where for p in problems("")} == {
        "campaign.id",
        "campaign.planned_hours",
        "campaign.target_fit",
        "stress.temp_c",
        "stress.temp_tol_minus_c",
        "stress.temp_tol_plus_c",
        "stress.supply_v",
        "stress.supply_tol_v",
        "stress.read_rate_hz",
        "stress.report_interval_s",
        "use.life_years",
        "use.reads_per_day",
        "use.supply_v",
        "use.profile",
        "mechanism",
        "chips",
    }


def test_a_campaign_without_chips_says_so() -> None:
    (problem,) = problems(without_chips())
    assert (problem.where, problem.found) == ("chips", "no chip is named")


def test_a_syntax_error_names_line_and_column() -> None:
    (problem,) = problems("[campaign]\nid = \n")
    assert problem.where == "TOML"
    assert "line 2" in problem.found


def test_acceleration_beyond_reason_is_a_problem_not_a_crash() -> None:
    """20 V where 1.98 V was meant: exp(3.5 x 18.2) = 5e27 for the second mechanism, and only for that."""
    text = changed(("supply_v = 1.98", "supply_v = 20"))
    assert [p.where for p in problems(text)] == ["mechanism[2]"]
    # From 129 °C to 329 °C of junction 1.1 eV gain exp(12765 x (1/402.15 - 1/602.15)) = 4e4, 0.7 eV exp(8123 x ...)
    # = 800 and a little by the supply: a limit so wide leaves no room to add up hours.
    wide = changed(("temp_tol_plus_c = 5.0", "temp_tol_plus_c = 200"))
    assert [p.where for p in problems(wide)] == ["mechanism[1]", "mechanism[2]"]
    assert problems(changed(("temp_tol_plus_c = 5.0", "temp_tol_plus_c = 50"))) == []  # 22 times


def test_the_ends_of_what_is_stated_must_be_good_for_figures_too() -> None:
    """From 125 to 25 °C, 5 eV are exp(5 x 9.776) = 1.7e21 times; 0.7 eV only exp(6.84) = 900 (by hand)."""
    cold = {"profile": [{"share": 1, "temp_c": 25}]}
    stated = {"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.6, "ea_high_ev": 5}
    (high,) = problems(campaign_text(use=cold, mechanism=[stated]))
    assert high.where == "mechanism[1]"
    assert "Ea 5 eV" in high.found
    (low,) = problems(changed(("ea_ev = 0.7", "ea_ev = 0.7\nea_sd_ev = 1")))
    assert low.where == "mechanism[2]"
    assert "Ea -4.3 eV" in low.found, "five standard errors down"


def test_a_normal_error_where_a_condition_of_use_is_as_hot_as_the_stress() -> None:
    """A one-sided bound on Ea would then be on the wrong side; an interval is good there too."""
    hot = {"use": {"profile": [{"share": 0.5, "temp_c": 123}, {"share": 0.5, "temp_c": 55}]}}
    stated = {"name": "m", "ea_ev": 0.7, "ea_sd_ev": 0.1}
    (problem,) = problems(campaign_text(**hot, mechanism=[stated]))
    assert problem.where == "mechanism[1].ea_sd_ev"
    assert "ea_low_ev and ea_high_ev" in problem.allowed
    cooler = {"use": {"profile": [{"share": 0.5, "temp_c": 122}, {"share": 0.5, "temp_c": 55}]}}
    assert problems(campaign_text(**cooler, mechanism=[stated])) == []
    interval = {"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.6, "ea_high_ev": 0.8}
    assert problems(campaign_text(**hot, mechanism=[interval])) == []


@pytest.mark.parametrize("discrimination", [1.001, 1.01, 1.1])
def test_a_plan_that_is_taken_can_be_reckoned(discrimination: float) -> None:
    """So near to 1 the plan goes to thousands of failures: it is refused, or every figure is there in a moment."""
    text = campaign_text(claims={"discrimination": discrimination})
    found = problems(text)
    if found:
        assert [p.where for p in found] == ["claims.discrimination"]
    else:
        Account(read(text)).figures()


# --- files on disk -------------------------------------------------------------------------------------------------

CSV = "rack,board,socket,serial,lot\noven-1,1,1,A-1,A\n"


def test_load_reads_the_file_and_the_chips_beside_it(tmp_path: Path) -> None:
    (tmp_path / "chips.csv").write_text(CSV)
    path = tmp_path / "c.toml"
    path.write_text(with_chips_file())
    campaign = load(path)
    assert [c.serial for c in campaign.chips] == ["A-1"]
    assert (campaign.source.name, campaign.source.chips_csv) == ("c.toml", CSV)
    (tmp_path / "chips.csv").write_text(CSV + "oven-1,1,2,A-2,A\n")
    assert load(path).source.sha256 != campaign.source.sha256  # another chips file is another campaign


@pytest.mark.parametrize("name", ["/etc/hostname", "../chips.csv", "a/../../chips.csv", "a\\u0000b", ".."])
def test_a_chips_file_outside_the_folder_is_refused_unread(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "campaign"
    folder.mkdir()
    (tmp_path / "chips.csv").write_text(CSV)
    path = folder / "c.toml"
    path.write_text(with_chips_file(name=name))
    with pytest.raises(CampaignError) as caught:
        load(path)
    assert [p.where for p in caught.value.problems] == ["chips_file"]
    assert "beside it" in str(caught.value)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file"),
        (b"\xff\xfe", "not UTF-8"),
        (b"#" * (1024 * 1024 + 1), "larger than 1048576 bytes"),
    ],
)
def test_a_file_that_cannot_be_read(tmp_path: Path, content: bytes | None, says: str) -> None:
    path = tmp_path / "c.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=says) as caught:
        load(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["chips.csv", ".", "sub/chips.csv"])
def test_a_chips_file_that_is_not_there_is_named(tmp_path: Path, name: str) -> None:
    path = tmp_path / "c.toml"
    path.write_text(with_chips_file(name=name))
    with pytest.raises(InputError) as caught:
        load(path)
    assert str(tmp_path / name) in str(caught.value)


# --- laws ----------------------------------------------------------------------------------------------------------

words = st.sampled_from(
    ["[campaign]", "[[chips]]", "id", " = ", '"', "'", "\n", "1", "e9", "0x", "inf", "{", "}", "[", "]", ",", "é", "#"]
)  # fmt: skip


@given(st.one_of(st.text(), st.lists(words).map("".join)))
def test_any_text_parses_or_is_refused(text: str) -> None:
    for source in (text, EXAMPLE + text, text + EXAMPLE):
        try:
            campaign = read(source)
        except CampaignError:
            assert problems(source)
        else:
            assert campaign.chips


def places(table: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """The path of every key at any depth."""
    items = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    return [p for key, value in items for p in ((*path, key), *places(value, (*path, key)))]


TREE = tomllib.loads(EXAMPLE)
KEYS = [path for path in places(TREE) if isinstance(path[-1], str)]
OTHERS: list[Any] = [
    "",
    "x",
    0,
    -1,
    1,
    7,
    10**30,
    0.5,
    -1.5,
    1e-300,
    1e300,
    True,
    [],
    [1],
    ["a"],
    {},
    {"a": 1},
    [{}],
]


def spoiled(path: tuple[str | int, ...], value: Any) -> str:
    """The example as inline TOML with the value at ``path`` replaced, or dropped when it is None."""

    def copy(node: Any, at: tuple[str | int, ...]) -> Any:
        if isinstance(node, dict):
            kept = {k: copy(v, (*at, k)) if (*at, k) != path else value for k, v in node.items()}
            return {k: v for k, v in kept.items() if v is not None}
        return [copy(item, (*at, i)) for i, item in enumerate(node)] if isinstance(node, list) else node

    return "\n".join(f"{key} = {toml(item)}" for key, item in copy(TREE, ()).items())


def check_mutation(path: tuple[str | int, ...], value: Any) -> None:
    text = spoiled(path, value)
    found = problems(text)
    if found:
        assert any(str(path[-1]) in str(problem) for problem in found), (path, found)
        return
    campaign = read(text)  # what is taken must be good for every figure
    assert prospect(campaign).chips == len(campaign.chips)
    assert Account(campaign).figures().chips.loaded == len(campaign.chips)


def test_the_example_survives_the_round_trip_of_the_mutations() -> None:
    assert read(spoiled((), None)).chips == read(EXAMPLE).chips


@pytest.mark.parametrize("path", [p for p in KEYS if p[:1] != ("chips",) or p[1:2] in {(), (0,)}], ids=str)
def test_every_key_dropped_parses_or_is_named(path: tuple[str | int, ...]) -> None:
    check_mutation(path, None)


@given(st.sampled_from(KEYS), st.sampled_from(OTHERS))
def test_any_value_of_another_type_parses_or_its_key_is_named(
    path: tuple[str | int, ...], value: Any
) -> None:
    check_mutation(path, value)


sizes = st.one_of(st.floats(1e-45, 1e45), st.floats(0.001, 1000), st.integers(0, 10**45))


@given(
    st.sampled_from(
        [p for p in KEYS if p[0] not in {"chips", "campaign"} or p[-1] in {"planned_hours", "target_fit"}]
    ),
    sizes,
    st.booleans(),
)
def test_a_number_that_is_taken_is_good_for_every_figure(
    path: tuple[str | int, ...], size: float, negative: bool
) -> None:
    check_mutation(path, -size if negative else size)


def test_a_report_interval_may_be_as_long_as_two_tallies_may_lie_apart() -> None:
    text = changed(
        ("report_interval_s = 10", "report_interval_s = 2678400"), ("max_gap_s = 30", "max_gap_s = 2678400")
    )
    assert parse(Source("long.toml", text)).stress.report_interval_s == 744 * 3600
