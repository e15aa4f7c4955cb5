"""What the account shows besides its bounds: on the screen and on the page, rounded so that nothing is flattered."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from rich.cells import cell_len

from monitor.faces.terminal import plain_line, summary
from monitor.figures.document import (
    EarlyShown,
    Figures,
    LifeShown,
    Provenance,
    Ratios,
    TotalBounds,
)
from tests.faces.terminal import samples
from tests.faces.terminal.test_page import CONTROL
from tests.faces.terminal.test_view import assert_fits, flat, printed

TALL = (150, 120)


def both(figures: Figures) -> tuple[str, str]:
    """A tall screen and the page, each as one line."""
    return flat(printed(figures, size=TALL)), flat(summary(figures))


def one(**changes: object) -> Figures:
    """A campaign of one mechanism."""
    return samples.sound(mechanisms=[samples.mechanism("charge-loss", 1, **changes)])


# --- the careful bounds --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [80, 150])
def test_what_is_claimed_stands_first_and_below_it_what_an_exact_energy_would_give(width: int) -> None:
    """30 123 987.6 h is rounded down; 30.4209, 76.4409, 85.1604 and 170.0509 FIT are rounded up."""
    lines = printed(samples.declared(), size=(width, 24)).split("\n")
    (at,) = (
        i for i, line in enumerate(lines) if "if Ea is exact" in line
    )  # once: nothing is stated of the other
    assert lines[at - 1].split() == ["gate-oxide", "1/1", "3.01e7", "30.5", "76.5", "85.2", "171"]
    assert lines[at].split()[-6:] == ["1/1", "8.15e7", "11.3", "28.3", "31.5", "62.8"]


def test_the_page_has_the_careful_bounds_with_what_was_stated() -> None:
    page = flat(summary(samples.declared()))
    assert "claimed, with the worst of Ea (stated as 0.6 to 0.8 eV):" in page
    assert "60 % 0.6000 eV 3.01e7 30.5 FIT 85.2 FIT 90 % 0.6000 eV 3.01e7 76.5 FIT 171 FIT" in page
    normal = samples.careful(ea_low_ev=None, ea_high_ev=None, ea_sd_ev=0.05)
    assert "standard error of 0.05 eV" in flat(summary(one(careful=normal)))


def test_a_target_judged_by_careful_bounds_says_so() -> None:
    judged = samples.sound(target=replace(samples.sound().target, careful=True))
    assert "with what is stated of Ea's uncertainty" in both(judged)[0]
    assert all("stated of Ea's uncertainty" not in said for said in both(samples.sound()))


# --- plans ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        # 53 912 345.6 h that are still asked for are rounded up, 53 918 765.4 h that were reached down
        ("go on", "go on to 5.40e7 equivalent h (now 8.15e7, 1 failure)"),
        ("passed", "PASSED at 5.39e7 equivalent h"),
        ("failed", "FAILED at 5.39e7 equivalent h"),
    ],
)
def test_where_a_pass_line_stands(verdict: str, words: str) -> None:
    for said in both(one(pass_line=samples.passing(verdict))):
        assert f"pass line at 90 % with at most 1 failure: {words}" in said


def test_a_plan_is_held_against_the_careful_hours() -> None:
    figures = one(pass_line=samples.passing(), sequential=samples.sequence(), careful=samples.careful())
    for said in both(figures):
        assert "go on to 5.40e7 equivalent h (now 3.01e7, 1 failure)" in said
        assert "accept from 6.60e7 equivalent h (now 3.01e7)" in said


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        (
            "go on",
            "go on, accept from 6.60e7 equivalent h (now 8.15e7); one more failure rejects up to 1.23e6",
        ),
        ("accept", "ACCEPT at 6.59e7 equivalent h"),
        ("reject", "REJECT at 6.59e7 equivalent h"),
    ],
)
def test_where_a_sequential_plan_stands(verdict: str, words: str) -> None:
    for said in both(one(sequential=samples.sequence(verdict))):
        assert "sequential plan against 16.7 FIT as good" in said
        assert "10.0 % and 10.0 % asked, 9.88 % and 11.2 % run" in said
        assert words in said


def test_a_sequential_plan_without_one_of_its_lines() -> None:
    plan = samples.sequence(accept_h=None, reject_h=None)
    for said in both(one(sequential=plan)):
        assert "no acceptance any more" in said
        assert "one more failure rejects" not in said


def test_a_campaign_that_declares_no_plan_tells_of_none() -> None:
    for said in both(samples.sound()):
        assert "pass line" not in said
        assert "sequential" not in said


# --- all mechanisms together, the forecast -------------------------------------------------------------------------


def test_the_total_is_told_where_there_is_more_than_one_mechanism() -> None:
    """88.0031, 70.0112 and 91.0002 FIT are rounded up."""
    words = "at 90 %: any time 88.1 FIT, one look 70.1 FIT (sum of the single bounds 91.1)"
    for said in both(samples.sound()):
        assert words in said
    assert words not in printed(one(), size=TALL)
    none = samples.sound(total=[TotalBounds(0.9, None, None, None)])
    assert all("any time none yet" in said for said in both(none))


def test_the_forecast_is_told_until_the_target_is_met_and_as_no_claim() -> None:
    for said in both(samples.sound()):
        assert "in the 587.7 planned h to go: any time 91.2 %, one look at the end 95.7 %" in said
        assert "a forecast at a constant rate, not a claim" in said
    met = samples.sound(target=replace(samples.sound().target, met=True))
    assert all("forecast" not in said for said in both(met))
    assert all("forecast" not in said for said in both(samples.sound(forecast=None)))


# --- life, early life, fits, influences ----------------------------------------------------------------------------


def test_early_failures_are_extrapolated_unless_every_chip_was_tried_as_long() -> None:
    """247.3781 ppm are rounded up."""
    shown = EarlyShown(0.9, 8766.0, 1, 28.2201, 247.3781, 33.4901, 293.5751, covers=True)
    words = "at a constant rate, 1 failure: expected failures at most 248 ppm at 90 % (one look), 294 ppm any time"
    covered = flat(summary(one(early=[shown])))
    assert words in covered
    assert "extrapolated:" not in covered
    beyond = flat(summary(one(early=[replace(shown, covers=False)])))
    assert words in beyond
    assert "extrapolated: not every chip was tried that long" in beyond


def test_reliability_is_rounded_down_and_the_average_rate_up() -> None:
    shown = LifeShown(2.0, 0.9, 0.98712399, 0.98101199, 99.0001, 101.0001)
    page = flat(summary(one(life=[shown])))
    assert "2 90 % 0.987123 0.981011" in page
    assert "99.1" in page
    assert "0.987124" not in page
    assert "0.981012" not in page
    assert "none yet" in flat(summary(one(life=[replace(shown, average_fit_upper=None)])))


def test_a_fit_is_told_with_its_limits_rounded_outwards() -> None:
    page = flat(summary(samples.declared()))
    assert "shape 1.88 (1.00 to 3.01), characteristic life 5.01e6 h (2.01e6 to no limit)" in page
    assert "fitted" not in summary(samples.sound())


def test_influences_say_which_are_stated() -> None:
    rows = samples.mechanism("charge-loss").influences
    page = flat(summary(one(influences=[replace(rows[0], stated=True), rows[1]])))
    assert "Ea 1 to 1.2 eV 121 to 31.1 FIT *" in page
    assert "failures 0 to 1 62.8 to 81.1 FIT *" not in page
    assert "failures 0 to 1 62.8 to 81.1 FIT" in page


# --- reads of one word and of one bit ------------------------------------------------------------------------------


@pytest.mark.parametrize(("reads_on", "first"), [("word", "reads, hot word"), ("macro", "reads, macro")])
def test_the_coverage_that_answers_the_field_comes_first(reads_on: str, first: str) -> None:
    word = Ratios(0.00000317009, 0.0000033089, 0.0000033099, 0.00076399)
    covered = replace(samples.sound().coverage, reads_on=reads_on, words=32768, reads_word=word)
    screen, page = both(samples.sound(coverage=covered))
    for said in (screen, page):
        assert "3.17e-6" in said, "rounded down"
        assert "7.63e-4" in said or "0.000763" in said
        names = [name for name in ("reads, hot word", "reads, macro") if name in said]
        assert sorted(names, key=said.index)[0] == first
        assert len(names) == 2


def test_the_bound_on_a_wrong_bit_is_on_the_page_where_the_word_is_known() -> None:
    page = flat(summary(samples.sound()))
    assert "a bit of it is wrong: at most 8.62e-16 at 90 %" in page
    assert "at 60 %" not in page[page.index("a bit of it is wrong") :].split("Failure rate")[0]


# --- drift and cautions --------------------------------------------------------------------------------------------

DRIFT = [
    "1 value outside its limits (parametric: not among the failures of the reads): A-007 at 168 h",
    "1 shift further than the other chips: A-007 at 168 h",
    "2 chips measured later after stress than the usual 96 h: A-009 at 168 h, A-010 at 168 h",
    "up to 48 h of stress again first",
    "linear: A-007 (least margin): 3.9877 µA, inside the limits; bound 5.0124 µA, OUTSIDE",
    "power law: A-007 (least margin): no prediction, too few read points",
]


@pytest.mark.parametrize("fact", DRIFT)
def test_drift_tells_what_stands_out(fact: str) -> None:
    for said in both(samples.declared()):
        assert fact in said


def test_drift_of_a_sound_parameter_alarms_nobody() -> None:
    quiet = samples.drifting(shifted=[], outside=[], late=[])
    for said in both(samples.sound(drift=[quiet])):
        assert "Icc standby" in said
        for words in ("parametric", "further than", "later after stress"):
            assert words not in said
    for said in both(samples.sound()):
        assert "Drift" not in said


def test_many_chips_are_named_only_in_part() -> None:
    shifted = [replace(samples.drifting().shifted[0], serial=f"B-{n:03}") for n in range(1, 21)]
    for said in both(samples.sound(drift=[samples.drifting(shifted=shifted)])):
        assert "20 shifts further than the other chips" in said
        assert "and 12 more" in said
        assert "B-009" not in said


def test_the_table_of_read_points_keeps_its_rows_whole() -> None:
    lines = summary(samples.declared()).split("\n")
    (row,) = (line for line in lines if line.lstrip().startswith("168 h"))
    assert row.split()[:2] == ["168", "h"]
    assert row.rstrip().endswith("0.500")


def test_cautions_are_on_the_screen_and_on_the_page() -> None:
    for said in both(samples.declared()):
        assert "Cautions chips: 2 of at least 3 lots; a doubt" in said
    for said in both(samples.sound()):
        assert "Cautions" not in said


# --- the smallest screens ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("passes", ["go on", "passed", "failed"])
def test_at_80_by_24_the_claims_and_the_target_are_not_crowded_out(passes: str) -> None:
    said = printed(samples.declared(passes))
    assert said.startswith("43 of 230 chips at risk are NOT stressed and read")
    for words in (
        "A-007 lot A",
        "31.5  62.8",
        "85.2   171",
        "Target    50 FIT",
        "oven-2 6",
        "Coverage  reads",
    ):
        assert words in said


@pytest.mark.parametrize("size", [(40, 24), (40, 300), (80, 24), (80, 300), (150, 24), (150, 300)])
@pytest.mark.parametrize("ascii_only", [True, False])
def test_everything_declared_fits_and_has_no_control_character(
    size: tuple[int, int], ascii_only: bool
) -> None:
    said = printed(samples.declared(), size=size, ascii_only=ascii_only)
    assert_fits(said, size)
    assert not CONTROL.search(said.replace("\n", ""))
    assert said.isascii() or not ascii_only
    if size[1] == 300:
        assert "hidden" not in said
        assert "?A" in said if ascii_only else "µA" in said


def test_a_narrow_screen_tells_the_careful_bound_beside_the_plain_one() -> None:
    """What is claimed must not be told too small for want of room: 170.0509 FIT, not 62.8."""
    assert "171 FIT" in flat(printed(samples.declared(), size=(40, 300)))


def test_the_plain_line_tells_the_careful_bound() -> None:
    """The bounds that the target is judged by: 170.0509 and 76.4409 FIT, rounded up, not 62.8 and 28.3."""
    line = plain_line(samples.declared(), [], samples.link())
    assert "171 FIT" in line
    assert "76.5 FIT" in line


def test_a_chance_short_of_certain_is_not_told_as_certain() -> None:
    """99.96 % are not 100 %."""
    given = samples.sound().forecast
    assert given is not None
    for said in both(samples.sound(forecast=replace(given, chance_anytime=0.9996, chance_fixed=0.9996))):
        assert "any time 100 %" not in said


def test_the_page_is_at_most_78_wide_with_all_of_it() -> None:
    assert max(map(cell_len, summary(samples.declared()).split("\n"))) <= 78


# --- a document without what usually is there -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "figures",
    [
        samples.sound(drift=[samples.drifting(read_points=[])]),
        one(careful=samples.careful(bounds=[])),
        one(careful=samples.careful(bounds=[]), pass_line=samples.passing(), sequential=samples.sequence()),
    ],
    ids=["no read point", "no careful bound", "no careful bound for a plan"],
)
def test_a_document_with_nothing_in_a_list_is_drawn_too(figures: Figures) -> None:
    for said in both(figures):
        assert "charge-loss" in said


# --- what the figures were made with --------------------------------------------------------------------------------


def test_a_campaign_other_than_the_recorded_one_is_told_everywhere() -> None:
    other = samples.sound(provenance=Provenance("ab" * 32, "cd" * 32, "lifebound 0.1.0"))
    screen, page = both(other)
    assert "WHAT IF: recorded under another campaign file" in screen
    assert "WHAT IF: recorded under another campaign file" in page
    assert "sha256 abababababab (NOT the one it was recorded under, cdcdcdcdcdcd)" in page
    assert "WHAT IF" in plain_line(other, [], samples.link())
    own = samples.sound()
    assert all("WHAT IF" not in said for said in (*both(own), plain_line(own, [], samples.link())))
    assert "(the one it was recorded under)" in both(own)[1]


def test_a_run_that_does_not_say_its_campaign_is_no_what_if() -> None:
    screen, page = both(samples.sound(provenance=Provenance("ab" * 32, None, "lifebound 0.1.0")))
    assert "WHAT IF" not in screen + page
    assert "the run does not say under which" in page


def test_a_lot_with_failures_set_aside_shows_both_counts() -> None:
    lots = [replace(samples.sound().lots[0], failed=0, failed_all=17)]
    screen, page = both(samples.sound(lots=lots))
    assert "0 of 77 chips failed (17 with those not relevant)" in screen
    assert "A 77 0/17" in page


def test_a_verdict_that_dispositions_changed_is_told_with_the_other_one() -> None:
    item = {
        "pass_line": samples.passing("passed", verdict_all="failed"),
        "sequential": samples.sequence("accept", verdict_all="reject"),
    }
    for said in both(one(**item)):
        assert "equivalent h; with every failed chip counted: FAILED" in said
        assert "equivalent h; with every failed chip counted: REJECT" in said
    same = {"pass_line": samples.passing("passed"), "sequential": samples.sequence("accept")}
    assert all("every failed chip counted: " not in said for said in both(one(**same)))
