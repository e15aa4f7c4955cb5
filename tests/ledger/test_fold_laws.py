"""Laws of intake and fold on adversarial runs: duplicates, order of arrival, restarts, closed boots.

- A message that came before, anywhere later in the run, changes nothing but the count of duplicates.
- Tallies of one board in another order of arrival, none overtaken by 16 others or by one from beyond the hold, give
  the same account. Only where a clock rises is there such a window: a stream whose ``up_ms`` falls keeps its order.
- A service that stops at any point and takes up its snapshot and the journal's tail goes on as if it had not.
"""

from __future__ import annotations

import asyncio
from itertools import groupby, pairwise
from typing import Any

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from monitor.figures import Figures, to_json
from monitor.journal import MemoryJournal, Run
from monitor.journal.exchange import Line, entry_line, last_line
from monitor.ledger import freeze
from monitor.ledger.limits import MAX_DT_MS
from monitor.service.account import Account, restore, snapshot_of
from shared.entries import Received
from tests.ledger.test_against_oracle import campaign_of, facts_of, fold
from tests.ledger.test_snapshot import SMALL
from tests.oracle.generate import START_MS, runs

Entries = list[tuple[int, str, Any]]
Generated = tuple[dict[str, Any], Entries]
WINDOW = 16  # so many others may not overtake a tally

# ---------------------------------------------------------------- duplicates


@settings(max_examples=28)
@given(runs(), st.data())
def test_duplicates_change_nothing_but_their_count(run: Generated, data: st.DataObject) -> None:
    facts, entries = run
    session = Account(campaign_of(facts)).session
    first_time = [
        k
        for k, (at, topic, payload) in enumerate(entries)
        if session.judge(at, topic, msgspec.json.encode(payload)).entry is not None
        and "online" not in payload
    ]
    assume(first_time)
    again = data.draw(st.lists(st.sampled_from(first_time), min_size=1, max_size=20))
    told: Entries = list(entries)
    where = [data.draw(st.integers(k + 1, len(entries)), label="inserted before") for k in again]
    for k, place in sorted(zip(again, where, strict=True), key=lambda pair: -pair[1]):
        told.insert(place, (START_MS + 7, *entries[k][1:]))
    once, repeated = fold(facts, entries), fold(facts, told)
    assert freeze(repeated.ledger) == freeze(once.ledger)
    assert repeated.session.identities.freeze() == once.session.identities.freeze()
    counts, known = repeated.session.refused, once.session.refused
    assert counts.duplicates == known.duplicates + len(again)
    changed = {"duplicates": known.duplicates, "noted": counts.noted | {"duplicate": []}}
    assert msgspec.structs.replace(counts, **changed) == msgspec.structs.replace(
        known, noted=known.noted | {"duplicate": []}
    )
    assert without_duplicates(repeated.figures()) == without_duplicates(once.figures())


def without_duplicates(figures: Figures) -> Figures:
    noted = [item for item in figures.intake.noted if item.kind != "duplicate"]
    intake = msgspec.structs.replace(figures.intake, duplicates=0, noted=noted)
    return msgspec.structs.replace(figures, intake=intake)


# ---------------------------------------------------------------- order of arrival


def put_in_order(facts: dict[str, Any], entries: Entries) -> Entries:
    """The accepted messages, the tallies of each stream in the order of ``seq`` at the places where they came."""
    session = Account(campaign_of(facts)).session
    accepted = [
        entry
        for entry in entries
        if session.judge(entry[0], entry[1], msgspec.json.encode(entry[2])).entry is not None
    ]
    places: dict[tuple[str, str], list[int]] = {}
    for k, (_, topic, payload) in enumerate(accepted):
        if "seq" in payload:
            places.setdefault((topic, payload["boot"]), []).append(k)
    for slots in places.values():
        ordered = sorted((accepted[k] for k in slots), key=lambda entry: entry[2]["seq"])
        for k, (_, topic, payload) in zip(slots, ordered, strict=True):
            accepted[k] = (accepted[k][0], topic, payload)
    return accepted


