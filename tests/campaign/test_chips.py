"""The chips of a campaign: serial numbering of [[chips]] blocks, and the CSV file with every wrong line named."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import CampaignError, Chip
from tests.campaign.files import EXAMPLE, problems, read, with_chips_file, without_chips

HEADER = "rack,board,socket,serial,lot,wafer,x,y"


def blocks(*lines: str) -> str:
    """The example with these [[chips]] blocks, each an inline table."""
    return f"chips = [{', '.join(lines)}]\n" + without_chips()


def block(rack: str, board: int, sockets: str, lot: str, serial: str) -> str:
    return f'{{rack="{rack}", board={board}, sockets="{sockets}", lot="{lot}", serial="{serial}"}}'


def from_csv(text: str) -> tuple[Chip, ...]:
    return read(with_chips_file(), text).chips


def wrong(text: str) -> list[str]:
    """The problems of a CSV as lines."""
    return [str(problem) for problem in problems(with_chips_file(), text)]


# --- blocks --------------------------------------------------------------------------------------------------------


def test_the_serial_counts_up_over_the_blocks_of_one_lot_and_only_that() -> None:
    campaign = read(
        blocks(
            block("r", 1, "1-2", "A", "A-{n:03}"),
            block("r", 2, "5", "B", "B-{n}"),
            block("q", 1, "1-2, 7", "A", "A-{n:03}"),
            block("q", 2, "3", "B", "X{n:2}.{n}"),
        )
    )
    assert [(c.serial, c.lot, c.rack, c.board, c.socket) for c in campaign.chips] == [
        ("A-001", "A", "r", 1, 1),
        ("A-002", "A", "r", 1, 2),
        ("B-1", "B", "r", 2, 5),
        ("A-003", "A", "q", 1, 1),
        ("A-004", "A", "q", 1, 2),
        ("A-005", "A", "q", 1, 7),
        ("X02.2", "B", "q", 2, 3),
    ]


def test_the_example_numbers_each_lot_from_1_to_77() -> None:
    serials = [c.serial for c in read(EXAMPLE).chips]
    assert sorted(serials) == [f"{lot}-{n:03}" for lot in "ABC" for n in range(1, 78)]


def test_a_serial_without_a_number_is_good_for_one_chip_only() -> None:
    assert len(read(blocks(block("r", 1, "4", "A", "only one"))).chips) == 1
    (problem,) = problems(blocks(block("r", 1, "4-5", "A", "only one")))
    assert "serial only one stands twice" in str(problem)


def test_two_chips_in_one_socket_name_the_place_and_both_blocks() -> None:
    (problem,) = problems(blocks(block("r", 1, "1-3", "A", "A-{n}"), block("r", 1, "3", "B", "B-{n}")))
    assert str(problem) == "chips[2]: r board 1 socket 3 holds two chips; first in chips[1]"


@pytest.mark.parametrize(
    "sockets", ["0", "1-", "-3", "1..3", "1;2", "257", "1-300", "1,,2", "one", "²", "1-20-3", ","]
)
def test_wrong_sockets_are_named(sockets: str) -> None:
    found = problems(blocks(block("r", 1, sockets, "A", "A-{n}")))
    assert found
    assert {p.where for p in found} <= {"chips[1].sockets"}


def test_no_sockets_at_all() -> None:
    found = problems(blocks(block("r", 1, "", "A", "A-{n}")))
    assert [p.where for p in found] == ["chips[1].sockets"]


def test_a_block_that_cannot_be_read_collides_with_nothing() -> None:
    """Its board reads as nothing, not as board 1; and the lot's numbers go on behind it as if it were right."""
    text = blocks(block("r", 1, "1-9", "A", "A-{n}"), block("r", 0, "1-9", "A", "A-{n}"))
    assert [p.where for p in problems(text)] == ["chips[2].board"]


# --- CSV -----------------------------------------------------------------------------------------------------------


def test_a_csv_gives_chips_with_their_origin() -> None:
    chips = from_csv(f"{HEADER}\noven-1,1,2,A-1,A,W3,-4,17\noven-1,1,3,A-2,A,,,\n")
    assert chips == (
        Chip("A-1", "A", "oven-1", 1, 2, wafer="W3", x="-4", y="17"),
        Chip("A-2", "A", "oven-1", 1, 3),
    )


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffrack,board,socket,serial,lot\noven-1,1,2,A-1,A\n",  # a byte order mark, as spreadsheets write it
        "rack,board,socket,serial,lot\r\noven-1,1,2,A-1,A\r\n",
        "rack,board,socket,serial,lot\noven-1,1,2,A-1,A",
        ' "lot",serial , socket,board,rack\n\n"A", "A-1",2,1,oven-1\n\n'.replace(' "', '"'),
        'rack,board,socket,serial,lot\n"oven-1","1","2","A-1","A"\n',
        "rack, board, socket, serial, lot\n oven-1 , 1 , 2 , A-1 , A \n",
    ],
    ids=["mark", "crlf", "no last line end", "other order and empty lines", "quoted", "spaces"],
)
def test_one_chip_however_it_is_written(text: str) -> None:
    assert from_csv(text) == (Chip("A-1", "A", "oven-1", 1, 2),)


