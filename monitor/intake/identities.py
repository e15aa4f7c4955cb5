"""Which messages came before: fingerprints of the accepted ones, in bounded memory. Pure.

What is remembered depends on the accepted messages and their order alone, so that a journal read again gives the
same memory and the same judgements. Two things are bounded beyond that:

- Only the latest boots of a rack are live (``LIVE_BOOTS``, the same rule as in the ledger). Of those that ended long
  ago only a fingerprint of the boot's name is kept, and every message of them is refused.
- Fingerprints stand in pages of 256 numbers. A stream whose numbers jump would open a page with each message; once
  it has opened far more pages than its messages need, it opens no further one.
"""

from __future__ import annotations

import hashlib
from array import array
from bisect import bisect_left
from dataclasses import dataclass, field

import msgspec

from monitor.ledger.limits import LIVE_BOOTS
from shared.errors import Refusal
from shared.topics import Kind, Topic

PAGE = 256
MAX_BOOTS = 65_536  # of a rack in one run: one a minute for six weeks
SPARE_PAGES = 64  # of a stream beyond those that its messages need
MESSAGES_A_PAGE = 16  # that a page needs at least; of a stream that loses 90 % a page holds 25


@dataclass(slots=True)
class _Numbers:
    """Fingerprints of one stream (topic and boot) by number: 0 where none came."""

    pages: dict[int, array[int]] = field(default_factory=dict)
    seen: int = 0

    def at(self, number: int) -> int:
        page = self.pages.get(number // PAGE)
        return page[number % PAGE] if page is not None else 0

    def has_room(self, number: int) -> bool:
        return number // PAGE in self.pages or len(self.pages) <= SPARE_PAGES + self.seen // MESSAGES_A_PAGE

    def put(self, number: int, fingerprint: int) -> None:
        page = self.pages.get(number // PAGE)
        if page is None:
            page = self.pages[number // PAGE] = array("Q", bytes(8 * PAGE))
        self.seen += not page[number % PAGE]
        page[number % PAGE] = fingerprint


@dataclass(slots=True)
class _Boots:
    """Boots of one rack: the live ones in the order in which they were first heard of, and those that ended."""

    live: dict[str, dict[Topic, _Numbers]] = field(default_factory=dict)
    closed: array[int] = field(default_factory=lambda: array("Q"))  # fingerprints of their names, in order

    def may_speak(self, boot: str) -> bool:
        if boot in self.live:
            return True
        return len(self.closed) + len(self.live) < MAX_BOOTS and not self._is_closed(boot)

    def numbers(self, boot: str, topic: Topic) -> _Numbers:
        if boot not in self.live:
            if len(self.live) >= LIVE_BOOTS:
                self._close(next(iter(self.live)))
            self.live[boot] = {}
        streams = self.live[boot]
        found = streams.get(topic)
        if found is None:
            found = streams[topic] = _Numbers()
        return found

    def _close(self, boot: str) -> None:
        del self.live[boot]
        mark = fingerprint(boot.encode())
        self.closed.insert(bisect_left(self.closed, mark), mark)

    def _is_closed(self, boot: str) -> bool:
        mark = fingerprint(boot.encode())
        at = bisect_left(self.closed, mark)
        return at < len(self.closed) and self.closed[at] == mark


class Identities:
    """Fingerprints of the accepted messages of each stream."""

    def __init__(self) -> None:
        self._racks: dict[str, _Boots] = {}

    def seen(self, topic: Topic, boot: str, number: int) -> int:
        """The fingerprint under this identity, or 0."""
        boots = self._racks.get(topic.rack)
        numbers = boots.live.get(boot, {}).get(topic) if boots is not None else None
        return numbers.at(number) if numbers is not None else 0

    def refusal(self, topic: Topic, boot: str, number: int) -> Refusal | None:
        """Why a message of this identity, which was not seen, cannot be taken; None when it can."""
        boots = self._racks.get(topic.rack)
        if boots is None:
            return None
        if not boots.may_speak(boot):
            return Refusal.BOOT
        numbers = boots.live.get(boot, {}).get(topic)
        return None if numbers is None or numbers.has_room(number) else Refusal.NUMBER

    def remember(self, topic: Topic, boot: str, number: int, mark: int) -> None:
        """Keep the fingerprint (not 0) of a message that is accepted."""
        self._racks.setdefault(topic.rack, _Boots()).numbers(boot, topic).put(number, mark)

    def live_boots(self, rack: str) -> list[str]:
        """The boots of a rack of which messages are taken, in the order in which they were first heard of."""
        boots = self._racks.get(rack)
        return [] if boots is None else list(boots.live)

    @property
    def pages(self) -> int:
        """Pages held in all, of 2 KB each."""
        return sum(
            len(numbers.pages)
            for boots in self._racks.values()
            for streams in boots.live.values()
            for numbers in streams.values()
        )

    @property
    def closed_boots(self) -> int:
        """Boots that ended long ago, of all racks; 8 bytes are kept of each."""
        return sum(len(boots.closed) for boots in self._racks.values())

    def freeze(self) -> bytes:
        """Everything remembered, as bytes."""
        return msgspec.msgpack.encode([_frozen(rack, boots) for rack, boots in self._racks.items()])

    def thaw(self, data: bytes) -> None:
        """Remember what ``freeze`` gave. Raises msgspec.MsgspecError or ValueError for anything else."""
        self._racks = {state.rack: _thawed(state) for state in _decode(data)}


class _StreamState(msgspec.Struct, array_like=True):
    board: int
    kind: Kind
    seen: int
    pages: dict[int, bytes]


class _BootState(msgspec.Struct, array_like=True):
    boot: str
    streams: list[_StreamState]


class _RackState(msgspec.Struct, array_like=True):
    rack: str
    closed: bytes
    live: list[_BootState]


_decode = msgspec.msgpack.Decoder(list[_RackState]).decode


def _frozen(rack: str, boots: _Boots) -> _RackState:
    live = [
        _BootState(
            boot,
            [
                _StreamState(topic.board, topic.kind, n.seen, {k: p.tobytes() for k, p in n.pages.items()})
                for topic, n in streams.items()
            ],
        )
        for boot, streams in boots.live.items()
    ]
    return _RackState(rack, boots.closed.tobytes(), live)


def _thawed(state: _RackState) -> _Boots:
    live = {
        each.boot: {
            Topic(state.rack, s.board, s.kind): _Numbers({k: _page(p) for k, p in s.pages.items()}, s.seen)
            for s in each.streams
        }
        for each in state.live
    }
    return _Boots(live, array("Q", state.closed))


def _page(data: bytes) -> array[int]:
    if len(data) != 8 * PAGE:
        raise ValueError("a page of fingerprints has the wrong size")
    return array("Q", data)


def fingerprint(data: bytes) -> int:
    """Eight bytes that stand for ``data``; never 0."""
    return int.from_bytes(hashlib.blake2b(data, digest_size=8).digest(), "big") or 1


__all__ = ["Identities", "fingerprint"]
