"""Memory of what came before stays bounded, by rules that an honest rack never feels.

Counted are boots, pages and elements, never bytes or seconds.
"""

from __future__ import annotations

import dataclasses
import json
import random
from array import array
from collections import deque
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.campaign import Campaign, Source, parse
from monitor.intake import identities
from monitor.intake.identities import MESSAGES_A_PAGE, PAGE, SPARE_PAGES, Identities
from monitor.intake.session import MAX_STRANGER_PLACES, Session, Verdict
from monitor.ledger import LIVE_BOOTS
from monitor.service.account import Account
from shared.entries import JUDGED, NOTED
from shared.errors import Refusal
from shared.quantities import INT_MAX, RECEIPT_BOOTS
from shared.topics import Kind, Topic, parse_topic
from tests.intake.test_session import CAMPAIGN, ERROR, ERROR_TOPIC, TALLY, TALLY_TOPIC, hear

TOPIC = Topic("oven-1", 1, Kind.TALLY)


@pytest.fixture
def session() -> Session:
    return Session(CAMPAIGN)


def boot(number: int) -> str:
    return f"boot-{number}"


# ---------------------------------------------------------------- boots


def test_only_the_latest_boots_are_live(session: Session) -> None:
    for number in range(LIVE_BOOTS):
        assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(number)}) is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(0)}) is Verdict.DUPLICATE
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(LIVE_BOOTS)}) is Verdict.ACCEPTED
    for message in (TALLY, TALLY | {"seq": 5}):
        judged = session.judge(1, TALLY_TOPIC, json.dumps(message | {"boot": boot(0)}).encode())
        assert (judged.verdict, judged.reason) == (Verdict.INVALID, Refusal.BOOT)
        assert "ended long ago" in judged.detail
    assert hear(session, ERROR_TOPIC, ERROR | {"boot": boot(0)}) is Verdict.INVALID
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(1)}) is Verdict.DUPLICATE, "still live"
    assert session.refused.invalid_reasons == {"boot": 3}
    assert session.identities.closed_boots == 1
    assert session.identities.pages == LIVE_BOOTS


def test_a_rack_is_bounded_by_itself(session: Session) -> None:
    """Boots of one rack close none of another, and boots that are only in presence messages count for nothing."""
    assert hear(session, "lifebound/oven-2/3/tally", TALLY) is Verdict.ACCEPTED
    for number in range(2 * LIVE_BOOTS):
        presence = {"v": 1, "online": True, "boot": f"p{number}", "t_ms": 0, "boards": []}
        hear(session, "lifebound/oven-2/presence", presence)
        hear(session, TALLY_TOPIC, TALLY | {"boot": boot(number)})
    assert hear(session, "lifebound/oven-2/3/tally", TALLY) is Verdict.DUPLICATE
    assert session.identities.live_boots("oven-1") == [boot(n) for n in range(LIVE_BOOTS, 2 * LIVE_BOOTS)]


def test_receipts_speak_of_far_fewer_boots_than_are_live() -> None:
    assert LIVE_BOOTS >= 16 * RECEIPT_BOOTS


def test_after_so_many_boots_a_rack_s_new_ones_are_refused(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(identities, "MAX_BOOTS", LIVE_BOOTS + 5)
    for number in range(LIVE_BOOTS + 5):
        assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(number)}) is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": "one more"}) is Verdict.INVALID
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": boot(LIVE_BOOTS), "seq": 9}) is Verdict.ACCEPTED
    assert session.refused.invalid_reasons == {"boot": 1}