def runs_of_tallies(entries: Entries) -> list[list[int]]:
    """Places of tallies of one stream, with no other message of their board between them."""
    boards: dict[str, list[int]] = {}
    for k, (_, topic, _payload) in enumerate(entries):
        if not topic.endswith("/presence"):
            boards.setdefault(topic.rsplit("/", 1)[0], []).append(k)
    found = []
    for places in boards.values():
        for _, group in groupby(
            places, key=lambda k: (entries[k][1], entries[k][2]["boot"], "seq" in entries[k][2])
        ):
            slots = list(group)
            if len(slots) > 1 and "seq" in entries[slots[0]][2]:
                found.append(slots)
    return found


def clock_rises(entries: Entries, topic: str, boot: str) -> bool:
    ups = [p["up_ms"] for _, t, p in entries if t == topic and p["boot"] == boot]
    return all(0 < b - a <= MAX_DT_MS for a, b in pairwise(ups))


def inside_window(entries: Entries, slots: list[int], hold_ms: int) -> bool:
    """Whether none of these tallies is overtaken by 16 others, or by one from beyond the hold."""
    for i, k in enumerate(slots):
        mine = entries[k][2]
        others = [entries[j][2] for j in slots[:i] if entries[j][2]["seq"] > mine["seq"]]
        if len(others) >= WINDOW or any(o["up_ms"] - mine["up_ms"] >= hold_ms for o in others):
            return False
    return True


@settings(max_examples=45)
@given(runs(), st.data())
def test_another_order_inside_the_window_gives_the_same_account(run: Generated, data: st.DataObject) -> None:
    facts, entries = run
    straight = put_in_order(facts, entries)
    hold_ms = fold(facts, []).ledger.limits.hold_ms
    turned = list(straight)
    moved = 0
    for slots in runs_of_tallies(straight):
        _, topic, payload = straight[slots[0]]
        if not clock_rises(straight, topic, payload["boot"]):
            continue
        # a tally can only come a little later than in order: every place is raised by less than the window
        late = [data.draw(st.sampled_from([0, 0, 1, 2, 4, 9, 15]), label="later by") for _ in slots]
        order = sorted(range(len(slots)), key=lambda i: (i + late[i], i))
        changed = list(turned)
        for slot, i in zip(slots, order, strict=True):
            changed[slot] = (straight[slot][0], *straight[slots[i]][1:])
        if inside_window(changed, slots, hold_ms):
            turned, moved = changed, moved + (changed != turned)
    assume(moved)
    in_order, out_of_order = fold(facts, straight), fold(facts, turned)
    assert facts_of(out_of_order) == facts_of(in_order)
    assert without_receive_times(out_of_order) == without_receive_times(in_order)
    for rack in in_order.ledger.racks:
        assert out_of_order.ledger.receipt(rack, "run", 0) == in_order.ledger.receipt(rack, "run", 0)


def without_receive_times(account: Account) -> bytes:
    """The figures; events lose the time at which they were told, and their order in it."""
    figures = account.figures()
    noted = [msgspec.structs.replace(item, t_recv_ms=0) for item in figures.intake.noted]
    noted.sort(key=msgspec.json.encode)
    counts = account.ledger.counts
    if max(counts.gaps, counts.counter_faults, counts.late) > 8:
        noted = []  # which of them are the latest is a matter of receive times
    intake = msgspec.structs.replace(figures.intake, noted=noted)
    return to_json(msgspec.structs.replace(figures, intake=intake))


