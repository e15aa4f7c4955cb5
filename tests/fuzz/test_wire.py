"""Whatever bytes come on whatever topic: a message of the contract, or a refusal that is counted once; nothing else.

The decoder, the topics and the session are given payloads that are almost right, and arbitrary bytes.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.figures import to_json
from monitor.intake.session import Session, Verdict
from monitor.journal.codec import pack, unpack
from monitor.service.account import Account
from shared.messages import decode, decode_receipt, encode
from shared.quantities import INT_MAX
from shared.topics import Kind, format_topic, parse_topic
from tests.figures.bench import Bench, make_campaign
from tests.fuzz.effort import attempt, effort
from tests.fuzz.hostile import GOOD, payloads, spliced, texts, topics

KINDS = [Kind.PRESENCE, Kind.TALLY, Kind.ERROR]
CAMPAIGN = make_campaign()


@pytest.mark.parametrize("kind", KINDS)
@effort(150)
@given(st.data())
def test_a_payload_is_a_message_or_a_refusal(kind: Kind, data: st.DataObject) -> None:
    payload = data.draw(payloads(kind.value))
    message = attempt(decode, kind, payload)
    if message is None:
        return
    assert decode(kind, encode(message)) == message
    assert decode(kind, memoryview(payload)) == message
    told = json.loads(payload)
    assert told["boot"] == message.boot, "what another reader makes of it"
    assert all(
        getattr(message, name) == value for name, value in told.items() if name in ("seq", "n", "reads")
    )


@effort(150)
@given(st.data())
def test_a_receipt_is_a_receipt_or_a_refusal(data: st.DataObject) -> None:
    whole = b'{"v":1,"run":"r","t_ms":1,"boots":{"b":{"tally":{"1":3},"error":{"1":2}}}}'
    payload = data.draw(st.binary(max_size=40) | spliced(whole))
    receipt = attempt(decode_receipt, payload)
    assert receipt is None or decode_receipt(encode(receipt)) == receipt


@effort(300)
@given(topics)
def test_a_topic_is_one_of_the_contract_or_none(text: str) -> None:
    topic = parse_topic("lifebound", text)
    if topic is not None:
        assert format_topic("lifebound", topic) == text
        assert text.isascii()
        assert text.isprintable()


@effort(150)
@given(st.lists(st.tuples(topics, st.sampled_from(list(GOOD)).flatmap(payloads)), min_size=1, max_size=8))
def test_each_message_is_judged_once_and_what_is_accepted_can_be_kept(
    messages: list[tuple[str, bytes]],
) -> None:
    session = Session(CAMPAIGN)
    verdicts = []
    for number, (topic, payload) in enumerate(messages):
        judgement = session.judge(number, topic, payload)
        verdicts.append(judgement.verdict)
        assert (judgement.entry is not None) == (judgement.verdict is Verdict.ACCEPTED)
        if judgement.entry is not None:
            assert unpack(pack([judgement.entry])) == [judgement.entry]
    counts = session.refused
    assert [counts.duplicates, counts.conflicts, counts.strangers, counts.invalid] == [
        verdicts.count(v) for v in (Verdict.DUPLICATE, Verdict.CONFLICT, Verdict.STRANGER, Verdict.INVALID)
    ]


@effort(40)
@given(st.lists(st.tuples(st.sampled_from(list(GOOD)), st.data()), min_size=1, max_size=12))
def test_the_account_of_any_messages_can_be_told(messages: list[tuple[str, st.DataObject]]) -> None:
    """Counters that jump to the largest, boots of strange names, measurements beyond any oven: figures all the same."""
    bench = Bench()
    bench.hours(0, 2)
    for number, (kind, data) in enumerate(messages):
        topic = "lifebound/oven-1/presence" if kind == "presence" else f"lifebound/oven-1/1/{kind}"
        judgement = bench.account.session.judge(number, topic, data.draw(payloads(kind)))
        if judgement.entry is not None:
            bench.account.apply([judgement.entry])
    document = to_json(bench.figures)
    assert document.decode("ascii").isprintable()


LARGEST = [0, 1, 2**53 + 1, INT_MAX - 1, INT_MAX]


@effort(40)
@given(
    st.lists(
        st.tuples(
            *[st.sampled_from(LARGEST)] * 4,
            st.sampled_from([None, 0.0, -0.0, 5e-324, 125.0, 1e308, -1e308]),
            texts,
        ),
        max_size=10,
    )
)
def test_the_largest_numbers_that_are_legal_are_reckoned_with(
    rows: list[tuple[int, int, int, int, float | None, str]],
) -> None:
    account = Account(CAMPAIGN)
    for seq, up_ms, reads, errors, measured, boot in rows:
        fields = {**GOOD["tally"], "boot": (boot or "b")[:64], "seq": seq, "up_ms": up_ms, "t_ms": -up_ms}
        fields |= {"temp_c": measured, "supply_v": measured, "reads": [reads] * 4, "errors": [errors] * 4}
        judgement = account.session.judge(1, "lifebound/oven-1/1/tally", json.dumps(fields).encode())
        if judgement.entry is not None:
            account.apply([judgement.entry])
    assert to_json(account.figures()).decode("ascii").isprintable()