@given(st.lists(st.tuples(st.sampled_from([1, 2]), st.integers(0, 8), st.integers(0, 3)), max_size=60))
def test_session_and_ledger_agree_about_boots(messages: list[tuple[int, int, int]]) -> None:
    """Whatever the order of boots: what is live is the same in both, and nothing is kept of any other boot."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(identities, "LIVE_BOOTS", 3)
        patch.setattr("monitor.ledger.ledger.LIVE_BOOTS", 3)
        account = Account(CAMPAIGN)
        heard: list[str] = []
        for which, number, seq in messages:
            topic = {1: TALLY_TOPIC, 2: ERROR_TOPIC}[which]
            message = (TALLY | {"seq": seq}) if which == 1 else (ERROR | {"n": seq})
            raw = json.dumps(message | {"boot": boot(number)}).encode()
            judged = account.session.judge(1, topic, raw)
            closed = boot(number) in heard and boot(number) not in account.ledger.racks["oven-1"].boots
            assert (judged.reason is Refusal.BOOT) == closed
            if judged.entry is not None:
                account.ledger.apply(judged.entry)
                heard.append(boot(number))
            live = account.ledger.racks["oven-1"].boots
            assert live == account.session.identities.live_boots("oven-1")
            assert len(live) <= 3
            assert set(account.ledger.boards["oven-1", 1].streams) <= set(live)
        assert account.ledger.boards["oven-1", 1].boots == len(set(heard))


# ---------------------------------------------------------------- numbers


def test_numbers_that_jump_are_refused_before_they_fill_the_memory(session: Session) -> None:
    draw = random.Random(1)
    accepted = 0
    for _ in range(100_000):
        judged = session.judge(1, TALLY_TOPIC, b'{"v":1,"boot":"b1","seq":%d,"t_ms":0,"up_ms":1,"temp_c":125,'
                               b'"supply_v":1.98,"reads":[1],"errors":[0]}' % draw.randrange(INT_MAX))  # fmt: skip
        accepted += judged.verdict is Verdict.ACCEPTED
        assert judged.verdict is Verdict.ACCEPTED or judged.reason is Refusal.NUMBER
    assert session.identities.pages == accepted <= SPARE_PAGES + 6
    assert session.refused.invalid_reasons == {"number": 100_000 - accepted}
    assert "its numbers jump" in session.refused.noted["invalid"][-1].detail
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": "next"}) is Verdict.ACCEPTED, "a new boot begins anew"


@pytest.mark.parametrize("seed", range(5))
def test_a_stream_that_loses_nine_of_ten_is_never_refused(seed: int) -> None:
    draw = random.Random(seed)
    kept = Identities()
    for number in range(360_000):  # 1000 h at 10 s
        if draw.random() < 0.1:
            assert kept.refusal(TOPIC, "b1", number) is None
            kept.remember(TOPIC, "b1", number, 1)
    assert kept.pages == -(-360_000 // PAGE)


def test_a_page_pays_for_itself() -> None:
    """A stream may open a page for every so many messages beyond its spare ones, and no more."""
    kept = Identities()
    opened = 0
    for number in range(0, 2000 * PAGE, PAGE):
        if kept.refusal(TOPIC, "b1", number) is None:
            kept.remember(TOPIC, "b1", number, 1)
            opened += 1
    seen = opened
    assert opened == kept.pages
    assert kept.refusal(TOPIC, "b1", 5000 * PAGE) is Refusal.NUMBER
    for number in range(1, PAGE):
        assert kept.refusal(TOPIC, "b1", number) is None, "within an open page there is always room"
        kept.remember(TOPIC, "b1", number, 1)
        kept.remember(TOPIC, "b1", number, 2)
        seen += 1
    assert kept.refusal(TOPIC, "b1", 5000 * PAGE) is None
    while kept.refusal(TOPIC, "b1", at := (6000 + kept.pages) * PAGE) is None:
        kept.remember(TOPIC, "b1", at, 1)
        seen += 1
    assert kept.pages == SPARE_PAGES + seen // MESSAGES_A_PAGE + 1


def test_what_is_frozen_and_thawed_judges_the_same() -> None:
    draw = random.Random(3)
    whole = Identities()
    thawed = whole
    for step in range(3000):
        topic = Topic("oven-1", draw.randrange(1, 3), draw.choice([Kind.TALLY, Kind.ERROR]))
        name, number = boot(step // 30 - draw.randrange(3)), draw.randrange(20) * PAGE * draw.randrange(3)
        assert thawed.refusal(topic, name, number) == whole.refusal(topic, name, number)
        assert thawed.seen(topic, name, number) == whole.seen(topic, name, number)
        if whole.refusal(topic, name, number) is None:
            for each in {id(whole): whole, id(thawed): thawed}.values():
                each.remember(topic, name, number, step + 1)
        if step % 500 == 250:
            thawed = Identities()
            thawed.thaw(whole.freeze())
    assert whole.closed_boots > 20
    assert thawed.freeze() == whole.freeze()


@pytest.mark.parametrize("spoil", [b"", b"\x90\x00", b"\x91\x93\xa1r\xc4\x03abc\x90", b"\x91\xa1r"])
def test_what_freeze_did_not_give_is_refused(spoil: bytes) -> None:
    with pytest.raises((msgspec.MsgspecError, ValueError)):
        Identities().thaw(spoil)


# ---------------------------------------------------------------- everything at once


def elements(value: Any, known: set[int]) -> int:
    """How many elements all containers below ``value`` hold together; each object is walked once."""
    if id(value) in known or isinstance(value, Campaign):
        return 0
    known.add(id(value))
    if isinstance(value, np.ndarray | array | str | bytes):
        return len(value)
    inside = members(value)
    return len(inside) + sum(elements(each, known) for each in inside)


def members(value: Any) -> list[Any]:
    """What a container or an object holds."""
    if isinstance(value, dict):
        return [each for pair in value.items() for each in pair]
    if isinstance(value, list | tuple | set | frozenset | deque):
        return list(value)
    if isinstance(value, msgspec.Struct):
        return list(msgspec.structs.astuple(value))
    if dataclasses.is_dataclass(value):
        return [getattr(value, each.name) for each in dataclasses.fields(value)]
    return list(vars(value).values()) if hasattr(value, "__dict__") else []


def strange(draw: random.Random) -> tuple[str, dict[str, Any]]:
    """What a thousand strangers send: unknown racks, boards, sockets, topics as long as MQTT allows."""
    what = draw.randrange(5)
    if what == 0:
        return f"lifebound/stranger-{draw.randrange(1000)}/{draw.randrange(1, 1000)}/tally", TALLY
    if what == 1:
        return f"lifebound/oven-1/{draw.randrange(2, 1000)}/tally", TALLY
    if what == 2:
        return ERROR_TOPIC, ERROR | {"socket": draw.randrange(3, 10**6), "n": draw.randrange(INT_MAX)}
    if what == 3:
        return f"lifebound/{draw.randrange(10**9)}{'x' * 5_000}/presence", TALLY
    sockets = draw.randrange(3, 257)
    return TALLY_TOPIC, TALLY | {
        "boot": f"s{draw.randrange(10**9)}",
        "reads": [1] * sockets,
        "errors": [0] * sockets,
        "seq": draw.randrange(INT_MAX),
    }


TWENTY = range(1, 21)
FLOOR = parse(Source("floor", CAMPAIGN.source.toml.replace('sockets = "2"', 'sockets = "1-20"')))


def failing(step: int) -> list[tuple[str, dict[str, Any]]]:
    """A board on which every read of every chip fails: a tally, and ten error messages a second for ten seconds."""
    reads = 10_000 * (step + 1)
    facts = {"up_ms": 10_000 * step, "boot": "all-fails"}
    tally = TALLY | facts | {"seq": step, "reads": [reads] * 20, "errors": [reads] * 20}
    errors = [
        ERROR
        | facts
        | {"n": 100 * step + k, "socket": 1 + k % 20, "count": 200, "read_index": reads - 9_000 + k}
        for k in range(100)
    ]
    return [("lifebound/oven-2/3/error", error) for error in errors] + [("lifebound/oven-2/3/tally", tally)]


def test_every_container_stays_bounded_whatever_is_sent() -> None:
    """20,000 messages: strangers of a thousand places, boots, numbers that jump, conflicts, every chip failing."""
    draw = random.Random(7)
    account = Account(FLOOR)

    def take(topic: str, message: dict[str, Any], at: int) -> None:
        judged = account.session.judge(at, topic, json.dumps(message).encode())
        if judged.entry is not None:
            account.ledger.apply(judged.entry)
        elif judged.refused_error is not None:
            error = judged.refused_error
            account.ledger.leave_out(error.topic.rack, error.topic.board, error.message)  # type: ignore[arg-type]

    sizes = []
    cached = parse_topic.cache_info().currsize
    for step in range(100):
        for topic, message in failing(step):
            take(topic, message, step)
        for _ in range(79):
            take(*strange(draw), step)
        for n in range(20):
            take("lifebound/oven-2/3/tally", failing(step)[-1][1] | {"t_ms": n}, step)  # conflicts
        if step % 10 == 9:
            sizes.append(elements(account, set()) - account.session.identities.closed_boots)
            figures = account.figures()
            assert len(msgspec.json.encode(figures)) < 200_000
    session, ledger, board = account.session, account.ledger, account.ledger.boards["oven-1", 1]
    refused = session.refused
    assert account.figures().chips.failed == len(TWENTY)
    assert refused.conflicts == 20 * 100
    assert refused.strangers >= 5_000
    assert board.boots > 15 * LIVE_BOOTS
    # the account: what grows is what is written beside each line, and nothing else
    assert len(refused.stranger_places) <= MAX_STRANGER_PLACES
    assert all(len(kept) <= NOTED for kept in (*refused.noted.values(), *ledger.notes.kept.values()))
    assert all(len(letters) <= JUDGED for letters in refused.racks.values())
    assert set(refused.racks) <= {"oven-1", "oven-2"}
    assert len(session.identities.live_boots("oven-1")) <= LIVE_BOOTS
    assert session.identities.pages <= LIVE_BOOTS + 10_100 // PAGE + 2
    assert len(ledger.racks["oven-1"].boots) <= LIVE_BOOTS
    for each in ledger.boards.values():
        assert len(each.streams) <= LIVE_BOOTS
        assert all(len(s.waiting) <= 17 and len(s.waiting_errors) <= 17 for s in each.streams.values())
        assert all(len(s.left_out) <= 3 for s in each.streams.values())
        assert len(each.stranger_sockets) <= 256
    assert all(len(w.sightings) <= 1 and len(w.clean_until_ms) <= LIVE_BOOTS for w in ledger.witnesses)
    assert len(ledger.pace) <= 25
    assert parse_topic.cache_info().currsize - cached < 3_000, "topics longer than any of ours are not kept"
    # twice the messages, no more elements but the pages of fingerprints of what was accepted
    assert sizes[-1] - sizes[4] <= 10_100 // 2 + 2 * PAGE + 5_000
