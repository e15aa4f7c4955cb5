"""Bounds of a campaign: what is larger is refused in a short answer, and a chips file never leads elsewhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.campaign import CampaignError, load
from monitor.campaign.mechanisms import MAX_MECHANISMS
from monitor.campaign.parse import MAX_PROFILE_LINES, MAX_READ_POINTS, MAX_TITLE
from shared.errors import InputError
from tests.campaign.files import EXAMPLE, changed, problems, read, with_chips_file, without_chips

CSV = "rack,board,socket,serial,lot\noven-1,1,1,A-001,A\n"
MECHANISM = '[[mechanism]]\nname = "m{}"\nea_ev = 0.7\n'
BLOCK = '[[chips]]\nrack = "oven-1"\nboard = 1\nsockets = "{}"\nlot = "A"\nserial = "A-{{n:03}}"\n'


def test_as_many_mechanisms_as_there_may_be() -> None:
    there = EXAMPLE.count("[[mechanism]]")
    most = EXAMPLE + "".join(MECHANISM.format(n) for n in range(MAX_MECHANISMS - there))
    assert len(read(most).mechanisms) == MAX_MECHANISMS
    assert [p.where for p in problems(most + MECHANISM.format("x"))][:1] == ["mechanism"]


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (changed(("title = ", f'title = "{"x" * (MAX_TITLE + 1)}" # ')), "campaign.title"),
        (
            changed(("read_points_h = ", f"read_points_h = {list(range(1, MAX_READ_POINTS + 2))} # ")),
            "campaign.read_points_h",
        ),
        (EXAMPLE + "[[use.profile]]\nshare = 1e-9\ntemp_c = 1\n" * MAX_PROFILE_LINES, "use.profile"),
        (without_chips() + BLOCK.format("1-256, 1"), "chips[1].sockets"),
        (without_chips() + BLOCK.format(",".join(["1-256"] * 9999)), "chips[1].sockets"),
        ("a.b.c.d = 1\n" + ".".join("k" * 40) + " = 1", "TOML"),
        ("# " + "x" * 1_048_576, "TOML"),
    ],
    ids=["title", "points", "profile", "sockets", "many sockets", "deep key", "size"],
)
def test_what_is_larger_than_any_campaign_is_told(text: str, where: str) -> None:
    assert where in [problem.where for problem in problems(text)]


def test_a_key_of_a_few_parts_and_dots_in_texts_are_no_matter() -> None:
    assert not problems(changed(("[campaign]", f"# {'. ' * 99} {'a.' * 31}\n[campaign]")))


def test_the_first_hundred_problems_are_told_and_the_others_counted(tmp_path: Path) -> None:
    path = tmp_path / "many.toml"
    path.write_text("[[chips]]\n" * 60)
    with pytest.raises(CampaignError) as caught:
        load(path)
    first, *lines = str(caught.value).splitlines()
    assert first == f"many.toml: {len(caught.value.problems)} problems; correct it and try again"
    assert len(lines) == 101
    assert lines[-1] == f"  and {len(caught.value.problems) - 100} more"


def test_unknown_keys_are_told_one_by_one_up_to_twenty() -> None:
    found = [
        p for p in problems("".join(f"odd{n} = 1\n" for n in range(50)) + EXAMPLE) if "unknown" in p.found
    ]
    assert len(found) == 21
    assert found[-1].found == "30 more unknown keys"


@pytest.mark.parametrize("inside", [True, False])
def test_a_link_to_the_chips_may_lead_within_the_folder_only(tmp_path: Path, inside: bool) -> None:
    folder = tmp_path / "campaign"
    (folder / "data").mkdir(parents=True)
    target = (folder / "data" if inside else tmp_path) / "real.csv"
    target.write_text(CSV)
    (folder / "chips.csv").symlink_to(target)
    (folder / "c.toml").write_text(with_chips_file())
    if inside:
        assert [chip.serial for chip in load(folder / "c.toml").chips] == ["A-001"]
    else:
        with pytest.raises(CampaignError, match="leads out of the campaign file's folder"):
            load(folder / "c.toml")


def test_the_folder_itself_may_be_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "chips.csv").write_text(CSV)
    (tmp_path / "real" / "c.toml").write_text(with_chips_file())
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert len(load(tmp_path / "link" / "c.toml").chips) == 1


@pytest.mark.parametrize("serial", ["=1+1", "+1", "-1", "@A1", "\tA", "A\u202e", "\x1b[2JA", '"=1"'])
def test_no_label_begins_like_a_formula_or_holds_what_a_screen_obeys(serial: str) -> None:
    chips = CSV.replace("A-001", serial).replace('"=1"', '"""=1"""')
    found = problems(with_chips_file(), chips)
    if serial == "\tA":  # blanks around a cell do not belong to it
        assert not found
    else:
        assert [problem.where for problem in found] == ["chips.csv line 2 serial"]


def test_a_quoted_cell_ends_in_its_line() -> None:
    found = problems(with_chips_file(), CSV.replace("A-001", '"A-001'))
    assert [problem.where for problem in found] == ["chips.csv line 2"]


def test_only_a_regular_file_is_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not a regular file"):
        load(tmp_path)
