"""Two rounds of the soak, drawn from their seeds, at the same time: nothing lost, nothing counted twice, all sound.

``make soak`` runs many, and writes the table.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.verdict import Verdict
from tests.soak.injections import INJECTIONS
from tests.soak.observer import Observer
from tests.soak.rounds import Tools, plan, run_round
from tests.soak.table import Injected, Outcome, table

SEEDS = (7, 10)


@pytest.mark.timeout(300)
async def test_two_rounds_lose_nothing(tool: Callable[[str], str], faultshim: Path, tmp_path: Path) -> None:
    tools = Tools(tool("mosquitto"), faultshim)
    plans = [plan(seed, number) for number, seed in enumerate(SEEDS, 1)]
    short = [
        replace(planned, ordered=replace(planned.ordered, hours=4.0, fails=("A-007@0.5", "C-001@3")))
        for planned in plans
    ]
    outcomes = await asyncio.gather(
        *(run_round(planned, tmp_path / str(planned.number), tools) for planned in short)
    )
    for outcome in outcomes:
        assert outcome.verdict.sound, outcome
        assert outcome.verdict.sent > 2000
        assert len(outcome.injected) >= 2, "the faults came in time"


def test_a_plan_comes_again_from_its_seed() -> None:
    assert plan(1, 7) == plan(1, 7)
    assert plan(1, 7) != plan(1, 8)
    dealt = Counter(fault for number in range(1, 51) for fault in plan(1, number).faults)
    assert set(dealt) == set(INJECTIONS)
    assert max(dealt.values()) - min(dealt.values()) <= 1


def test_the_table_counts_every_fault_and_puts_a_loss_to_all_of_its_round() -> None:
    lossy = Outcome(1, [Injected("a", 5), Injected("b", 7)], Verdict(sent=10, lost=2, doubled=1), 1.0)
    sound = Outcome(2, [Injected("a", 1100)], Verdict(sent=10), 1.0)
    lines = table([lossy, sound], ["a", "b", "c"]).splitlines()
    assert lines[2:] == [
        "| a | 2 | 1,105 | 2 | 1 |",
        "| b | 1 | 7 | 2 | 1 |",
        "| c | 0 | 0 | 0 | 0 |",
        "| **all** | 3 | 1,112 | 2 | 1 |",
    ]


def test_in_flight_is_what_was_seen_and_no_receipt_covers() -> None:
    observer = Observer(0)
    tally = (
        '{{"v":1,"boot":"b","seq":{},"t_ms":1,"up_ms":1,"temp_c":1,"supply_v":1,"reads":[1],"errors":[0]}}'
    )
    for seq in (0, 1, 1, 2, 4):
        observer.hear("lifebound/rack/1/tally", tally.format(seq).encode())
    assert observer.in_flight() == 4
    observer.hear(
        "lifebound/rack/receipt",
        b'{"v":1,"run":"r","t_ms":1,"boots":{"b":{"tally":{"1":1},"error":{}}}}',
    )
    assert observer.in_flight() == 2
