"""What is kept of refused messages: the latest of each kind in harmless text, and how each rack's latest fared.

What is kept must be the same after a restart and in an export, and a foreign file can bring in nothing that the
session would not have made itself.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.intake.session import Session, Verdict
from shared.entries import (
    DETAIL_CHARS,
    EXCERPT_CHARS,
    JUDGED,
    NOTED,
    REFUSED_LETTERS,
    TOPIC_CHARS,
    Noted,
    Refused,
    note,
)
from shared.errors import Refusal
from shared.shown import printable
from tests.intake.test_session import (
    CAMPAIGN,
    ERROR,
    ERROR_TOPIC,
    PRESENCE,
    PRESENCE_TOPIC,
    TALLY,
    TALLY_TOPIC,
    hear,
    wire,
)

HOSTILE = "\x1b[2J\x1b]0;x\x07\r\n\x00\x7f\x9b31m\u202e\u2028\ufe0f\ud800=1+1 ä"


@pytest.fixture
def session() -> Session:
    return Session(CAMPAIGN)


def texts(refused: Refused) -> list[str]:
    """Every text that is kept of messages."""
    noted = [text for kept in refused.noted.values() for n in kept for text in (n.topic, n.detail, n.excerpt)]
    return [*noted, *refused.racks.values(), *refused.rack_details.values()]


def is_harmless(text: str) -> bool:
    return text.isascii() and all(" " <= char <= "~" for char in text)


# ---------------------------------------------------------------- the latest of each kind


def test_the_latest_of_each_kind_are_kept_oldest_first(session: Session) -> None:
    hear(session, TALLY_TOPIC, TALLY)
    for at in range(NOTED + 3):
        hear(session, TALLY_TOPIC, TALLY, at)
        hear(session, TALLY_TOPIC, TALLY | {"t_ms": at}, 100 + at)
        hear(session, "lifebound/oven-9/1/tally", b"whatever", 200 + at)
        hear(session, TALLY_TOPIC, b'{"v": 1', 300 + at)
    noted = session.refused.noted
    assert {kind: [n.t_recv_ms for n in kept] for kind, kept in noted.items()} == {
        "duplicate": list(range(3, 3 + NOTED)),
        "conflict": list(range(103, 103 + NOTED)),
        "stranger": list(range(203, 203 + NOTED)),
        "invalid": list(range(303, 303 + NOTED)),
    }
    stranger, invalid, conflict = noted["stranger"][-1], noted["invalid"][-1], noted["conflict"][-1]
    assert stranger == Noted(210, "lifebound/oven-9/1/tally", "the campaign names no rack oven-9", "whatever")
    assert (invalid.topic, invalid.excerpt) == (TALLY_TOPIC, '{"v": 1')
    assert "truncated" in invalid.detail
    assert conflict.detail == "boot b1, number 4"
    assert conflict.excerpt.startswith('{"v": 1, "boot": "b1", "seq": 4')


@pytest.mark.parametrize(
    ("topic", "payload", "detail"),
    [
        ("lifebound/oven-1/2/tally", b"", "the campaign names no board 2 of oven-1"),
        (ERROR_TOPIC, ERROR | {"socket": 3}, "socket 3 has no chip in this campaign"),
        ("else/where", b"", "its topic names nothing in this campaign"),
        (TALLY_TOPIC, {k: v for k, v in TALLY.items() if k != "reads"}, "missing required field `reads`"),
    ],
)
def test_a_note_says_what_was_wrong(session: Session, topic: str, payload: Any, detail: str) -> None:
    hear(session, topic, payload)
    ((noted,),) = session.refused.noted.values()
    assert detail in noted.detail


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        (TALLY_TOPIC, HOSTILE.encode("utf-8", "surrogatepass") * 1000),
        (f"lifebound/{HOSTILE * 100}/presence", b"\x00\x1b\xff" * 5000),
        (TALLY_TOPIC, json.dumps(TALLY | {"boot": HOSTILE[:19]}).encode()),
        (ERROR_TOPIC, b"\xff\xfe\x9b\x1b" * 10_000_000),
    ],
    ids=["payload", "topic", "boot", "forty megabytes"],
)
def test_nothing_hostile_is_kept(session: Session, topic: str, payload: bytes) -> None:
    for _ in range(3):
        session.judge(1, topic, payload)
    session.judge(1, topic, payload.replace(b'"up_ms": 40000', b'"up_ms": 40001'))
    assert texts(session.refused)
    assert all(is_harmless(text) for text in texts(session.refused))
    assert all(len(text) <= DETAIL_CHARS for text in texts(session.refused))


@given(st.text() | st.binary(), st.integers(4, 60))
def test_printable_text_is_ascii_bounded_and_stays_itself(text: str | bytes, most: int) -> None:
    once = printable(text, most)
    assert is_harmless(once)
    assert len(once) <= most
    assert printable(once, most) == once


def test_each_part_of_a_note_has_its_bound() -> None:
    noted = note(1, "t" * 70_000, "d" * 70_000, b"x" * 70_000)
    assert [len(noted.topic), len(noted.detail), len(noted.excerpt)] == [
        TOPIC_CHARS,
        DETAIL_CHARS,
        EXCERPT_CHARS,
    ]
    assert noted.excerpt.endswith("x...")


# ---------------------------------------------------------------- how the racks fare


def test_the_verdicts_of_a_rack_s_latest_messages_are_kept(session: Session) -> None:
    hear(session, TALLY_TOPIC, TALLY)
    hear(session, TALLY_TOPIC, b"{")
    hear(session, TALLY_TOPIC, TALLY | {"t_ms": 1})
    hear(session, PRESENCE_TOPIC, PRESENCE)
    hear(session, ERROR_TOPIC, b"\xff")
    hear(session, "lifebound/oven-2/3/tally", TALLY | {"errors": []})
    assert session.refused.racks == {"oven-1": ".jc.e", "oven-2": "h"}
    assert session.refused.rack_details == {
        "oven-1": "payload is not UTF-8",
        "oven-2": "reads and errors differ in length",
    }
    for seq in range(100, 100 + JUDGED):
        hear(session, TALLY_TOPIC, TALLY | {"seq": seq})
    assert session.refused.racks["oven-1"] == "." * JUDGED


def test_duplicates_and_strangers_speak_neither_for_a_rack_nor_against_it(session: Session) -> None:
    hear(session, TALLY_TOPIC, TALLY)
    for _ in range(30):
        assert hear(session, TALLY_TOPIC, TALLY) is Verdict.DUPLICATE
        assert hear(session, "lifebound/oven-1/7/tally", TALLY) is Verdict.STRANGER
        assert hear(session, ERROR_TOPIC, ERROR | {"socket": 9}) is Verdict.STRANGER
        assert hear(session, "lifebound/oven-1/01/tally", TALLY) is Verdict.STRANGER
    assert session.refused.racks == {"oven-1": "."}


def test_each_class_of_refusal_has_a_letter() -> None:
    assert set(REFUSED_LETTERS.values()) == {"conflict", *Refusal}
    assert all(len(letter) == 1 for letter in REFUSED_LETTERS)


# ---------------------------------------------------------------- restarts, exports, foreign files


@given(st.lists(wire, max_size=40))
def test_a_restart_keeps_what_is_noted(messages: list[tuple[str, bytes]]) -> None:
    """After a restart the journal's entries are admitted and the counts that were committed with them are added."""
    before, after = Session(CAMPAIGN), Session(CAMPAIGN)
    for at, (topic, payload) in enumerate(messages):
        entry = before.judge(at, topic, payload).entry
        if entry is not None:
            after.admit(entry)
    after.add_refused(msgspec.json.decode(msgspec.json.encode(before.refused), type=Refused))
    assert after.refused == before.refused
    for at, (topic, payload) in enumerate(messages):
        assert after.judge(at, topic, payload).verdict == before.judge(at, topic, payload).verdict
    assert after.refused == before.refused


