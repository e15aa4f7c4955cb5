"""What happens to messages on their way: pure transformations of a stream of events in order of arrival."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import count
from typing import Literal, NamedTuple

import numpy as np

from shared.messages import Message
from shared.topics import Kind

Fate = Literal["", "copy", "moved"]


class Event(NamedTuple):
    """A message on its way: sent at ``at_ms`` and arriving at ``arrive_ms`` of the campaign (from its start)."""

    at_ms: int
    arrive_ms: int
    rack: str
    board: int
    kind: Kind
    message: Message
    fate: Fate = ""


class Cut(NamedTuple):
    """The network of a rack is gone in ``[from_ms, to_ms)``; the presence that the broker sees at either end."""

    from_ms: int
    to_ms: int
    offline: Event
    online: Event


def lose(
    events: Iterable[Event], share: float, rng: np.random.Generator, lost: Callable[[Event], None]
) -> Iterator[Event]:
    """Lose a ``share`` of the tallies and errors for good; ``lost`` is told of each."""
    for event in events:
        if event.kind is not Kind.PRESENCE and rng.random() < share:
            lost(event)
        else:
            yield event


def disturb(
    events: Iterable[Event], duplicates: float, reorders: float, delay_ms: int, rng: np.random.Generator
) -> Iterator[Event]:
    """Repeat a share of the tallies and errors and delay another, each by up to ``delay_ms``."""
    waiting: list[tuple[int, int, Event]] = []
    order = count()

    def later(event: Event, fate: Fate) -> None:
        arrive_ms = event.arrive_ms + 1 + int(rng.integers(delay_ms))
        moved = event._replace(arrive_ms=arrive_ms, fate=fate)
        heapq.heappush(waiting, (arrive_ms, next(order), moved))

    for event in events:
        while waiting and waiting[0][0] <= event.arrive_ms:
            yield heapq.heappop(waiting)[2]
        if event.kind is Kind.PRESENCE:
            yield event
            continue
        draw = rng.random()
        if draw < reorders:
            later(event, "moved")
            continue
        yield event
        if draw >= 1 - duplicates:
            later(event, "copy")
    while waiting:
        yield heapq.heappop(waiting)[2]


def cut_off(events: Iterable[Event], cuts: Sequence[Cut]) -> Iterator[Event]:
    """Hold back what is sent while the network is gone, and let it through at its end, oldest first.

    The rack's own presence within a cut never arrives; what the broker sees instead is in the cut. ``cuts`` are in
    order and do not overlap.
    """
    ahead = deque(cuts)
    current: Cut | None = None
    for event in events:
        while current is not None or ahead:
            if current is None:
                if event.arrive_ms < ahead[0].from_ms:
                    break
                current = ahead.popleft()
                yield current.offline
                yield current.online
            elif event.arrive_ms < current.to_ms:
                break
            else:
                current = None
        if current is None:
            yield event
        elif event.kind is not Kind.PRESENCE:
            yield event._replace(arrive_ms=current.to_ms)
