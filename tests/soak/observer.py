"""How many messages are in flight: seen at the broker and not covered by a receipt.

A client of our own listens at the broker itself (past the proxy) to what the racks send and to the monitor's receipts.
What a rack has sent and the broker has not passed on yet is not in the count, so it is a lower limit. Receipts go out
every 5 s, so most of what is in flight is on disk already; how much is not, nobody outside can know.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import defaultdict, deque

import aiomqtt

from shared.errors import ContractError
from shared.messages import Presence, Tally, decode, decode_receipt
from shared.topics import Kind, parse_topic

PREFIX = "lifebound"
_KEPT = 400  # messages for a publisher that repeats them

StreamId = tuple[str, str, Kind, str]  # rack, boot, kind, board


class Observer:
    """Listens until it is closed; a broker that goes away is waited for."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.seen: dict[StreamId, set[int]] = defaultdict(set)
        self.latest: deque[tuple[str, bytes]] = deque(maxlen=_KEPT)
        self._marks: dict[StreamId, int] = {}

    def in_flight(self) -> int:
        """Messages seen that no receipt covers."""
        return sum(
            number > self._marks.get(stream, -1)
            for stream, numbers in self.seen.items()
            for number in numbers
        )

    def count(self) -> int:
        """Different messages seen so far."""
        return sum(map(len, self.seen.values()))

    async def listen(self) -> None:
        """Runs until it is cancelled."""
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self.port, timeout=2) as client:
                    for kind in ("+/tally", "+/error", "receipt"):
                        await client.subscribe(f"{PREFIX}/+/{kind}", qos=0)
                    async for message in client.messages:
                        if isinstance(message.payload, bytes):
                            self.hear(str(message.topic), message.payload)
            await asyncio.sleep(0.1)  # before it looks for the broker again

    def hear(self, topic_text: str, payload: bytes) -> None:
        """Take one message."""
        topic = parse_topic(PREFIX, topic_text)
        if topic is None:
            return
        with contextlib.suppress(ContractError):
            if topic.kind is Kind.RECEIPT:
                for boot, boards in decode_receipt(payload).boots.items():
                    for kind, marks in ((Kind.TALLY, boards.tally), (Kind.ERROR, boards.error)):
                        for board, mark in marks.items():
                            self._marks[topic.rack, boot, kind, board] = mark
                return
            message = decode(topic.kind, payload)
            if not isinstance(message, Presence):
                number = message.seq if isinstance(message, Tally) else message.n
                self.seen[topic.rack, message.boot, topic.kind, str(topic.board)].add(number)
                self.latest.append((topic_text, payload))
