"""One suite for both journals: what the protocol promises holds on disk and in memory."""

from __future__ import annotations

import hashlib
import struct
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.journal import Head, Journal, MemoryJournal, Run, SqliteJournal, StoredAlert
from monitor.journal.codec import pack
from monitor.journal.protocol import CLEARED_KEPT
from shared.entries import Entry, Refused
from tests.journal.entries import RUN, entries, entry, exactly, numbers, some_refused


@dataclass
class Bench:
    """An empty journal, and somebody else who adds to the same run."""

    journal: Journal
    somebody_adds: Callable[[Sequence[Entry]], Awaitable[object]]


async def everything(journal: Journal) -> list[Entry]:
    return [e async for batch in journal.batches() for e in batch]


def field(data: bytes) -> bytes:
    return struct.pack(">q", len(data)) + data


def genesis_of(run: Run) -> bytes:
    """The beginning of the chain, as the documentation says: the facts by name, each with its length before it."""
    source = run.source
    assert source.chips_csv is not None
    facts = {
        "began_ms": str(run.began_ms),
        "campaign_name": source.name,
        "campaign_sha256": source.sha256,
        "campaign_toml": source.toml,
        "chips_csv": source.chips_csv,
        "id": run.id,
    }
    data = b"".join(field(text.encode()) for fact in facts.items() for text in fact)
    return hashlib.sha256(b"lifebound run 1\0" + data).digest()


def hash_of(before: bytes, number: int, entries: list[Entry], counts: Refused) -> bytes:
    """A link of the chain, as the documentation says."""
    digest = hashlib.sha256(b"lifebound counts 1\0" + msgspec.json.encode(counts)).digest()
    body = hashlib.sha256(pack(entries)).digest()
    head = b"lifebound batch 1\0" + struct.pack(">qq", number, len(entries))
    return hashlib.sha256(head + field(before) + field(digest) + field(body)).digest()


