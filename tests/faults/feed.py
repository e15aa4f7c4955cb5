"""A campaign's messages published by the test itself, so many at a time, at the moments that the test chooses."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.campaign import load
from monitor.cli.simulate import setup_of
from simulator.scenario import Scenario, payload
from tests.faults.verdict import Ordered
from tests.service.running import Document

Message = tuple[str, bytes]
START_MS = 1_800_000_000_000
_WINDOW = 2000
_BOUND_S = 60


def flood(port: int, messages: Iterable[Message]) -> None:
    """Publish at QoS 1 as fast as it goes, and wait until the broker has all of it."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(_WINDOW)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        for sent in [client.publish(topic, body, qos=1) for topic, body in messages]:
            sent.wait_for_publish(_BOUND_S)
            assert sent.is_published()
    finally:
        client.disconnect()
        client.loop_stop()


@dataclass
class Feed:
    """All messages of a campaign in order; ``given`` of them are at the broker."""

    port: int
    messages: Sequence[Message]
    truth: Document
    given: int = 0

    @classmethod
    def of(cls, campaign: Path, ordered: Ordered, port: int) -> Feed:
        """The messages that the racks would send, and what really happened."""
        scenario = Scenario(setup_of(load(campaign)), ordered.options(), START_MS)
        messages = [(scenario.topic(event), payload(event)) for event in scenario.events()]
        return cls(port, messages, json.loads(msgspec.json.encode(scenario.truth())))

    async def give(self, count: int | None = None) -> None:
        """Publish the next ``count``, or all that are left."""
        end = len(self.messages) if count is None else self.given + count
        assert self.given < len(self.messages), "nothing is left to give"
        await asyncio.to_thread(flood, self.port, self.messages[self.given : end])
        self.given = end
