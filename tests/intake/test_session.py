"""What becomes of a message: every verdict, in the contract's order, and the counts that are kept of refusals."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from monitor.campaign import Source, parse
from monitor.intake.session import MAX_STRANGER_PLACES, Session, Verdict
from shared.entries import Received, Refused
from shared.messages import decode
from shared.quantities import INT_MAX
from shared.topics import Kind, parse_topic
from tests.journal.entries import boots, counters, positives

CAMPAIGN = parse(
    Source(
        "tern.toml",
        """
        [campaign]
        id = "tern-a1"
        planned_hours = 1000
        target_fit = 50
        [stress]
        temp_c = 125.0
        temp_tol_minus_c = 2.0
        temp_tol_plus_c = 5.0
        supply_v = 1.98
        supply_tol_v = 0.04
        read_rate_hz = 1000
        report_interval_s = 10
        [use]
        life_years = 15
        reads_per_day = 5.0e5
        supply_v = 1.80
        [[use.profile]]
        share = 1.0
        temp_c = 60.0
        [[mechanism]]
        name = "charge-loss"
        ea_ev = 1.1
        [[chips]]
        rack = "oven-1"
        board = 1
        sockets = "1-2"
        lot = "A"
        serial = "A-{n:03}"
        [[chips]]
        rack = "oven-2"
        board = 3
        sockets = "2"
        lot = "A"
        serial = "A-{n:03}"
        """,
    )
)
TALLY: dict[str, Any] = {
    "v": 1,
    "boot": "b1",
    "seq": 4,
    "t_ms": 1_790_000_000_000,
    "up_ms": 40_000,
    "temp_c": 125.5,
    "supply_v": 1.98,
    "reads": [40_000, 40_000],
    "errors": [0, 0],
}
ERROR: dict[str, Any] = {
    "v": 1,
    "boot": "b1",
    "n": 4,
    "t_ms": 1_790_000_000_000,
    "up_ms": 40_000,
    "socket": 2,
    "address": 7,
    "expected": "00ff",
    "observed": "00fe",
    "read_index": 40_000,
    "count": 1,
}
PRESENCE: dict[str, Any] = {"v": 1, "online": True, "boot": "b1", "t_ms": 1_790_000_000_000, "boards": [1]}
TALLY_TOPIC, ERROR_TOPIC = "lifebound/oven-1/1/tally", "lifebound/oven-1/1/error"
PRESENCE_TOPIC = "lifebound/oven-1/presence"
OF_TOPIC = {TALLY_TOPIC: TALLY, ERROR_TOPIC: ERROR, PRESENCE_TOPIC: PRESENCE}


@pytest.fixture
def session() -> Session:
    return Session(CAMPAIGN)


def hear(session: Session, topic: str, message: dict[str, Any] | bytes, t_recv_ms: int = 1) -> Verdict:
    payload = message if isinstance(message, bytes) else json.dumps(message).encode()
    return session.judge(t_recv_ms, topic, payload).verdict


def counts(session: Session) -> Refused:
    """What was refused, without what is kept for inspection."""
    return structs.replace(session.refused, noted={}, racks={}, rack_details={})


@pytest.mark.parametrize("topic", [TALLY_TOPIC, ERROR_TOPIC, PRESENCE_TOPIC])
def test_an_accepted_message_comes_with_its_entry(session: Session, topic: str) -> None:
    judgement = session.judge(17, topic, json.dumps(OF_TOPIC[topic]).encode())
    parsed = parse_topic("lifebound", topic)
    assert parsed is not None
    assert judgement.verdict is Verdict.ACCEPTED
    assert judgement.entry == Received(17, parsed, decode(parsed.kind, json.dumps(OF_TOPIC[topic]).encode()))
    assert counts(session) == Refused()


@pytest.mark.parametrize("topic", [TALLY_TOPIC, ERROR_TOPIC])
def test_the_same_identity_counts_once(session: Session, topic: str) -> None:
    message = OF_TOPIC[topic]
    assert hear(session, topic, message) is Verdict.ACCEPTED
    for at in range(3):
        judgement = session.judge(at, topic, json.dumps(message).encode())
        assert judgement.verdict is Verdict.DUPLICATE
        assert judgement.entry is None
    assert counts(session) == Refused(duplicates=3)


def test_content_is_compared_by_fields_not_bytes(session: Session) -> None:
    assert hear(session, TALLY_TOPIC, TALLY) is Verdict.ACCEPTED
    turned = dict(reversed(TALLY.items()))
    spaced = json.dumps(TALLY, indent=3).encode()
    noted = TALLY | {"note": "a field that the contract does not know"}
    escaped = json.dumps(TALLY).replace('"b1"', '"\\u0062\\u0031"').encode()
    as_written = json.dumps(TALLY).replace("125.5", "1255e-1").encode()
    for same in (turned, spaced, noted, escaped, as_written):
        assert hear(session, TALLY_TOPIC, same) is Verdict.DUPLICATE
    assert counts(session) == Refused(duplicates=5)


@pytest.mark.parametrize("field", [name for name in TALLY if name not in {"v", "boot", "seq"}])
def test_every_field_of_a_tally_can_conflict(session: Session, field: str) -> None:
    changed = {"reads": [40_000, 40_001], "errors": [0, 1]}.get(field) or (TALLY[field] or 0) + 1
    assert hear(session, TALLY_TOPIC, TALLY) is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY | {field: changed}) is Verdict.CONFLICT
    assert hear(session, TALLY_TOPIC, TALLY) is Verdict.DUPLICATE, "the first stands"
    assert hear(session, TALLY_TOPIC, TALLY | {field: changed}) is Verdict.CONFLICT, "again"
    assert counts(session) == Refused(conflicts=2, duplicates=1)


@pytest.mark.parametrize("field", [name for name in ERROR if name not in {"v", "boot", "n"}])
def test_every_field_of_an_error_message_can_conflict(session: Session, field: str) -> None:
    changed = {"socket": 1, "expected": "00fd", "observed": "00fd"}.get(field) or ERROR[field] + 1
    assert hear(session, ERROR_TOPIC, ERROR) is Verdict.ACCEPTED
    assert hear(session, ERROR_TOPIC, ERROR | {field: changed}) is Verdict.CONFLICT
    assert counts(session) == Refused(conflicts=1)


def test_null_and_zero_are_different_contents(session: Session) -> None:
    assert hear(session, TALLY_TOPIC, TALLY | {"temp_c": None}) is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY | {"temp_c": 0}) is Verdict.CONFLICT


def test_an_identity_is_rack_board_boot_kind_and_number(session: Session) -> None:
    assert hear(session, TALLY_TOPIC, TALLY) is Verdict.ACCEPTED
    assert hear(session, "lifebound/oven-2/3/tally", TALLY) is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY | {"boot": "b2"}) is Verdict.ACCEPTED
    assert hear(session, ERROR_TOPIC, ERROR) is Verdict.ACCEPTED, "n is a sequence of its own"
    for number in (0, 3, 5, 255, 256, 4 + 256, 2**40, INT_MAX):
        assert hear(session, TALLY_TOPIC, TALLY | {"seq": number}) is Verdict.ACCEPTED
    assert counts(session) == Refused()


# ---------------------------------------------------------------- strangers


@pytest.mark.parametrize(
    ("topic", "place"),
    [
        ("lifebound/oven-9/presence", ("oven-9", None, None)),
        ("lifebound/oven-9/1/tally", ("oven-9", 1, None)),
        ("lifebound/oven-1/2/tally", ("oven-1", 2, None)),
        ("lifebound/oven-2/1/error", ("oven-2", 1, None)),
    ],
)
def test_strangers_are_told_by_topic_before_the_payload_is_looked_at(
    session: Session, topic: str, place: tuple[str, int | None, int | None]
) -> None:
    for payload in (b"no json at all", b"\xff" * 100, b"x" * 100_000, json.dumps(TALLY).encode()):
        assert hear(session, topic, payload) is Verdict.STRANGER
    assert counts(session) == Refused(strangers=4, stranger_places=[place])


@pytest.mark.parametrize(
    "topic",
    ["other/oven-1/1/tally", "lifebound/oven-1/01/tally", "lifebound/oven-1/1/receipt", "lifebound", ""],
)
def test_a_topic_that_is_none_of_the_contract_is_a_stranger_without_a_place(
    session: Session, topic: str
) -> None:
    assert hear(session, topic, TALLY) is Verdict.STRANGER
    assert counts(session) == Refused(strangers=1)


def test_an_error_of_a_socket_that_the_campaign_does_not_name_is_a_stranger(session: Session) -> None:
    assert hear(session, ERROR_TOPIC, ERROR | {"socket": 3}) is Verdict.STRANGER
    assert hear(session, "lifebound/oven-2/3/error", ERROR | {"socket": 1}) is Verdict.STRANGER
    assert hear(session, "lifebound/oven-2/3/error", ERROR | {"socket": 2}) is Verdict.ACCEPTED
    assert session.refused.stranger_places == [("oven-1", 1, 3), ("oven-2", 3, 1)]
    assert hear(session, ERROR_TOPIC, ERROR) is Verdict.ACCEPTED, "a stranger uses up no identity"


def test_a_tally_with_more_sockets_than_the_campaign_names_is_accepted(session: Session) -> None:
    more = TALLY | {"reads": [1, 1, 1, None], "errors": [0, 0, 0, None]}
    assert hear(session, TALLY_TOPIC, more) is Verdict.ACCEPTED


def test_places_of_strangers_are_bounded_and_the_count_goes_on(session: Session) -> None:
    many = MAX_STRANGER_PLACES + 10
    for board in range(1, many + 1):
        assert hear(session, f"lifebound/oven-9/{board}/tally", b"") is Verdict.STRANGER
        assert hear(session, f"lifebound/oven-9/{board}/tally", b"") is Verdict.STRANGER
    assert session.refused.strangers == 2 * many
    assert len(session.refused.stranger_places) == MAX_STRANGER_PLACES
    session.add_refused(Refused(strangers=1, stranger_places=[("oven-8", None, None)]))
    assert session.refused.strangers == 2 * many + 1
    assert len(session.refused.stranger_places) == MAX_STRANGER_PLACES


# ---------------------------------------------------------------- presence, invalid, added counts


def test_presence_is_accepted_each_time(session: Session) -> None:
    for at in range(3):
        judgement = session.judge(at, PRESENCE_TOPIC, json.dumps(PRESENCE).encode())
        assert judgement.verdict is Verdict.ACCEPTED
        assert judgement.entry is not None
        assert judgement.entry.t_recv_ms == at
    assert counts(session) == Refused()


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        ("lifebound/oven-1/receipt", {"v": 1, "run": "r", "t_ms": 1, "boots": {}}, "topic"),
        (TALLY_TOPIC, b" " * (16 * 1024 + 1), "size"),
        (TALLY_TOPIC, json.dumps(TALLY | {"note": "ä"}, ensure_ascii=False).encode("latin-1"), "encoding"),
        (TALLY_TOPIC, b"{", "json"),
        (TALLY_TOPIC, b"", "json"),
        (TALLY_TOPIC, {k: v for k, v in TALLY.items() if k != "up_ms"}, "field"),
        (TALLY_TOPIC, TALLY | {"seq": 4.0}, "field"),
        (TALLY_TOPIC, TALLY | {"errors": [0]}, "shape"),
        (TALLY_TOPIC, TALLY | {"errors": [0, None]}, "shape"),
        (ERROR_TOPIC, ERROR | {"observed": "0"}, "shape"),
        (ERROR_TOPIC, ERROR | {"socket": 0}, "field"),
        (PRESENCE_TOPIC, {k: v for k, v in PRESENCE.items() if k != "boards"}, "field"),
    ],
)
def test_invalid_messages_are_counted_by_reason(
    session: Session, topic: str, payload: Any, reason: str
) -> None:
    assert hear(session, topic, payload) is Verdict.INVALID
    assert hear(session, topic, payload) is Verdict.INVALID, "it uses up no identity"
    assert counts(session) == Refused(invalid=2, invalid_reasons={reason: 2})
    if topic in OF_TOPIC:
        assert hear(session, topic, OF_TOPIC[topic]) is Verdict.ACCEPTED, "and the good one is still welcome"


def test_counts_of_an_earlier_service_are_added(session: Session) -> None:
    hear(session, TALLY_TOPIC, b"{")
    hear(session, "lifebound/oven-9/presence", b"")
    earlier = Refused(
        duplicates=5,
        conflicts=4,
        invalid=3,
        strangers=2,
        stranger_places=[("oven-9", None, None), ("oven-7", 1, None)],
        invalid_reasons={"json": 1, "size": 2},
    )
    session.add_refused(earlier)
    assert counts(session) == Refused(
        duplicates=5,
        conflicts=4,
        invalid=4,
        strangers=3,
        stranger_places=[("oven-9", None, None), ("oven-7", 1, None)],
        invalid_reasons={"json": 2, "size": 2},
    )


def test_a_journal_s_entries_take_their_identities_back(session: Session) -> None:
    """After a restart the journal is read first; what a broker or rack then sends again is known."""
    before = Session(CAMPAIGN)
    for topic, message in OF_TOPIC.items():
        entry = before.judge(1, topic, json.dumps(message).encode()).entry
        assert entry is not None
        assert session.admit(entry).verdict is Verdict.ACCEPTED
    assert hear(session, TALLY_TOPIC, TALLY) is Verdict.DUPLICATE
    assert hear(session, ERROR_TOPIC, ERROR | {"count": 2}) is Verdict.CONFLICT
    assert hear(session, PRESENCE_TOPIC, PRESENCE) is Verdict.ACCEPTED


# ---------------------------------------------------------------- laws

wire = st.one_of(
    st.builds(
        lambda topic, changes: (topic, json.dumps(TALLY | changes).encode()),
        st.sampled_from([TALLY_TOPIC, "lifebound/oven-2/3/tally", "lifebound/oven-1/7/tally"]),
        st.fixed_dictionaries(
            {"seq": st.integers(0, 3) | counters}, optional={"boot": boots, "up_ms": counters}
        ),
    ),
    st.builds(
        lambda changes: (ERROR_TOPIC, json.dumps(ERROR | changes).encode()),
        st.fixed_dictionaries(
            {"n": st.integers(0, 3) | counters, "socket": st.integers(0, 3)}, optional={"count": positives}
        ),
    ),
    st.tuples(st.just(PRESENCE_TOPIC), st.just(json.dumps(PRESENCE).encode())),
    st.tuples(st.sampled_from([*OF_TOPIC, "lifebound/oven-9/1/error", "$SYS/x", ""]), st.binary(max_size=40)),
)


@given(st.lists(wire, max_size=30))
def test_a_second_time_everything_is_known(messages: list[tuple[str, bytes]]) -> None:
    """The same messages again give only duplicates (conflicts stay conflicts), and the same counts of the rest."""
    session = Session(CAMPAIGN)
    first = [session.judge(1, topic, payload).verdict for topic, payload in messages]
    once = Session(CAMPAIGN)
    once.add_refused(session.refused)
    second = [session.judge(2, topic, payload).verdict for topic, payload in messages]
    for (topic, _), before, after in zip(messages, first, second, strict=True):
        known = before is Verdict.ACCEPTED and topic != PRESENCE_TOPIC
        assert after is (Verdict.DUPLICATE if known else before)
    accepted = sum(
        v is Verdict.ACCEPTED and t != PRESENCE_TOPIC for (t, _), v in zip(messages, first, strict=True)
    )
    was, now = once.refused, session.refused
    assert now.duplicates - was.duplicates == was.duplicates + accepted
    assert (now.conflicts, now.invalid, now.strangers) == (
        2 * was.conflicts,
        2 * was.invalid,
        2 * was.strangers,
    )
    assert now.stranger_places == was.stranger_places
    assert now.invalid_reasons == {reason: 2 * count for reason, count in was.invalid_reasons.items()}


@given(st.lists(wire, max_size=30))
def test_counts_add_up_and_a_journal_holds_each_identity_once(messages: list[tuple[str, bytes]]) -> None:
    session = Session(CAMPAIGN)
    entries = [e for topic, payload in messages if (e := session.judge(1, topic, payload).entry) is not None]
    refused = session.refused
    assert len(entries) + refused.duplicates + refused.conflicts + refused.invalid + refused.strangers == len(
        messages
    )
    assert sum(refused.invalid_reasons.values()) == refused.invalid
    identities = [
        (e.topic, e.message.boot, getattr(e.message, "seq", None), getattr(e.message, "n", None))
        for e in entries
        if e.topic.kind is not Kind.PRESENCE
    ]
    assert len(set(identities)) == len(identities)