def test_beyond_the_window_a_tally_is_late() -> None:
    """The other side of the law: overtaken by one from beyond the hold, a tally is credited no more."""
    facts = SMALL_HOLD
    tallies = [(START_MS + k, "lifebound/oven-1/1/tally", tally(k)) for k in range(8)]
    late = [*tallies[:2], *tallies[3:6], tallies[2], *tallies[6:]]
    assert fold(facts, late).ledger.counts.late == 1
    assert (
        fold(facts, late).ledger.accounts.credited_ms[0]
        == fold(facts, tallies).ledger.accounts.credited_ms[0]
    )
    far = [*tallies[:1], *tallies[4:7], tallies[1], tallies[2], tallies[3], tallies[7]]
    assert fold(facts, far).ledger.counts.late == 3


@pytest.mark.parametrize(("others", "late"), [(WINDOW - 1, 0), (WINDOW, 0), (WINDOW + 1, 1)])
def test_a_tally_may_be_overtaken_by_so_many_others(others: int, late: int) -> None:
    facts = SMALL_HOLD | {"stress": SMALL_HOLD["stress"] | {"reorder_hold_s": 3600}}
    tallies = [(START_MS, "lifebound/oven-1/1/tally", tally(seq)) for seq in range(30)]
    turned = [tallies[0], *tallies[2 : 2 + others], tallies[1], *tallies[2 + others :]]
    assert fold(facts, turned).ledger.counts.late == late


def tally(seq: int) -> dict[str, Any]:
    up_ms = 10_000 * seq
    facts = {"v": 1, "boot": "b", "seq": seq, "t_ms": 0, "up_ms": up_ms, "temp_c": 125.0, "supply_v": 1.98}
    return {**facts, "reads": [up_ms // 10], "errors": [0]}


SMALL_HOLD: dict[str, Any] = {**SMALL, "stress": {**SMALL["stress"], "reorder_hold_s": 20}}

# ---------------------------------------------------------------- restarts


@settings(max_examples=28)
@given(runs(), st.data(), st.sampled_from([1, 2, 64]))
def test_a_restart_at_any_point_goes_on_as_if_it_had_not_been(
    run: Generated, data: st.DataObject, live_boots: int
) -> None:
    """A live account with its commits, one taken up from a snapshot in the midst, and a replay of the export: the same.

    With one or two live boots, boots are closed in the midst as well.
    """
    facts, entries = run
    cut = data.draw(st.integers(0, len(entries)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitor.intake.identities.LIVE_BOOTS", live_boots)
        patch.setattr("monitor.ledger.ledger.LIVE_BOOTS", live_boots)
        asyncio.run(compare(facts, entries, cut))


async def compare(facts: dict[str, Any], entries: Entries, cut: int) -> None:
    campaign = campaign_of(facts)
    live = Account(campaign)
    live.recorded_sha256 = campaign.source.sha256
    journal = MemoryJournal(Run("run", 0, campaign.source))
    snapshot = None
    for k, (at, topic, payload) in enumerate(entries):
        if k == cut:
            snapshot = snapshot_of(live, journal)
        judged = live.session.judge(at, topic, msgspec.json.encode(payload))
        live.apply(await journal.append([judged.entry] if judged.entry else [], live.session.refused))
    taken_up = await restore(campaign, journal, snapshot)
    refolded = await restore(campaign, journal)
    replayed = Account(campaign)
    async for batch in journal.batches():
        for entry in batch:
            assert isinstance(entry, Received)
            replayed.hear(msgspec.json.decode(entry_line(entry, campaign.prefix), type=Line))
    replayed.hear(msgspec.json.decode(last_line(await journal.refused(), journal.run), type=Line))
    for other in (taken_up, refolded, replayed):
        assert facts_of(other) == facts_of(live)
        assert other.session.refused == live.session.refused
        assert other.session.identities.freeze() == live.session.identities.freeze()
        assert freeze(other.ledger) == freeze(live.ledger)
        assert to_json(other.figures()) == to_json(live.figures())
        for rack, known in live.ledger.racks.items():
            assert other.ledger.receipt(rack, "run", 0) == live.ledger.receipt(rack, "run", 0)
            assert other.session.identities.live_boots(rack) == known.boots
