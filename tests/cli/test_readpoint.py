"""``lifebound readpoint``: measurements entered into a run, shown, exported, replayed; every kind of bad file."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from monitor.campaign.readpoints import COLUMNS
from monitor.journal.exchange import read_lines
from shared.entries import ReadPointFile, Refused
from tests.cli.command import Outcome, lifebound
from tests.cli.test_runs import record
from tests.figures.bench import Bench

HEADER = ",".join(COLUMNS)
TWO = [{"name": "charge-loss", "ea_ev": 0.7}, {"name": "gate-oxide", "ea_ev": 0.5}]
SERIALS = ("A-1", "A-2", "B-1", "B-2")
TIMES = "2026-06-08T08:00:00Z,2026-06-08T20:00:00Z"


def assert_taken(done: Outcome) -> None:
    """Taken, with no doubt but that a run of four hours has not reached the read points."""
    assert done.code == 0, done.err
    assert all("fewer credited hours" in line for line in done.err.splitlines()), done.err


def rows(
    hour: float, *values: float, parameter: str = "margin", unit: str = "mV", limits: str = "10,"
) -> list[str]:
    """The four chips at a read point."""
    return [
        f"{serial},{hour},{parameter},{unit},{value},{limits},{TIMES}"
        for serial, value in zip(SERIALS, values, strict=True)
    ]


@dataclass(frozen=True)
class Desk:
    """A run of four hours, and somebody who enters files into it."""

    folder: Path
    run: Path
    capsys: pytest.CaptureFixture[str]

    def file(self, *lines: str, name: str = "rp.csv", header: str = HEADER) -> Path:
        """A file of ``lines`` after the header."""
        path = self.folder / name
        path.write_text("\n".join((header, *lines)) + "\n", encoding="utf-8")
        return path

    def enter(
        self, path: Path, *more: object, who: str | None = "R. Ostra", mechanism: str | None = "charge-loss"
    ) -> Outcome:
        """``lifebound readpoint``."""
        named = {"--who": who, "--mechanism": mechanism}
        words = [word for key, value in named.items() if value is not None for word in (key, value)]
        return lifebound(self.capsys, "readpoint", path, "--run", self.run, *words, *more)

    def figures(self) -> dict[str, Any]:
        """The figures document of the run."""
        done = lifebound(self.capsys, "figures", "--run", self.run, "--json")
        assert_taken(done)
        found: dict[str, Any] = json.loads(done.out)
        return found

    def entered(self) -> list[ReadPointFile]:
        """What the journal holds of it."""
        out = self.folder / "entered.jsonl"
        assert lifebound(self.capsys, "export", self.run, out).code == 0
        return [line.readpoint for line in read_lines(out) if isinstance(line.readpoint, ReadPointFile)]


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    """A run of two mechanisms."""
    bench = Bench(mechanism=TWO)
    bench.hours(0, 4)
    return Desk(tmp_path, record(tmp_path / "run", bench, Refused(duplicates=1)), capsys)


# --- a good file ---------------------------------------------------------------------------------------------------


def test_a_file_is_entered_and_shown(desk: Desk) -> None:
    path = desk.file(*rows(0, 20, 21, 22, 23), *rows(168, 19, 9, 21, 24))
    done = desk.enter(path)
    assert_taken(done)
    assert "margin (mV)" in done.out
    assert "1 value outside its limits" in done.out
    assert "A-2 at 168 h" in done.out
    assert "extrapolated by charge-loss" in done.out
    assert done.out.rstrip().endswith("entered in the name of R. Ostra")
    (item,) = desk.figures()["drift"]
    assert (item["parameter"], item["mechanism"], len(item["read_points"])) == ("margin", "charge-loss", 2)
    (file,) = desk.entered()
    assert (file.file, file.who, file.mechanism) == ("rp.csv", "R. Ostra", "charge-loss")
    assert file.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [(r.serial, r.read_point_h, r.value, r.low_limit, r.high_limit) for r in file.readouts[:2]] == [
        ("A-1", 0.0, 20.0, 10.0, None),
        ("A-2", 0.0, 21.0, 10.0, None),
    ]
    removed, measured = file.readouts[0].removed_ms, file.readouts[0].measured_ms
    assert removed == 1_780_905_600_000  # 2026-06-08 08:00 UTC
    assert measured == removed + 12 * 3_600_000


def test_a_checked_file_is_shown_and_not_entered(desk: Desk) -> None:
    path, before = desk.file(*rows(0, 20, 21, 22, 23)), desk.figures()
    for who in ("R. Ostra", None):
        done = desk.enter(path, "--check", who=who)
        assert_taken(done)
        assert done.out.rstrip().endswith("checked; nothing was entered")
        assert "margin (mV)" in done.out
    assert desk.figures() == before
    assert desk.entered() == []


def test_the_replay_of_an_export_gives_the_same_bytes(desk: Desk) -> None:
    assert desk.enter(desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")).code == 0
    assert desk.enter(desk.file(*rows(168, 19, 9, 21, 24), name="b.csv")).code == 0
    live = lifebound(desk.capsys, "figures", "--run", desk.run, "--json")
    for name in ("out.jsonl", "out.jsonl.zst"):
        assert lifebound(desk.capsys, "export", desk.run, desk.folder / name).code == 0
        assert lifebound(desk.capsys, "replay", desk.folder / name, "--json").out == live.out
    assert lifebound(desk.capsys, "replay", desk.run, "--json").out == live.out
    (item,) = json.loads(live.out)["drift"]
    assert [p["read_point_h"] for p in item["read_points"]] == [0.0, 168.0]
    assert item["mechanism"] == "charge-loss"
    assert "Drift at read points, margin (mV)" in lifebound(desk.capsys, "figures", "--run", desk.run).out


def test_a_parameter_keeps_its_mechanism(desk: Desk) -> None:
    assert desk.enter(desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")).code == 0
    again = desk.enter(desk.file(*rows(168, 19, 9, 21, 24), name="b.csv"), mechanism="gate-oxide")
    assert again.code == 2
    assert "--mechanism gate-oxide; it was entered with charge-loss" in again.err


def test_a_file_is_entered_once(desk: Desk) -> None:
    file = desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")
    assert desk.enter(file).code == 0
    again = desk.enter(file)
    assert (again.code, "entered before, as a.csv" in again.err) == (2, True)


def test_nothing_but_the_drift_changes(desk: Desk) -> None:
    before = desk.figures()
    assert desk.enter(desk.file(*rows(0, 1, 1, 1, 1))).code == 0
    after = desk.figures()
    assert after["chips"] == before["chips"] | {"reading": after["chips"]["reading"]}  # the clock went on
    for key in (
        "exposure",
        "reads",
        "mechanisms",
        "read_error",
        "failures",
        "coverage",
        "lots",
        "total",
    ):
        assert after[key] == before[key]
    assert len(after["drift"][0]["outside"]) == 4


def test_a_later_file_corrects_a_value(desk: Desk) -> None:
    assert desk.enter(desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")).code == 0
    assert desk.enter(desk.file(f"A-1,0,margin,mV,30,10,,{TIMES}", name="b.csv")).code == 0
    (item,) = desk.figures()["drift"]
    assert (item["read_points"][0]["median"], item["read_points"][0]["chips"]) == (22.5, 4)


def test_json_holds_the_parameters_of_the_file_and_no_others(desk: Desk) -> None:
    assert desk.enter(desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")).code == 0
    done = desk.enter(
        desk.file(*rows(0, 1, 2, 3, 4, parameter="path", unit="Ω", limits=",5"), name="b.csv"), "--json"
    )
    (item,) = json.loads(done.out)
    assert (item["parameter"], item["unit"], item["high_limit"]) == ("path", "Ω", 5.0)
    assert done.out.count("\n") == 1


def test_missing_times_are_a_warning_on_the_error_stream(desk: Desk) -> None:
    done = desk.enter(desk.file("A-1,168,margin,mV,20,10,,,"))
    assert done.code == 0
    assert done.err.startswith("lifebound readpoint: warning: rp.csv read point 168 h: 1 row without")


def test_a_large_file_is_entered_in_parts_and_read_back_whole(desk: Desk) -> None:
    lines = [line for hour in range(600) for line in rows(hour, 20, 21, 22, 23)]
    done = desk.enter(desk.file(*lines), "--json")
    assert_taken(done)
    files = desk.entered()
    assert [len(file.readouts) for file in files] == [1000, 1000, 400]
    assert len({file.sha256 for file in files}) == 1
    assert len(desk.figures()["drift"][0]["read_points"]) == 600


def test_the_mechanism_need_not_be_named_where_there_is_one(desk: Desk) -> None:
    one = replace(desk, run=record(desk.folder / "one", Bench(), Refused()))
    path = desk.file(*rows(0, 20, 21, 22, 23))
    done = one.enter(path, mechanism=None)
    assert_taken(done)
    assert one.figures()["drift"][0]["mechanism"] == "charge-loss"


# --- bad files and bad words ---------------------------------------------------------------------------------------

GOOD = rows(0, 20, 21, 22, 23)


@pytest.mark.parametrize(
    ("lines", "header", "where"),
    [
        ([f"Z-9,0,margin,mV,20,10,,{TIMES}"], HEADER, "rp.csv line 2 serial"),
        ([GOOD[0], f"A-2,-1,margin,mV,20,10,,{TIMES}"], HEADER, "rp.csv line 3 read_point_h"),
        ([f'A-1,0,margin,mV,"1,5",10,,{TIMES}'], HEADER, "rp.csv line 2 value"),
        ([f"A-1,0,margin,mV,nan,10,,{TIMES}"], HEADER, "rp.csv line 2 value"),
        ([f"A-1,0,=1+1,mV,20,10,,{TIMES}"], HEADER, "rp.csv line 2 parameter"),
        ([f"A-1,0,@sum,mV,20,10,,{TIMES}"], HEADER, "rp.csv line 2 parameter"),
        ([f"A-1,0,margin,+mV,20,10,,{TIMES}"], HEADER, "rp.csv line 2 unit"),
        ([f"=A-1,0,margin,mV,20,10,,{TIMES}"], HEADER, "rp.csv line 2 serial"),
        ([f"A-1,0,margin,mV,=20,10,,{TIMES}"], HEADER, "rp.csv line 2 value"),
        ([f"A-1,0,margin,mV,20,,,{TIMES}"], HEADER, "rp.csv line 2 low_limit"),
        ([f"A-1,0,margin,mV,20,10,5,{TIMES}"], HEADER, "rp.csv line 2 low_limit"),
        (["A-1,0,margin,mV,20,10,,today,"], HEADER, "rp.csv line 2 removed_at"),
        (["A-1,0,margin,mV,20,10,,,2026-06-08 08:00"], HEADER, "rp.csv line 2 measured_at"),
        ([GOOD[0], GOOD[0]], HEADER, "rp.csv line 3: margin of A-1 at 0 h stands twice"),
        ([GOOD[0], f"A-2,0,margin,V,20,10,,{TIMES}"], HEADER, "rp.csv line 3 unit"),
        ([GOOD[0], f"A-2,0,margin,mV,20,11,,{TIMES}"], HEADER, "rp.csv line 3 low_limit"),
        ([GOOD[0], "A-2,0"], HEADER, "rp.csv line 3: the number of cells differs"),
        ([GOOD[0], '"A-2,0'], HEADER, "rp.csv line 3"),
        (GOOD, HEADER.replace("unit,", ""), "rp.csv line 1: column unit is missing"),
        (GOOD, HEADER.replace(",", ";"), "rp.csv line 1: column serial"),
        ([], HEADER, "rp.csv: no measurement"),
    ],
)
@pytest.mark.parametrize("check", [False, True])
def test_a_bad_file_is_told_by_line_and_column_and_nothing_is_entered(
    desk: Desk, lines: list[str], header: str, where: str, check: bool
) -> None:
    done = desk.enter(desk.file(*lines, header=header), *(["--check"] if check else []))
    assert (done.code, done.out) == (2, "")
    assert "nothing was entered" in done.err.splitlines()[0]
    assert where in done.err
    assert "Traceback" not in done.err
    assert all(line.isprintable() for line in done.err.splitlines())
    assert desk.entered() == []


def test_many_problems_are_counted_and_shown_in_part(desk: Desk) -> None:
    done = desk.enter(desk.file(*[f"Z-{n},0,margin,mV,20,10,,{TIMES}" for n in range(150)]))
    assert done.code == 2
    assert "rp.csv: 150 problems; nothing was entered" in done.err
    assert done.err.rstrip().endswith("and 50 more")
    assert done.err.count("\n") == 102


@pytest.mark.parametrize(
    ("unit", "limits"), [("V", "10,"), ("mV", "11,"), ("mV", "10,90"), ("mV", ",90")], ids=str
)
def test_another_unit_or_limit_than_in_an_earlier_file(desk: Desk, unit: str, limits: str) -> None:
    assert desk.enter(desk.file(*rows(0, 20, 21, 22, 23), name="a.csv")).code == 0
    done = desk.enter(desk.file(*rows(168, 20, 21, 22, 23, unit=unit, limits=limits), name="b.csv"))
    assert (done.code, done.out) == (2, "")
    assert "b.csv: 1 problem; nothing was entered" in done.err
    assert "margin" in done.err
    assert "another name" in done.err
    assert len(desk.entered()) == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"", "column serial"),
        (b"\0" * 100, "line 1"),
        (b"#" * (32 * 1024 * 1024 + 1), "larger than 33554432 bytes"),
    ],
    ids=["missing", "not text", "empty", "zeros", "huge"],
)
def test_a_file_that_cannot_be_read(desk: Desk, content: bytes | None, says: str) -> None:
    path = desk.folder / "rp.csv"
    if content is not None:
        path.write_bytes(content)
    done = desk.enter(path)
    assert (done.code, done.out) == (2, "")
    assert says in done.err
    assert "rp.csv" in done.err
    assert all(line.isprintable() for line in done.err.splitlines())
    assert desk.entered() == []


@pytest.mark.parametrize(
    ("mechanism", "says"),
    [
        (None, "--mechanism: is needed"),
        ("tunnel", "--mechanism: tunnel is none of the campaign"),
        ("", "--mechanism"),
    ],
)
def test_a_mechanism_that_is_none_of_the_campaign(desk: Desk, mechanism: str | None, says: str) -> None:
    done = desk.enter(desk.file(*GOOD), mechanism=mechanism)
    assert (done.code, done.out) == (2, "")
    assert says in done.err
    assert "charge-loss, gate-oxide" in done.err
    assert desk.entered() == []


@pytest.mark.parametrize("who", [None, " ", "R.\nOstra", "R. \x1b[31mOstra", "R" * 201, "R. \udcff"])
def test_a_name_is_needed_and_must_be_one(desk: Desk, who: str | None) -> None:
    done = desk.enter(desk.file(*GOOD), who=who)
    assert (done.code, done.out) == (2, "")
    assert "--who" in done.err
    assert desk.entered() == []


@pytest.mark.parametrize("name", ["rp\x1b[31m.csv", "rp\n2.csv", "rp\udcff.csv"], ids=ascii)
def test_a_strange_file_name_reaches_no_screen_and_no_journal_as_it_is(desk: Desk, name: str) -> None:
    """Entered under a clean name, or refused in a sentence; never an exception, and never raw on the screen."""
    path = desk.file("A-1,168,margin,mV,20,10,,,", name=name)  # with a warning, which names the file
    bad = desk.file("A-1,168,margin,mV,x,10,,,", name="bad" + name)
    for done in (desk.enter(path), desk.enter(bad)):
        assert done.code in {0, 2}
        assert "\x1b" not in done.out + done.err
        assert all(line.isprintable() for line in (done.out + done.err).splitlines())
    desk.figures()
    for file in desk.entered():
        assert file.file.isprintable()


def test_a_run_that_is_none(desk: Desk) -> None:
    path = desk.file(*GOOD)
    done = replace(desk, run=desk.folder / "nothing").enter(path)
    assert (done.code, done.out) == (2, "")
    assert not (desk.folder / "nothing").exists()
