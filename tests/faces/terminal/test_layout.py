"""What is left out when there is no room, and how that is said."""

from __future__ import annotations

import pytest
from rich.text import Text

from monitor.faces.terminal.layout import Part, account, fit, row, sentences, table, together


def part(name: str, *ranks: int) -> Part:
    """A part with one row for each rank, which says its name and number."""
    return Part(name, [row(f"{name}{i}", rank) for i, rank in enumerate(ranks)])


def lines(*parts: Part, width: int = 60, height: int) -> list[str]:
    return fit(parts, width, height).plain.split("\n")


def test_parts_are_set_apart_where_there_is_room_for_it() -> None:
    parts = part("a", 1, 1), part("b", 1), Part("c", []), part("d", 1)
    assert lines(*parts, height=6) == ["a0", "a1", "", "b0", "", "d0"]
    assert lines(*parts, height=5) == ["a0", "a1", "b0", "d0"]


def test_the_least_important_rows_go_first_and_the_last_of_them_before_the_first() -> None:
    parts = part("a", 3, 1), part("b", 2, 2), part("c", 3)
    assert lines(*parts, height=5) == ["a0", "a1", "b0", "b1", "c0"]
    assert lines(*parts, height=4) == ["a1", "b0", "b1", "2 rows hidden (a 1, c 1): enlarge the window"]
    assert lines(*parts, height=3) == ["a1", "b0", "3 rows hidden (a 1, b 1, c 1): enlarge the window"]
    assert lines(*parts, height=2) == ["a1", "4 rows hidden (a 1, b 2, c 1): enlarge the window"]
    assert lines(*parts, height=1) == ["a1"]


def test_a_row_more_is_hidden_to_make_room_for_the_notice() -> None:
    assert lines(part("a", 1, 2, 2), height=2)[-1] == "2 rows hidden (a 2): enlarge the window"
    two = Part("b", together([row("b0", 9), row("b1", 9)]))
    assert lines(part("a", 1), two, height=2)[-1] == "2 rows hidden (b 2): enlarge the window"


def test_rows_that_belong_together_are_hidden_together() -> None:
    block = Part("b", together([row("b0", 2), row("b1", 2), row("b2", 2)]))
    assert lines(part("a", 1), block, part("c", 3), height=4) == [
        "a0",
        "c0",
        "3 rows hidden (b 3): enlarge the window",
    ]


def test_no_part_is_shown_without_its_beginning() -> None:
    block = together([row("b0", 2), row("b1", 2)])
    assert lines(part("a", 1), Part("b", [*block, row("b2", 2)]), part("c", 3), height=3) == [
        "a0",
        "c0",
        "3 rows hidden (b 3): enlarge the window",
    ]


def test_half_of_the_first_sentence_is_better_than_none() -> None:
    first = Part("state", sentences("one two three four", 5, 0))
    assert lines(first, part("a", 1), width=5, height=3)[:2] == ["one", "two"]


@pytest.mark.parametrize(
    ("width", "notice"),
    [
        (60, "4 rows hidden (aaaa 2, bbbb 2): enlarge the window"),
        (48, "4 rows hidden (aaaa 2, ..): enlarge the window"),
        (40, "4 rows hidden: enlarge the window"),
        (20, "4 rows hidden"),
    ],
)
def test_the_notice_says_as_much_as_there_is_room_for(width: int, notice: str) -> None:
    parts = part("x", 0), part("aaaa", 1, 1), part("bbbb", 1, 1)
    assert lines(*parts, width=width, height=2)[-1] == notice


def test_a_row_wider_than_the_screen_is_cropped() -> None:
    assert fit([Part("a", [row("abcdef", 0), row("晶片晶片", 0)])], 5, 5).plain.split("\n") == [
        "abcde",
        "晶片 ",
    ]


def test_an_account_stands_beside_its_name_or_after_it() -> None:
    wide = account("Hours", 60, ("one", 1, ""), ("two", 2, ""))
    assert [item.text.plain for item in wide.rows] == ["Hours     one", "          two"]
    narrow = account("Hours", 40, ("one", 1, ""), ("two", 2, ""))
    assert [item.text.plain for item in narrow.rows] == ["Hours: one", "two"]
    assert account("Hours", 40).rows == []


def test_columns_are_aligned_by_cells() -> None:
    assert table([["晶", "1"], ["abc", "22"]], "<>") == ["晶    1", "abc  22"]


def test_text_is_never_markup() -> None:
    assert row("[bold]x[/red]", 1).text == Text("[bold]x[/red]", style="")
