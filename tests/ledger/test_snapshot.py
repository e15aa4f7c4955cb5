"""A snapshot changes nothing but time: state frozen at any point and taken up again gives the unbroken account."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.campaign import Campaign
from monitor.figures import to_json
from monitor.journal import MemoryJournal, Run
from monitor.ledger import Ledger, freeze, thaw
from monitor.service.account import Account, restore, snapshot_of
from shared.entries import Entry
from tests.ledger.test_against_oracle import campaign_of, fold
from tests.oracle.generate import runs

SMALL: dict[str, Any] = {
    "campaign": {"id": "invented"},
    "stress": {
        "temp_c": 125.0,
        "temp_tol_minus_c": 2.0,
        "temp_tol_plus_c": 5.0,
        "supply_v": 1.98,
        "supply_tol_v": 0.04,
        "read_rate_hz": 100,
        "report_interval_s": 10,
    },
    "use": {"supply_v": 1.8, "profile": [{"share": 1.0, "temp_c": 55.0}]},
    "mechanism": [{"name": "loss", "ea_ev": 0.7}],
    "chips_expanded": [{"rack": "oven-1", "board": 1, "socket": 1, "serial": "S1", "lot": "A"}],
}


def accepted(campaign: Campaign, entries: list[tuple[int, str, Any]]) -> list[Entry]:
    """The journal entries of a run."""
    session = Account(campaign).session
    judged = (session.judge(at, topic, msgspec.json.encode(payload)) for at, topic, payload in entries)
    return [j.entry for j in judged if j.entry is not None]


def tallies(count: int) -> list[tuple[int, str, Any]]:
    return [
        (
            seq,
            "lifebound/oven-1/1/tally",
            {
                "v": 1,
                "boot": "b",
                "seq": seq,
                "t_ms": 0,
                "up_ms": 10_000 * seq,
                "temp_c": 125.0,
                "supply_v": 1.98,
                "reads": [1000 * seq],
                "errors": [0],
            },
        )
        for seq in range(count)
    ]


async def recorded(campaign: Campaign, batches: list[list[Entry]], cut: int) -> tuple[MemoryJournal, bytes]:
    """A journal of the batches, and the snapshot a service would have kept after ``cut`` of them."""
    journal = MemoryJournal(Run("run", 0, campaign.source))
    for batch in batches[:cut]:
        await journal.append(batch)
    snapshot = snapshot_of(await restore(campaign, journal), journal)
    for batch in batches[cut:]:
        await journal.append(batch)
    return journal, snapshot


@settings(max_examples=150)
@given(runs(), st.data())
def test_state_taken_up_again_gives_the_unbroken_account(
    run: tuple[dict[str, Any], list[tuple[int, str, Any]]], data: st.DataObject
) -> None:
    facts, entries = run
    campaign = campaign_of(facts)
    batches = [[entry] for entry in accepted(campaign, entries)]
    cut = data.draw(st.integers(0, len(batches)))

    async def both() -> tuple[Account, Account]:
        journal, snapshot = await recorded(campaign, batches, cut)
        taken_up = await restore(campaign, journal, snapshot)
        return await restore(campaign, journal), taken_up

    unbroken, taken_up = asyncio.run(both())
    assert to_json(taken_up.figures()) == to_json(unbroken.figures())
    assert freeze(taken_up.ledger) == freeze(unbroken.ledger)
    # what came before the cut is still known as a duplicate
    for at, topic, payload in entries:
        raw = msgspec.json.encode(payload)
        assert (
            taken_up.session.judge(at, topic, raw).verdict == unbroken.session.judge(at, topic, raw).verdict
        )


def test_snapshot_is_really_used() -> None:
    campaign = campaign_of(SMALL)

    async def work() -> tuple[Account, Account]:
        journal, snapshot = await recorded(campaign, [[e] for e in accepted(campaign, tallies(5))], 4)
        journal._batches[0] = []  # folding from the beginning would now miss the first tally
        return await restore(campaign, journal, snapshot), await restore(campaign, journal)

    with_snapshot, without = asyncio.run(work())
    assert with_snapshot.figures().exposure.credited_h == pytest.approx(40 / 3600)
    assert without.figures().exposure.credited_h == 0


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: b"",
        lambda data: data[:-1],
        lambda data: data[:40] + bytes([data[40] ^ 1]) + data[41:],
        lambda data: bytes(32) + data[32:],
        lambda data: b"\x00" * len(data),
    ],
    ids=["empty", "cut", "a bit", "checksum", "zeros"],
)
def test_a_damaged_snapshot_changes_nothing(spoil: Any) -> None:
    campaign = campaign_of(SMALL)

    async def work() -> tuple[Account, Account]:
        journal, snapshot = await recorded(campaign, [[e] for e in accepted(campaign, tallies(5))], 3)
        return await restore(campaign, journal, spoil(snapshot)), await restore(campaign, journal)

    spoilt, whole = asyncio.run(work())
    assert to_json(spoilt.figures()) == to_json(whole.figures())


def test_a_snapshot_of_another_run_or_beyond_the_journal_is_left_alone() -> None:
    campaign = campaign_of(SMALL)

    async def work() -> tuple[Account, Account]:
        journal, snapshot = await recorded(campaign, [[e] for e in accepted(campaign, tallies(5))], 5)
        other = MemoryJournal(Run("other", 0, campaign.source))
        shorter = MemoryJournal(journal.run)
        return await restore(campaign, other, snapshot), await restore(campaign, shorter, snapshot)

    for account in asyncio.run(work()):
        assert account.ledger.accepted == 0


def test_a_snapshot_of_a_record_that_is_another_now_is_left_alone() -> None:
    """Of the same run and as long, but with another beginning: the chain has another hash at its place."""
    campaign = campaign_of(SMALL)

    async def work() -> tuple[Account, Account]:
        entries = accepted(campaign, tallies(6))
        _, snapshot = await recorded(campaign, [[e] for e in entries[:5]], 5)
        journal, _ = await recorded(campaign, [[e] for e in [*entries[1:5], entries[5]]], 0)
        return await restore(campaign, journal, snapshot), await restore(campaign, journal)

    with_snapshot, without = asyncio.run(work())
    assert to_json(with_snapshot.figures()) == to_json(without.figures())


def test_another_campaign_or_another_version_of_the_fold_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = fold(SMALL, tallies(3)).ledger
    data = freeze(ledger)
    assert isinstance(thaw(ledger.campaign, data), Ledger)
    warmer = campaign_of({**SMALL, "stress": {**SMALL["stress"], "temp_c": 126.0}})
    assert thaw(warmer, data) is None
    monkeypatch.setattr("monitor.ledger.snapshot.FOLD_VERSION", 0)
    assert thaw(ledger.campaign, data) is None


def test_counts_beyond_64_bits_are_frozen_too() -> None:
    """What a broken rack may claim by the contract: the greatest counter in each of three boots, and any clock."""
    entries = [
        (0, topic, {**payload, "boot": boot, "t_ms": -(2**63 - 1), "up_ms": 2**63 - 1, "errors": [2**63 - 1]})
        for boot in ("a", "b", "c")
        for _, topic, payload in tallies(1)
    ]
    ledger = fold(SMALL, entries).ledger
    assert ledger.accounts.errors == [3 * (2**63 - 1)]
    thawed = thaw(ledger.campaign, freeze(ledger))
    assert thawed is not None
    assert thawed.accounts.errors == ledger.accounts.errors
    assert freeze(thawed) == freeze(ledger)
