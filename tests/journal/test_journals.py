"""One suite for both journals: what the protocol promises holds on disk and in memory."""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.journal import Journal, MemoryJournal, SqliteJournal, StoredAlert
from shared.entries import Entry, Refused
from tests.journal.entries import RUN, entries, entry, exactly, numbers, some_refused


@dataclass
class Bench:
    """An empty journal, and somebody else who adds to the same run."""

    journal: Journal
    somebody_adds: Callable[[Sequence[Entry]], Awaitable[object]]


async def everything(journal: Journal) -> list[Entry]:
    return [e async for batch in journal.batches() for e in batch]


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

    async def test_alerts_are_added_and_replaced_and_keep_their_order(self) -> None:
        async with self.bench() as bench:
            journal = bench.journal
            assert await journal.alerts() == []
            b, a, c = (StoredAlert(i, f'{{"id":"{i}"}}', cleared=False, delivered=False) for i in "bac")
            await journal.save_alerts([b, a])
            await journal.save_alerts([c])
            assert await journal.alerts() == [b, a, c], "in the order in which they were first saved"
            told = StoredAlert("a", '{"id":"a","cleared_ms":1}', cleared=True, delivered=True)
            await journal.save_alerts([told])
            assert await journal.alerts() == [b, told, c]
            await journal.save_alerts([])
            assert await journal.alerts() == [b, told, c]


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
