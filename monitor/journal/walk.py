"""A walk along the chain of a journal that names what does not fit: changed, missing, swapped, truncated.

Each batch is first held against the one before it. Those that do not fit, and those after a gap, are looked at again
in the end: a batch that fits at another place was moved there, one that fits after what its predecessor must have
been is sound itself, and what fits nowhere was changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.journal import chain
from monitor.journal.protocol import Head

_LOOKED_AT_AGAIN = 48  # the work grows with the third power


class Batch(NamedTuple):
    """A row of the journal, with the digest of its body."""

    number: int
    entries: int
    counts: bytes
    digest: bytes
    body: bytes


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with the batches ``first`` to ``last``, or with the run where they are None."""

    kind: str
    text: str
    first: int | None = None
    last: int | None = None


@dataclass
class Walk:
    """Give it every batch in order (:meth:`see`, :meth:`unreadable`), then :meth:`end` it and read ``problems``.

    ``genesis`` is the hash over the facts of the run as they are, ``kept`` the one that was kept (hex), ``noted`` a
    head that was noted earlier.
    """

    genesis: bytes
    kept: str
    noted: Head | None = None
    problems: list[Problem] = field(default_factory=list)
    count: int = 0
    counts: bytes = chain.NO_COUNTS  # of the last batch

    def __post_init__(self) -> None:
        self.head = Head(0, self.genesis.hex())
        self._begin = self.genesis  # what the first batch follows
        self._before: bytes | None = self.genesis  # hash of the batch before; None after a gap
        self._again: dict[int, Batch] = {}  # those to be looked at again, by place
        self._after_gap: set[int] = set()  # those of them that nothing speaks against
        self._gone: list[int] = []
        self._hash_before: dict[int, bytes] = {}  # by place, where it is needed again
        self._changed: dict[int, str] = {}  # the kind by place
        self._moved: dict[int, int] = {}  # place: number it belongs to
        self._noted_digest: str | None = self.head.digest if self.noted and self.noted.number == 0 else None

    @property
    def last_is_sound(self) -> bool:
        """Whether nothing speaks against the last batch."""
        number = self.head.number
        return number not in self._changed and number not in self._moved

    def see(self, batch: Batch) -> None:
        """The next batch in the order of the numbers."""
        self.count += 1
        number = batch.number
        if number <= self.head.number or number < 1:
            self._changed[number] = "inserted"
            return
        if number > self.head.number + 1:
            self._miss(self.head.number + 1, number - 1)
        if number == 1 and self._link(batch, self.genesis) != batch.digest:
            self._begin_as_kept(batch)
        if self._before is None:
            self._look_again(batch)
            self._after_gap.add(number)
        elif self._link(batch, self._before) != batch.digest:
            self._misfit(batch, self._before)
        self.head, self._before, self.counts = Head(number, batch.digest.hex()), batch.digest, batch.counts
        if self.noted is not None and self.noted.number == number:
            self._noted_digest = self.head.digest

    def unreadable(self, number: int) -> None:
        """The next batch cannot be read."""
        if number > self.head.number + 1:
            self._miss(self.head.number + 1, number - 1)
        self._changed[number] = "unreadable"
        self.head, self._before = Head(number, ""), None

    def end(self) -> None:
        """There are no more batches."""
        self._look_at_all_again()
        if self.kept != self.genesis.hex():
            first = min(self._changed, default=0)
            if self._begin != self.genesis or self.count == 0 or first == 1:
                text = "the facts of the run (id, begin, campaign) were changed, or their hash was"
            else:
                text = (
                    "the hash over the facts of the run was changed; the facts are as the batches know them"
                )
            self.problems.append(Problem("run", text))
        self.problems += [*self._all_changed(), *self._all_moved(), *self._cut_off(), *self._written_anew()]

    # ---------------------------------------------------------------- along the chain

    def _begin_as_kept(self, first: Batch) -> None:
        """The first batch does not follow the facts: perhaps the kept hash over them, since when they were changed."""
        try:
            kept = bytes.fromhex(self.kept)
        except ValueError:
            return
        if self._link(first, kept) == first.digest:
            self._begin = self._before = kept

    def _miss(self, first: int, last: int) -> None:
        if self._before is not None:
            self._hash_before[first] = self._before
        self._before = None
        self._gone += range(first, min(last, first + _LOOKED_AT_AGAIN) + 1)
        self.problems.append(Problem("missing", f"{_batches(first, last)} missing", first, last))

    def _misfit(self, batch: Batch, before: bytes) -> None:
        for place in (
            batch.number - 1,
            batch.number + 1,
        ):  # of a whole row of moved batches each shows at once
            if self._link(batch, before, place) == batch.digest:
                self._moved[batch.number] = place
                return
        self._hash_before[batch.number] = before
        self._look_again(batch)

    def _look_again(self, batch: Batch) -> None:
        if len(self._again) < _LOOKED_AT_AGAIN:
            self._again[batch.number] = batch
        elif self._before is not None:
            self._changed[batch.number] = "changed"

    @staticmethod
    def _link(batch: Batch, before: bytes, number: int | None = None) -> bytes:
        number = batch.number if number is None else number
        return chain.link_digest(before, number, batch.entries, batch.counts, batch.body)

    # ---------------------------------------------------------------- a second look

    def _look_at_all_again(self) -> None:
        hashes = {batch.digest for batch in self._again.values()}
        hashes |= {
            self._link(batch, self._hash_before[n])
            for n, batch in self._again.items()
            if n in self._hash_before
        }
        hashes.add(self._begin)
        places = [*self._again, *self._gone[:_LOOKED_AT_AGAIN]]
        for number, batch in self._again.items():
            place = self._place_of(batch, places, hashes)
            if place is None:
                if number not in self._after_gap:
                    self._changed[number] = "swapped" if self._holds_another(batch, hashes) else "changed"
            elif place != number:
                self._moved[number] = place

    def _place_of(self, batch: Batch, places: Iterable[int], hashes: set[bytes]) -> int | None:
        """The number under which a batch fits; its own before others."""
        for place in (batch.number, *places):
            if any(
                self._link(batch, before, place) == batch.digest for before in self._befores(place, hashes)
            ):
                return place
        return None

    def _holds_another(self, batch: Batch, hashes: set[bytes]) -> bool:
        """Whether the hash at this place is that of contents which stand at another."""
        return any(
            self._link(other, before, batch.number) == batch.digest
            for other in self._again.values()
            for before in self._befores(batch.number, hashes)
        )

    def _befores(self, place: int, hashes: set[bytes]) -> Iterator[bytes]:
        if place in self._hash_before:
            yield self._hash_before[place]
        yield from hashes

    # ---------------------------------------------------------------- in words

    def _all_changed(self) -> Iterator[Problem]:
        says = {
            "changed": "changed: the hash does not fit the contents",
            "swapped": "swapped: the contents are those of another batch",
            "unreadable": "cannot be read",
            "inserted": "put in: there is no such number",
        }
        for kind, text in says.items():
            for first, last in _ranges(number for number, each in self._changed.items() if each == kind):
                yield Problem(kind, f"{_batches(first, last)} {text}", first, last)

    def _all_moved(self) -> Iterator[Problem]:
        pairs = {n for n, place in self._moved.items() if self._moved.get(place) == n}
        for number in sorted(pairs):
            if number < self._moved[number]:
                other = self._moved[number]
                yield Problem("swapped", f"batches {number} and {other} swapped", number, number)
                yield Problem("swapped", f"batches {other} and {number} swapped", other, other)
        for shift in sorted({place - n for n, place in self._moved.items()}):
            moved = (n for n, place in self._moved.items() if place - n == shift and n not in pairs)
            for first, last in _ranges(moved):
                text = f"{_batches(first, last)} out of place: written as {_batches(first + shift, last + shift)}"
                yield Problem("swapped", text, first, last)

    def _cut_off(self) -> Iterator[Problem]:
        if self.noted is not None and self.noted.number > self.head.number:
            first, last = self.head.number + 1, self.noted.number
            text = (
                f"{_batches(first, last)} missing at the end: the head that was noted is {self.noted.number}"
            )
            yield Problem("truncated", text, first, last)

    def _written_anew(self) -> Iterator[Problem]:
        if self.noted is None or self._noted_digest in (None, self.noted.digest):
            return
        number = self.noted.number
        text = f"batch {number} has another hash than was noted: it or a batch before it was written anew"
        yield Problem("rewritten", text, number, number)


def _batches(first: int, last: int) -> str:
    return f"batch {first}" if first == last else f"batches {first} to {last}"


def _ranges(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Numbers as ranges without a gap."""
    first = last = None
    for number in sorted(numbers):
        if first is None or last is None or number != last + 1:
            if first is not None and last is not None:
                yield first, last
            first = number
        last = number
    if first is not None and last is not None:
        yield first, last
