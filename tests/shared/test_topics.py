"""Topics: what is formatted parses back, what parses was formatted, and nothing else is let in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from shared.topics import Kind, Topic, format_topic, is_prefix, is_rack_name, parse_topic, subscriptions

prefixes = st.from_regex(r"[A-Za-z0-9_.-]{1,40}(/[A-Za-z0-9_.-]{1,40}){0,2}", fullmatch=True)
racks = st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)
topics = st.one_of(
    st.builds(Topic, racks, st.just(0), st.sampled_from([Kind.PRESENCE, Kind.RECEIPT])),
    st.builds(Topic, racks, st.integers(1, 9999), st.sampled_from([Kind.TALLY, Kind.ERROR])),
)
# Text near a topic: levels that are right, nearly right or wrong.
RIGHT = ["lifebound", "oven-1", "1", "9999", "presence", "tally", "error", "receipt"]
WRONG = [
    "",
    "Oven",
    "0",
    "01",
    "+1",
    "١",
    "10000",
    "Tally",
    "tally ",
    "tally\n",
    "oven-1\n",
    "+",
    "#",
    "\x00",
]
levels = st.sampled_from(RIGHT + WRONG)
near_topics = st.lists(levels, max_size=6).map("/".join)


@given(prefixes, topics)
def test_a_formatted_topic_parses_back_to_itself(prefix: str, topic: Topic) -> None:
    assert is_prefix(prefix)
    assert parse_topic(prefix, format_topic(prefix, topic)) == topic


@given(near_topics | st.text())
def test_whatever_parses_is_the_text_of_its_topic(text: str) -> None:
    topic = parse_topic("lifebound", text)
    assert topic is None or format_topic("lifebound", topic) == text


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        (Topic("oven-1", 0, Kind.PRESENCE), "lifebound/oven-1/presence"),
        (Topic("oven-1", 12, Kind.TALLY), "lifebound/oven-1/12/tally"),
        (Topic("0", 9999, Kind.ERROR), "lifebound/0/9999/error"),
        (Topic("a" * 32, 0, Kind.RECEIPT), f"lifebound/{'a' * 32}/receipt"),
    ],
)
def test_topics_are_those_of_the_contract(topic: Topic, text: str) -> None:
    assert format_topic("lifebound", topic) == text
    assert parse_topic("lifebound", text) == topic


@pytest.mark.parametrize(
    "text",
    [
        "",
        "lifebound",
        "lifebound/",
        "lifebound/oven-1",
        "lifebound//presence",
        "/lifebound/oven-1/presence",
        "lifebound/oven-1/presence/",
        "lifebound/oven-1/presence\n",
        "lifebound/oven-1/Presence",
        "lifebound/oven-1/1/presence",
        "lifebound/oven-1/1/receipt",
        "lifebound/oven-1/tally",
        "lifebound/oven-1/error",
        "lifebound/oven-1/0/tally",
        "lifebound/oven-1/01/tally",
        "lifebound/oven-1/-1/tally",
        "lifebound/oven-1/1.0/tally",
        "lifebound/oven-1/10000/tally",
        "lifebound/oven-1/١/tally",
        "lifebound/oven-1/1/2/tally",
        "lifebound/Oven-1/1/tally",
        "lifebound/-oven/1/tally",
        "lifebound/oven_1/1/tally",
        f"lifebound/{'a' * 33}/1/tally",
        "lifebound/+/1/tally",
        "lifebound/#",
        "lifebound2/oven-1/presence",
        "lifebounD/oven-1/presence",
        "other/oven-1/presence",
    ],
)
def test_a_wrong_topic_is_none(text: str) -> None:
    assert parse_topic("lifebound", text) is None


def test_a_topic_of_another_prefix_is_none() -> None:
    assert parse_topic("lab/a", "lab/a/oven-1/presence") == Topic("oven-1", 0, Kind.PRESENCE)
    assert parse_topic("lab", "lab/a/oven-1/presence") is None
    assert parse_topic("lab/a", "lab/b/oven-1/presence") is None


@given(prefixes, topics)
def test_the_subscriptions_take_what_racks_send_once_and_no_receipt(prefix: str, topic: Topic) -> None:
    """MQTT's matching of filters is paho-mqtt's, not ours."""
    text = format_topic(prefix, topic)
    matches = sum(topic_matches_sub(pattern, text) for pattern in subscriptions(prefix))
    assert matches == (0 if topic.kind is Kind.RECEIPT else 1)


@pytest.mark.parametrize(
    "text", ["", "Oven", "-oven", "oven_1", "oven 1", "oven-1\n", "a" * 33, "a/b", "ö", "+"]
)
def test_a_wrong_rack_name_is_refused(text: str) -> None:
    assert is_rack_name("oven-1")
    assert is_rack_name("a" * 32)
    assert not is_rack_name(text)


@pytest.mark.parametrize(
    "text", ["", "/", "a/", "/a", "a//b", "a/+", "a/#", "$SYS", "a b", "a\n", "é", "a" * 129]
)
def test_a_wrong_prefix_is_refused(text: str) -> None:
    assert is_prefix("a" * 128)
    assert not is_prefix(text)