def test_a_foreign_file_brings_in_nothing_but_what_the_session_makes(session: Session) -> None:
    text = HOSTILE.replace("\ud800", "") * 1000
    foreign = Refused(
        invalid=3,
        strangers=2,
        stranger_places=[(text, 1, None), ("oven-7", 2, None)],
        invalid_reasons={text: 1, "json": 2},
        noted={text: [Noted(1, text)], "invalid": [Noted(at, text, text, text) for at in range(5000)]},
        racks={text: ".", "oven-9": ".", "oven-1": "..i\x1bc" * 5000},
        rack_details={"oven-1": text, text: text},
    )
    session.add_refused(foreign)
    kept = session.refused
    assert kept.invalid_reasons == {"json": 2}
    assert kept.stranger_places == [("oven-7", 2, None)]
    assert list(kept.noted) == ["invalid"]
    assert [n.t_recv_ms for n in kept.noted["invalid"]] == list(range(5000 - NOTED, 5000))
    assert kept.racks == {"oven-1": ("..c" * 7)[-JUDGED:]}
    assert list(kept.rack_details) == ["oven-1"]
    assert all(is_harmless(text) and len(text) <= DETAIL_CHARS for text in texts(kept))


@given(
    st.text(max_size=30) | st.sampled_from([TALLY_TOPIC, ERROR_TOPIC, PRESENCE_TOPIC]), st.binary(max_size=60)
)
def test_whatever_arrives_is_accepted_or_counted_once(topic: str, payload: bytes) -> None:
    """Any topic, any bytes: nothing is raised, and exactly one count changes."""
    session = Session(CAMPAIGN)
    verdict = session.judge(1, topic, payload).verdict
    refused = session.refused
    told = {
        Verdict.ACCEPTED: int(verdict is Verdict.ACCEPTED),
        Verdict.DUPLICATE: refused.duplicates,
        Verdict.CONFLICT: refused.conflicts,
        Verdict.STRANGER: refused.strangers,
        Verdict.INVALID: refused.invalid,
    }
    assert told == {each: int(each is verdict) for each in Verdict}
    assert sum(refused.invalid_reasons.values()) == refused.invalid


@given(st.lists(wire, max_size=20), st.data())
def test_broken_messages_change_exactly_one_count(
    messages: list[tuple[str, bytes]], data: st.DataObject
) -> None:
    """Real messages with bytes cut, changed and inserted: valid ones are taken, others counted, none raises."""
    session = Session(CAMPAIGN)
    for topic, payload in messages:
        at = data.draw(st.integers(0, len(payload)))
        until = data.draw(st.integers(at, len(payload)))
        broken = payload[:at] + data.draw(st.binary(max_size=8)) + payload[until:]
        before = msgspec.structs.astuple(session.refused)[:4]
        verdict = session.judge(1, topic, broken).verdict
        after = msgspec.structs.astuple(session.refused)[:4]
        changed = [now - was for was, now in zip(before, after, strict=True)]
        assert sorted(changed) == ([0] * 4 if verdict is Verdict.ACCEPTED else [0, 0, 0, 1])