class JournalSuite:
    """The promises; a subclass says which journal is to keep them."""

    def bench(self) -> AbstractAsyncContextManager[Bench]:
        raise NotImplementedError

    async def test_it_knows_its_run(self) -> None:
        async with self.bench() as bench:
            assert bench.journal.run == RUN

    async def test_an_append_returns_what_it_appended_and_keeps_it_in_order(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            assert await everything(journal) == []
            assert numbers(await journal.append([entry(1), entry(2)])) == [1, 2]
            assert numbers(await journal.append([entry(3)])) == [3]
            assert numbers(await everything(journal)) == [1, 2, 3]

    async def test_an_append_returns_what_others_added_before_its_own(self) -> None:
        async with self.bench() as bench:
            await bench.journal.append([entry(1)])
            await bench.somebody_adds([entry(2), entry(3)])
            await bench.somebody_adds([entry(4)])
            assert numbers(await bench.journal.append([entry(5)])) == [2, 3, 4, 5]
            assert numbers(await bench.journal.append([entry(6)])) == [6], "everything is new only once"
            assert numbers(await everything(bench.journal)) == [1, 2, 3, 4, 5, 6]

    async def test_an_empty_append_is_a_look_for_news(self) -> None:
        async with self.bench() as bench:
            assert not await bench.journal.has_news()
            await bench.somebody_adds([entry(1)])
            assert await bench.journal.has_news()
            assert numbers(await bench.journal.append([])) == [1]
            assert not await bench.journal.has_news()
            assert await bench.journal.append([]) == []

    async def test_what_it_appends_itself_is_no_news(self) -> None:
        async with self.bench() as bench:
            await bench.journal.append([entry(1)])
            assert not await bench.journal.has_news()

    async def test_reading_starts_at_the_beginning_and_appends_go_on_from_its_end(self) -> None:
        async with self.bench() as bench:
            for number in range(5):
                await bench.somebody_adds([entry(number)])
            assert numbers(await everything(bench.journal)) == [0, 1, 2, 3, 4]
            assert not await bench.journal.has_news()
            assert numbers(await bench.journal.append([entry(5)])) == [5]
            assert numbers(await everything(bench.journal)) == [0, 1, 2, 3, 4, 5], (
                "and from the beginning again"
            )

    async def test_what_is_added_while_it_is_read_is_read_too(self) -> None:
        async with self.bench() as bench:
            await bench.journal.append([entry(0)])
            seen: list[int] = []
            async for batch in bench.journal.batches():
                seen += numbers(batch)
                if len(seen) < 4:
                    await bench.somebody_adds([entry(len(seen))])
            assert seen == [0, 1, 2, 3]

    async def test_many_batches_keep_their_order(self) -> None:
        async with self.bench() as bench:
            for number in range(600):  # more than are read from disk at a time
                await bench.journal.append([entry(number)])
            assert numbers(await everything(bench.journal)) == list(range(600))

    async def test_refused_counts_are_the_last_committed(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            assert await journal.refused() == Refused()
            counts = Refused(duplicates=3, strangers=1, stranger_places=[("oven-9", None, None)])
            await journal.append([entry(1)], counts)
            counts.duplicates = 99  # what the caller goes on counting is not committed yet
            assert await journal.refused() == Refused(
                duplicates=3, strangers=1, stranger_places=[("oven-9", None, None)]
            )
            await journal.append([entry(2)])
            assert (await journal.refused()).duplicates == 3, "an append without counts leaves them"
            await journal.append([], counts)
            assert (await journal.refused()).duplicates == 99

    async def test_a_commit_of_counts_alone_is_a_batch_without_entries(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            await journal.append([], Refused())
            assert journal.position == 0, "no counts are what there was"
            await journal.append([], Refused(invalid=1))
            assert (journal.position, await journal.last()) == (1, 1)
            await journal.append([], Refused(invalid=1))
            await journal.append([])
            assert await journal.last() == 1, "the same again is nothing new"
            await journal.append([entry(1)], Refused(invalid=1))
            await journal.append([], Refused(invalid=2))
            assert [numbers(batch) async for batch in journal.batches()] == [[1]], "it is passed over"
            assert journal.position == 3

    async def test_a_head_is_held_until_something_before_it_is_another(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            heads = [journal.head]
            for n in range(3):
                await journal.append([entry(n)])
                heads.append(journal.head)
            assert [await journal.holds(head) for head in heads] == [True] * 4
            beyond = Head(4, heads[3].digest)
            assert [await journal.holds(Head(n, heads[n - 1].digest)) for n in (1, 2, 3)] == [False] * 3
            assert not await journal.holds(beyond)

    async def test_the_head_tells_every_journal_from_any_other(self) -> None:
        """Against a chain reckoned here, from the rows that both journals must agree on."""
        async with self.bench() as bench:
            journal = bench.journal
            expected = [genesis_of(RUN)]
            assert journal.head == Head(0, expected[0].hex())
            for number, (ours, counts) in enumerate([([entry(1)], Refused()), ([], Refused(invalid=4))], 1):
                await journal.append(ours, counts)
                expected.append(hash_of(expected[-1], number, ours, counts))
                assert journal.head == Head(number, expected[-1].hex())
            await bench.somebody_adds([entry(3), entry(4)])
            assert journal.head.number == 2, "not looked at yet"
            await journal.append([])
            assert journal.head == Head(3, hash_of(expected[-1], 3, [entry(3), entry(4)], counts).hex())
            heads = [journal.head async for _ in journal.batches()]
            assert [head.number for head in heads] == [1, 3]
            assert heads[0].digest == expected[1].hex()
            assert [batch async for batch in journal.batches(2)] == [[entry(3), entry(4)]]
            assert journal.head == heads[1]

    async def test_alerts_are_added_and_replaced_and_keep_their_order(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            assert await journal.alerts() == []
            b, a, c = (StoredAlert(i, f'{{"id":"{i}"}}', cleared=False) for i in "bac")
            await journal.save_alerts([b, a], send=False)
            await journal.save_alerts([c], send=False)
            assert await journal.alerts() == [b, a, c], "in the order in which they were first saved"
            told = StoredAlert("a", '{"id":"a","cleared_ms":1}', cleared=True)
            await journal.save_alerts([told], send=False)
            assert await journal.alerts() == [b, told, c]
            await journal.save_alerts([], send=True)
            assert await journal.alerts() == [b, told, c]
            await journal.save_alerts([a], send=False)
            assert await journal.alerts() == [b, a, c], "what comes back is open again"
            assert await journal.outgoing() == [], "nothing was to be sent"
            assert journal.position == 0, "alerts are beside the chain"

    async def test_of_the_alerts_that_have_cleared_the_latest_stay(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            opened = StoredAlert("first", "{}", cleared=False)
            cleared = [StoredAlert(f"alert {n}", "{}", cleared=True) for n in range(CLEARED_KEPT + 30)]
            await journal.save_alerts([opened, *cleared[:20]], send=False)
            await journal.save_alerts(cleared[20:], send=False)
            assert await journal.alerts() == [opened, *cleared[30:]]
            closed = StoredAlert("first", "{}", cleared=True)
            await journal.save_alerts([closed], send=False)
            assert await journal.alerts() == [closed, *cleared[31:]], "the order is that of the clearing"
            await journal.save_alerts([cleared[31]], send=False)
            assert await journal.alerts() == [closed, *cleared[31:]]

    async def test_what_is_to_be_sent_waits_in_its_order_until_it_is_sent(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            a, b = StoredAlert("a", "a began", cleared=False), StoredAlert("b", "b began", cleared=False)
            ended = StoredAlert("a", "a ended", cleared=True)
            await journal.save_alerts([a, b], send=True)
            await journal.save_alerts([ended], send=True)
            waiting = await journal.outgoing()
            assert [(each.alert_id, each.body) for each in waiting] == [
                ("a", "a began"),
                ("b", "b began"),
                ("a", "a ended"),
            ], "the end of an alert is sent for itself, and its begin still is"
            first, second, third = (each.number for each in waiting)
            assert first < second < third
            assert await journal.outgoing(limit=2) == waiting[:2]
            assert await journal.outgoing(after=first) == waiting[1:]
            assert await journal.outgoing(after=third) == []
            await journal.sent([first, third, third + 70])
            assert await journal.outgoing() == [waiting[1]]
            await journal.sent([])
            await journal.sent([second])
            assert await journal.outgoing() == []
            assert await journal.alerts() == [ended, b], "sent or not, they are kept"
            await journal.save_alerts([b], send=True)
            assert (await journal.outgoing())[0].number > third, "a number is never used again"

    async def test_a_sending_that_waits_is_not_put_out_twice(self) -> None:
        """So a commit whose success was not heard of may be tried again."""
        async with self.bench() as bench:
            alert = StoredAlert("a", "a began", cleared=False)
            await bench.journal.save_alerts([alert], send=True)
            await bench.journal.save_alerts([alert], send=True)
            assert len(await bench.journal.outgoing()) == 1


class TestMemoryJournal(JournalSuite):
    @asynccontextmanager
    async def bench(self) -> AsyncIterator[Bench]:
        journal = MemoryJournal(RUN)

        async def add(entries: Sequence[Entry]) -> None:
            journal.add_from_outside(entries)

        yield Bench(journal, add)


class TestSqliteJournal(JournalSuite):
    @asynccontextmanager
    async def bench(self) -> AsyncIterator[Bench]:
        with tempfile.TemporaryDirectory() as folder:
            run_dir = Path(folder) / "run"
            async with (
                await SqliteJournal.create(run_dir, RUN) as journal,
                await SqliteJournal.open(run_dir) as other,
            ):
                yield Bench(journal, other.append)


def test_a_head_is_text_and_back() -> None:
    head = Head(12, "ab" * 32)
    assert str(head) == "12:" + "ab" * 32
    assert Head.parse(str(head)) == Head.parse(f" 12:{'AB' * 32}\n") == head


@pytest.mark.parametrize(
    "text", ["", "12", "12:ab", ":" + "ab" * 32, "-1:" + "ab" * 32, "1:" + "ab" * 33, "x:" + "g" * 64]
)
def test_what_is_no_head_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="NUMBER:DIGEST"):
        Head.parse(text)


@pytest.mark.parametrize("kind", [TestMemoryJournal, TestSqliteJournal])
@settings(max_examples=40)
@given(batches=st.lists(st.lists(entries, min_size=1, max_size=4), max_size=3), refused=some_refused)
async def test_every_field_comes_back_exactly(
    kind: type[JournalSuite], batches: list[list[Entry]], refused: Refused
) -> None:
    async with kind().bench() as bench:
        for batch in batches:
            await bench.journal.append(batch, refused)
        back = await everything(bench.journal)
        assert exactly(back) == exactly([e for batch in batches for e in batch])
        assert await bench.journal.refused() == (refused if batches else Refused())
