"""Whatever stands in a file that a person hands in: it is taken, or refused in a sentence that can be printed.

Campaigns (as bytes, as text, and as tables with any values in them), chips and measurements as CSV, recorded runs
plain and compressed. What is taken can be reckoned with: a plan and figures come of it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import Campaign, Source, load, parse
from monitor.campaign.readpoints import COLUMNS, read_points_from_csv
from monitor.figures import prospect, to_json
from monitor.journal import Run
from monitor.journal.exchange import archived_campaign, entry_line, last_line, read_lines
from monitor.service.account import Account
from shared.entries import Disposed, Disposition, Measured, Readout, ReadPointFile, Refused
from tests.campaign.files import EXAMPLE, with_chips_file
from tests.figures.bench import Bench, campaign_text, facts
from tests.fuzz.effort import attempt, effort
from tests.fuzz.hostile import TRICKS, numbers, spliced, texts, values

SOURCE = Source("bench.toml", campaign_text())
CAMPAIGN = parse(SOURCE)


def reckon(campaign: Campaign) -> None:
    """What is legal can be planned with and reported on; nothing of it is raw on a screen."""
    prospect(campaign)
    assert to_json(Account(campaign).figures()).decode("ascii").isprintable()


# --- campaigns -----------------------------------------------------------------------------------------------------


@effort(120)
@given(st.binary(max_size=60) | spliced(campaign_text().encode()))
def test_a_campaign_of_any_bytes(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    campaign = attempt(load, path)
    if campaign is not None:
        reckon(campaign)


def as_toml(value: Any) -> str:
    """Any value as TOML, as far as TOML can say it."""
    match value:
        case bool() | None:
            return str(bool(value)).lower()
        case int() | float():
            return repr(value)
        case str():
            return json.dumps(value).replace("\x7f", "\\u007f")
        case list():
            return f"[{', '.join(map(as_toml, value))}]"
    return "{" + ", ".join(f"{as_toml(key)} = {as_toml(item)}" for key, item in value.items()) + "}"


@st.composite
def spoiled_tables(draw: st.DrawFn) -> dict[str, Any]:
    """The tables of a good campaign with a few values replaced, dropped or added."""
    whole = json.loads(json.dumps(facts(intake={"prefix": "a"}, failure={"errors": 1}, claims={}, macro={})))
    for _ in range(draw(st.integers(1, 3))):
        table: Any = whole
        while isinstance(table, dict | list) and table and draw(st.integers(0, 4)):
            key = draw(
                st.sampled_from(sorted(table)) if isinstance(table, dict) else st.integers(0, len(table) - 1)
            )
            if not isinstance(table[key], dict | list) or not table[key]:
                break
            table = table[key]
        if isinstance(table, list):
            table.append(draw(values))
        elif isinstance(table, dict):
            key = draw(st.sampled_from(sorted(table) or ["x"]) | st.sampled_from(OPTIONAL) | texts)
            table[key] = draw(numbers | values)
    return whole


OPTIONAL = [
    "title", "read_points_h", "chips_file", "self_heating_c", "min_read_fraction", "max_read_fraction", "max_gap_s",
    "bridge_gap_s", "reorder_hold_s", "accelerate_at", "reads_on", "errors", "common_cause_chips", "common_cause_s",
    "mixture_rate", "failures_allowed", "discrimination", "producer_risk", "consumer_risk", "weibull_shapes",
    "early_life_h", "words", "bits", "ea_low_ev", "ea_high_ev", "ea_sd_ev", "gamma_per_v", "voltage_exponent",
]  # fmt: skip


@effort(200)
@given(spoiled_tables())
def test_a_campaign_of_any_values(tables: dict[str, Any]) -> None:
    text = "\n".join(f"{as_toml(key)} = {as_toml(value)}" for key, value in tables.items())
    campaign = attempt(parse, Source("any.toml", text))
    if campaign is not None:
        reckon(campaign)


# --- CSV -----------------------------------------------------------------------------------------------------------

cells = texts | st.sampled_from(
    ["oven-1", "1", "2", "A-1", "-5", '"', '"x', "1e400", "nan", "mV", "168", "20", "2026-02-30T00:00Z"]
)


def csv_of(header: str, row: str, data: st.DataObject) -> str:
    """A CSV with odd cells in good rows."""
    columns = header.split(",")
    rows = []
    for _ in range(data.draw(st.integers(1, 4))):
        given_cells = row.split(",")
        for _ in range(data.draw(st.integers(0, 2))):
            given_cells[data.draw(st.integers(0, len(columns) - 1))] = data.draw(cells)
        rows.append(",".join(given_cells))
    return data.draw(spliced("\n".join([header, *rows]).encode())).decode("utf-8", "replace")


@effort(150)
@given(st.data())
def test_chips_of_any_csv(data: st.DataObject) -> None:
    text = csv_of("rack,board,socket,serial,lot,wafer,x,y", "oven-1,1,1,A-1,A,,-5,7", data)
    campaign = attempt(parse, Source("any.toml", with_chips_file(), text))
    if campaign is not None:
        assert not any(
            text.startswith(("=", "+", "-", "@"))
            for chip in campaign.chips
            for text in (chip.serial, chip.lot, chip.rack)
        ), "no label begins like a formula of a spreadsheet"
        reckon(campaign)


@effort(150)
@given(st.data())
def test_measurements_of_any_csv(data: st.DataObject) -> None:
    text = csv_of(
        ",".join(COLUMNS), "A-1,168,margin,mV,20,10,,2026-06-08T00:00:00Z,2026-06-08T09:00:00Z", data
    )
    found = read_points_from_csv("any.csv", text, {"A-1", "A-2"})
    assert found.readings or found.problems
    for reading in found.readings:
        assert reading.serial in {"A-1", "A-2"}
        assert (reading.parameter + reading.unit).isprintable()
        assert reading.parameter[0].isalnum()
    assert all(str(problem).strip() for problem in found.problems)


# --- recorded runs -------------------------------------------------------------------------------------------------


def _recorded() -> bytes:
    bench = Bench()
    bench.hours(0, 3)
    bench.error(0, 2.5, socket=1)
    lines = [
        json.dumps({"t_recv_ms": at_ms, "topic": topic, "payload": json.loads(bytes(payload))})
        for at_ms, topic, payload in ((one.t_recv_ms, one.topic, one.payload) for one in bench.lines)
    ]
    judged = Disposed(7, Disposition(serial="A-1", cls="relevant", who="R. Ostra", why="note 1", when_ms=7))
    readout = Readout(
        serial="A-1", read_point_h=0.0, parameter="margin", unit="mV", value=20.0, low_limit=1.0
    )
    file = ReadPointFile(
        file="a.csv", sha256="0" * 64, mechanism="charge-loss", who="w", when_ms=7, readouts=(readout,)
    )
    entered = [entry_line(entry, "lifebound") for entry in (judged, Measured(8, file))]
    return b"".join(
        [
            *(line.encode() + b"\n" for line in lines),
            *entered,
            last_line(Refused(invalid=3), Run("r", 0, SOURCE)),
        ]
    )


RECORDED = _recorded()


def replayed(path: Path) -> Account:
    """What ``lifebound replay`` makes of a file."""
    archived_campaign(path)
    account = Account(CAMPAIGN)
    for line in read_lines(path):
        account.hear(line)
    return account


@pytest.mark.parametrize("name", ["any.jsonl", "any.jsonl.zst"])
@effort(120)
@given(st.data())
def test_a_run_of_any_bytes(tmp_path_factory: pytest.TempPathFactory, name: str, data: st.DataObject) -> None:
    path = tmp_path_factory.getbasetemp() / name
    content = data.draw(st.binary(max_size=80) | spliced(RECORDED))
    if name.endswith(".zst"):
        content = data.draw(spliced(zstandard.ZstdCompressor().compress(content)))
    path.write_bytes(content)
    account = attempt(replayed, path)
    if account is not None:
        assert to_json(account.figures()).decode("ascii").isprintable()


@effort(120)
@given(st.data())
def test_a_run_of_any_strings(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Every text in a file from elsewhere may be hostile; lines that hold it are refused, or it is shown escaped."""
    lines = [json.loads(line) for line in RECORDED.splitlines()]
    for _ in range(data.draw(st.integers(1, 3))):
        table = data.draw(st.sampled_from(lines))
        while True:
            key = data.draw(
                st.sampled_from(sorted(table)) if isinstance(table, dict) else st.integers(0, len(table) - 1)
            )
            if not isinstance(table[key], dict | list) or not table[key]:
                break
            table = table[key]
        table[key] = data.draw(texts if isinstance(table[key], str) else values)
    path = tmp_path_factory.getbasetemp() / "strings.jsonl"
    path.write_bytes(b"".join(json.dumps(line).encode() + b"\n" for line in lines))
    account = attempt(replayed, path)
    if account is not None:
        assert to_json(account.figures()).decode("ascii").isprintable()


def test_the_run_that_is_spoiled_is_good(tmp_path: Path) -> None:
    path = tmp_path / "good.jsonl"
    path.write_bytes(RECORDED)
    figures = replayed(path).figures()
    assert (figures.chips.failed, figures.intake.accepted, figures.intake.invalid) == (1, 5, 3)
    assert archived_campaign(path) == SOURCE
    assert EXAMPLE
    assert "\x1b" in TRICKS[0]