def test_every_wrong_line_is_named_with_its_column() -> None:
    text = (
        "rack,board,socket,serial,lot\n"  # 1
        "oven-1,1,1,A-1,A\n"
        "Oven 1,1,2,A-2,A\n"  # 3
        "oven-1,0,3,A-3,A\n"
        "oven-1,1,257,A-4,A\n"
        "oven-1,1,5,,A\n"
        "oven-1,1,6,A-6,<A>\n"  # 7
        "oven-1,1,7,A-7\n"
        "oven-1,1,8,A-8,A,more\n"
        "oven-1,1,1,A-10,A\n"  # 10: the place of line 2
        "oven-1,1,11,A-1,A\n"  # 11: the serial of line 2
        "oven-1,1.0,12,A-12,A\n"
        "oven-1,-1,0x5,A-13,A\n"  # 13: two wrong cells
    )
    assert [line.split(";")[0] for line in wrong(text)] == [
        'chips.csv line 3 rack: found "Oven 1"',
        'chips.csv line 4 board: found "0"',
        'chips.csv line 5 socket: found "257"',
        'chips.csv line 6 serial: found ""',
        'chips.csv line 7 lot: found "<A>"',
        "chips.csv line 8: the number of cells differs from the header",
        "chips.csv line 9: the number of cells differs from the header",
        'chips.csv line 12 board: found "1.0"',
        'chips.csv line 13 board: found "-1"',
        'chips.csv line 13 socket: found "0x5"',
        "chips.csv line 10: oven-1 board 1 socket 1 holds two chips",
        "chips.csv line 11: serial A-1 stands twice",
    ]
    assert "first in chips.csv line 2" in wrong(text)[-1]
    assert all("; " in line for line in wrong(text))  # each says what is allowed


def test_wrong_csv_and_wrong_keys_are_told_together() -> None:
    text = with_chips_file().replace("target_fit = 50", "target_fit = 0")
    found = [p.where for p in problems(text, "rack,board,socket,serial,lot\noven-1,9999999999,1,A-1,A\n")]
    assert sorted(found) == ["campaign.target_fit", "chips.csv line 2 board"]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("rack,board,socket,serial", "column lot is missing"),
        ("", "column rack, board, socket, serial, lot is missing"),
        ("rack,board,socket,serial,lot,colour", 'unknown column "colour"'),
        ("rack,board,socket,serial,lot,lot", "a column stands twice"),
        ("Rack,board,socket,serial,lot", "column rack is missing"),
        ("rack;board;socket;serial;lot", "is missing"),
    ],
)
def test_a_wrong_header_is_named(header: str, says: str) -> None:
    found = wrong(f"{header}\noven-1,1,1,A-1,A\n")
    assert any(line.startswith("chips.csv line 1: ") and says in line for line in found)
    assert all("the first line names the columns rack, board, socket, serial, lot" in line for line in found)


def test_broken_quoting_names_the_line() -> None:
    (problem,) = wrong('rack,board,socket,serial,lot\noven-1,1,1,A-1,A\noven-1,1,2,"A"x,A\n')
    assert problem.startswith("chips.csv line 3: ")
    assert "quoting" in problem
    (open_quote,) = wrong('rack,board,socket,serial,lot\noven-1,1,1,"A-1,A\n')
    assert "chips.csv line" in open_quote


def test_a_csv_without_chips_is_no_campaign() -> None:
    (problem,) = wrong("rack,board,socket,serial,lot\n")
    assert problem.startswith("chips: no chip is named")


labels = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), max_size=12)


@given(st.text())
def test_any_csv_text_parses_or_is_refused(text: str) -> None:
    for table in (text, f"{HEADER}\n{text}", f"{HEADER}\noven-1,1,1,A-1,A,,,\n{text}"):
        try:
            chips = from_csv(table)
        except CampaignError:
            assert wrong(table)
        else:
            assert chips


@given(
    st.lists(
        st.tuples(st.sampled_from(["r", "q"]), st.integers(0, 3), st.integers(0, 3), labels, labels),
        max_size=6,
    )
)
def test_a_csv_parses_exactly_when_every_row_is_right_and_places_and_serials_differ(
    rows: list[tuple[str, int, int, str, str]],
) -> None:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["rack", "board", "socket", "serial", "lot"])
    writer.writerows(rows)
    found = problems(with_chips_file(), out.getvalue())
    serials = [serial.strip() for *_, serial, _ in rows]
    good = (
        bool(rows)
        and all(board and socket for _, board, socket, _, _ in rows)
        and len({row[:3] for row in rows}) == len(rows) == len(set(serials))
        and all(_is_name(label.strip()) for *_, serial, lot in rows for label in (serial, lot))
    )
    assert (found == []) == good


def _is_name(text: str) -> bool:
    plain = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
    return bool(text) and text[0] in plain and all(c in plain + " ._:/#-" for c in text)
