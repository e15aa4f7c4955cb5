"""A run that was tampered with or damaged is told, and what was is named; one that is sound is left as it is.

Each change is made to the file of a real run, behind the back of whoever wrote it.
"""

from __future__ import annotations

import asyncio
import random
import shutil
import sqlite3
from contextlib import closing
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from monitor.campaign import Source
from monitor.journal import FILE_NAME, Head, JournalError, Run, SqliteJournal, chain, schema
from monitor.journal.codec import pack
from monitor.journal.verify import Verification, verify
from shared.entries import Disposed, Disposition, Entry, Refused
from shared.errors import InputError
from tests.journal.entries import entry

EXAMPLE = resources.files("monitor.campaign") / "examples" / "tern-a1.toml"
RUN = Run("run-7", 1_790_000_000_000, Source("tern-a1.toml", EXAMPLE.read_text(encoding="utf-8")))
BATCHES = 8
ENTRIES = 14


async def record(folder: Path) -> Head:
    """A small run: entries of several sizes, counts that change with some commits, one commit of counts alone."""
    async with await SqliteJournal.create(folder, RUN) as journal:
        at = 0
        for number in range(1, BATCHES + 1):
            count = 0 if number == 5 else 1 + number % 3
            counts = Refused(invalid=number // 2 + 10 * (number == 5))
            await journal.append([entry(100 * number + n) for n in range(count)], counts)
            at += count
        assert at == ENTRIES
        return journal.head


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Head]:
    """A sound run and its head."""
    folder = tmp_path_factory.mktemp("sound") / "run"
    return folder, asyncio.run(record(folder))


@pytest.fixture
def run_dir(tmp_path: Path, sound: tuple[Path, Head]) -> Path:
    """A run of one's own to spoil."""
    return Path(shutil.copytree(sound[0], tmp_path / "run"))


def alter(folder: Path, *statements: str) -> None:
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        for statement in statements:
            db.execute(statement)


def wrong(found: Verification) -> list[tuple[str, int | None, int | None]]:
    return [(each.kind, each.first, each.last) for each in found.findings if each.severity == "wrong"]


def named(found: Verification, kind: str | None = None) -> set[int]:
    """Every batch that something is said to be wrong with, or this kind of thing."""
    told = [(first, last) for each, first, last in wrong(found) if kind in (None, each)]
    ranges = [(first, last) for first, last in told if first is not None and last is not None]
    return {number for first, last in ranges for number in range(first, last + 1)}


# ---------------------------------------------------------------- sound


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_sound_run_is_sound_and_is_left_as_it_is(sound: tuple[Path, Head]) -> None:
    folder, head = sound
    before = contents(folder)
    assert (
        verify(folder) == verify(folder, head) == verify(folder, Head(0, chain.genesis(facts(folder)).hex()))
    )
    found = verify(folder)
    assert (found.findings, found.sound) == ((), True)
    assert (found.run, found.head, found.batches, found.entries) == ("run-7", head, BATCHES, ENTRIES)
    assert (found.first_ms, found.last_ms) == (100, 802)
    assert contents(folder) == before


def facts(folder: Path) -> dict[str, str]:
    with closing(sqlite3.connect(folder / FILE_NAME)) as db:
        return dict(db.execute("SELECT key, value FROM run WHERE key != ?", (schema.GENESIS,)))


async def test_a_run_that_is_just_recorded_is_sound(tmp_path: Path) -> None:
    """What is in the log beside the file counts, and a head noted before is still in the chain."""
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        empty = verify(tmp_path)
        assert (empty.sound, empty.head, empty.batches) == (True, journal.head, 0)
        for number in range(3):
            await journal.append([entry(number)], Refused(invalid=number))
            before = contents(tmp_path)
            found = await asyncio.to_thread(verify, tmp_path, empty.head)
            assert (found.findings, found.head, found.batches) == ((), journal.head, number + 1)
            after = contents(tmp_path)
            for name in (FILE_NAME, f"{FILE_NAME}-wal"):
                assert after[name] == before[name]
        assert verify(tmp_path, journal.head).sound


async def test_it_can_be_checked_while_it_is_written(tmp_path: Path) -> None:
    """One state of the journal is looked at, whatever is committed meanwhile."""
    async with await SqliteJournal.create(tmp_path, RUN) as journal:
        stop = asyncio.Event()

        async def write() -> None:
            number = 0
            while not stop.is_set():
                await journal.append([entry(number)], Refused(invalid=number))
                number += 1

        writing = asyncio.create_task(write())
        heads = []
        for _ in range(5):
            found = await asyncio.to_thread(verify, tmp_path)
            assert found.findings == ()
            assert found.head is not None
            heads.append(found.head)
        stop.set()
        await writing
        assert all(verify(tmp_path, head).sound for head in heads)
        assert heads == sorted(heads, key=lambda head: head.number)


def test_where_there_is_no_run_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no run is recorded here"):
        verify(tmp_path)
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- any single change


@st.composite
def flips(draw: st.DrawFn) -> tuple[int, int]:
    """A place within something of unknown length, and what its byte is changed by."""
    return draw(st.integers(0, 10_000)), draw(st.integers(1, 255))


numbers_of_batches = st.integers(1, BATCHES)
columns = st.sampled_from(["body", "hash", "refused"])


any_times = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def restored(run_dir: Path, sound: tuple[Path, Head]) -> Path:
    """The run as it was before anything was done to it."""
    shutil.copyfile(sound[0] / FILE_NAME, run_dir / FILE_NAME)
    return run_dir


def noted_or_not(sound: tuple[Path, Head], use: bool) -> Head | None:
    return sound[1] if use else None


@any_times
@given(number=numbers_of_batches, column=columns, flip=flips())
def test_a_changed_byte_of_a_batch_is_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], number: int, column: str, flip: tuple[int, int]
) -> None:
    folder = restored(run_dir, sound)
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        ((value,),) = db.execute(f"SELECT {column} FROM batch WHERE id = ?", (number,)).fetchall()
        data = bytearray(value)
        data[flip[0] % len(data)] ^= flip[1]
        db.execute(f"UPDATE batch SET {column} = ? WHERE id = ?", (bytes(data), number))
    found = verify(folder)
    assert named(found) == {number}
    assert ("changed", number, number) in wrong(found)


@any_times
@given(number=numbers_of_batches, entries=st.integers(-(2**63), 2**63 - 1), noted=st.booleans())
def test_a_changed_number_of_entries_is_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], number: int, entries: int, noted: bool
) -> None:
    folder = restored(run_dir, sound)
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        changed = db.execute(
            "UPDATE batch SET entries = ? WHERE id = ? AND entries != ?", (entries, number, entries)
        ).rowcount
    assume(changed)
    assert wrong(verify(folder, noted_or_not(sound, noted))) == [("changed", number, number)]


@pytest.mark.parametrize("number", range(1, BATCHES + 1))
def test_a_batch_that_was_taken_out_is_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], number: int
) -> None:
    alter(run_dir, f"DELETE FROM batch WHERE id = {number}")
    found = verify(run_dir, sound[1])
    if number < BATCHES:
        assert wrong(found) == wrong(verify(run_dir)) == [("missing", number, number)]
    else:
        assert set(wrong(found)) == {("truncated", number, number), ("counts", None, None)}


@any_times
@given(number=numbers_of_batches, to=st.integers(-3, 20) | st.sampled_from([-(2**63), 2**63 - 1]))
def test_a_batch_that_was_given_another_number_is_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], number: int, to: int
) -> None:
    assume(not 1 <= to <= BATCHES)
    folder = restored(run_dir, sound)
    alter(folder, f"UPDATE batch SET id = {to} WHERE id = {number}")
    found = verify(folder, sound[1])
    missing = [(first, last) for kind, first, last in wrong(found) if kind in {"missing", "truncated"}]
    assert any(first is not None and last is not None and first <= number <= last for first, last in missing)
    assert any(
        first is not None and last is not None and first <= to <= last for _, first, last in wrong(found)
    )
    innocent = set(range(1, BATCHES + 1)) - {number}
    ranges = [(first, last) for _, first, last in wrong(found) if first is not None and last is not None]
    assert not any(first <= each <= last for first, last in ranges for each in innocent)


@any_times
@given(pair=st.lists(numbers_of_batches, min_size=2, max_size=2, unique=True), noted=st.booleans())
def test_two_batches_that_were_swapped_are_found_and_named_as_such(
    run_dir: Path, sound: tuple[Path, Head], pair: list[int], noted: bool
) -> None:
    folder = restored(run_dir, sound)
    one, other = pair
    alter(
        folder,
        f"UPDATE batch SET id = -1 WHERE id = {one}",
        f"UPDATE batch SET id = {one} WHERE id = {other}",
        f"UPDATE batch SET id = {other} WHERE id = -1",
    )
    found = verify(folder, noted_or_not(sound, noted))
    assert named(found) == {one, other}
    assert {("swapped", one, one), ("swapped", other, other)} <= set(wrong(found))
    assert f"batches {min(pair)} and {max(pair)} swapped" in [each.text for each in found.findings]


@any_times
@given(pair=st.lists(numbers_of_batches, min_size=2, max_size=2, unique=True), kept=st.booleans())
def test_contents_that_were_swapped_are_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], pair: list[int], kept: bool
) -> None:
    """All but the hashes are swapped, or (``kept``) the bodies alone."""
    folder = restored(run_dir, sound)
    one, other = pair
    columns = "body" if kept else "entries, refused, body"
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        rows = [
            db.execute(f"SELECT {columns} FROM batch WHERE id = ?", (n,)).fetchone() for n in (one, other)
        ]
        setting = ", ".join(f"{column} = ?" for column in columns.split(", "))
        for number, row in ((one, rows[1]), (other, rows[0])):
            db.execute(f"UPDATE batch SET {setting} WHERE id = ?", (*row, number))
    found = verify(folder)
    assert named(found) == {one, other}
    if not kept:
        assert named(found, "swapped") == {one, other}


@any_times
@given(number=st.integers(1, BATCHES + 1), copied=numbers_of_batches, noted=st.booleans())
def test_a_batch_that_was_put_in_is_found_and_named(
    run_dir: Path, sound: tuple[Path, Head], number: int, copied: int, noted: bool
) -> None:
    """Those after it make room: their numbers rise by one. What is put in is the copy of another."""
    folder = restored(run_dir, sound)
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        row = db.execute("SELECT entries, refused, hash, body FROM batch WHERE id = ?", (copied,)).fetchone()
        db.execute("UPDATE batch SET id = -id WHERE id >= ?", (number,))
        db.execute("UPDATE batch SET id = 1 - id WHERE id < 0")
        db.execute("INSERT INTO batch VALUES (?, ?, ?, ?, ?)", (number, *row))
    found = verify(folder, noted_or_not(sound, noted))
    assert min(named(found)) == (number if copied != number else number + 1), (
        "a true copy fits; then its model does not"
    )
    assert named(found) >= set(range(number + 1, BATCHES + 2))


@pytest.mark.parametrize("number", range(1, BATCHES + 1))
def test_a_batch_taken_out_behind_which_the_others_moved_up_is_found(run_dir: Path, number: int) -> None:
    alter(
        run_dir,
        f"DELETE FROM batch WHERE id = {number}",
        f"UPDATE batch SET id = -id WHERE id > {number}",
        "UPDATE batch SET id = -1 - id WHERE id < 0",
    )
    found = verify(run_dir)
    if number < BATCHES:
        assert named(found) == set(range(number, BATCHES))
        assert ("changed", number, number) in wrong(found)
        if number + 1 < BATCHES:
            assert ("swapped", number + 1, BATCHES - 1) in wrong(found), "what moved is told as one"
    else:
        assert wrong(found) == [("counts", None, None)]


def test_a_run_that_was_cut_off_is_told_by_the_head_that_was_noted(
    run_dir: Path, sound: tuple[Path, Head]
) -> None:
    """The refused counts of the end are put right, too: no other trace is left."""
    alter(
        run_dir, "DELETE FROM batch WHERE id > 6", """UPDATE refused SET value = replace(value, ':4', ':3')"""
    )
    assert verify(run_dir).sound, "a chain does not know how long it was"
    assert wrong(verify(run_dir, sound[1])) == [("truncated", 7, BATCHES)]


def test_a_chain_that_was_reckoned_anew_is_told_by_the_head_that_was_noted(
    run_dir: Path, sound: tuple[Path, Head]
) -> None:
    """There is no key in it: without a noted head this is a sound chain."""
    with closing(sqlite3.connect(run_dir / FILE_NAME)) as db, db:
        db.execute("UPDATE batch SET entries = 1, body = ? WHERE id = 3", (pack([entry(7)]),))
        ((before,),) = db.execute("SELECT hash FROM batch WHERE id = 2")
        rows = db.execute("SELECT id, entries, refused, body FROM batch WHERE id > 2 ORDER BY id").fetchall()
        for row in rows:
            before = chain.link(before, *row)
            db.execute("UPDATE batch SET hash = ? WHERE id = ?", (before, row[0]))
    assert verify(run_dir).sound
    assert wrong(verify(run_dir, sound[1])) == [("rewritten", BATCHES, BATCHES)]


REFUSED = [
    "DELETE FROM refused",
    "UPDATE refused SET value = replace(value, ':4', ':5')",
    "UPDATE refused SET value = value || ' '",
    "UPDATE refused SET value = '{}'",
    "UPDATE refused SET value = ''",
]


@pytest.mark.parametrize("statement", REFUSED)
def test_changed_counts_of_refused_messages_are_found(run_dir: Path, statement: str) -> None:
    alter(run_dir, statement)
    assert ("counts", None, None) in wrong(verify(run_dir))


FACTS = ["id", "began_ms", "campaign_name", "campaign_toml", "campaign_sha256"]


CHANGED_FACTS = [
    *(f"UPDATE run SET value = value || '0' WHERE key = '{fact}'" for fact in [*FACTS, schema.GENESIS]),
    *(f"DELETE FROM run WHERE key = '{fact}'" for fact in [*FACTS, schema.GENESIS]),
    "INSERT INTO run VALUES ('chips_csv', '')",
    "INSERT INTO run VALUES ('of the future', '')",
]


@pytest.mark.parametrize("statement", CHANGED_FACTS)
def test_changed_facts_of_the_run_are_found(run_dir: Path, statement: str) -> None:
    alter(run_dir, statement)
    found = verify(run_dir)
    assert "run" in {kind for kind, _, _ in wrong(found)}
    assert named(found) == set(), "no batch is blamed for it"
    says = "the hash over the facts" if schema.GENESIS in statement else "the facts of the run"
    assert any(says in each.text for each in found.findings)


def test_facts_and_their_hash_changed_together_are_found_at_the_first_batch(run_dir: Path) -> None:
    alter(run_dir, "UPDATE run SET value = 'another' WHERE key = 'id'")
    alter(run_dir, f"UPDATE run SET value = '{chain.genesis(facts(run_dir)).hex()}' WHERE key = 'genesis'")
    assert wrong(verify(run_dir)) == [("changed", 1, 1)]


# ---------------------------------------------------------------- contents that fit the chain and are wrong


def rechain(folder: Path, number: int, entries: int, body: bytes) -> None:
    """Give the last batch other contents and the hash that goes with them."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as db, db:
        ((before,),) = db.execute("SELECT hash FROM batch WHERE id = ?", (number - 1,))
        ((counts,),) = db.execute("SELECT refused FROM batch WHERE id = ?", (number,))
        link = chain.link(before, number, entries, counts, body)
        db.execute(
            "UPDATE batch SET entries = ?, hash = ?, body = ? WHERE id = ?", (entries, link, body, number)
        )


@pytest.mark.parametrize(
    ("entries", "body", "says"),
    [
        (1, b"", "cannot be decoded"),
        (1, b"no frame", "cannot be decoded"),
        (1, bytes.fromhex("28b52ffdc0580000000000000010"), "too large"),
        (2, pack([entry(1)]), "has 1 entries and says 2"),
        (0, pack([entry(1)]), "has 1 entries and says 0"),
    ],
    ids=["empty", "no frame", "too large", "fewer", "more"],
)
def test_a_batch_that_does_not_hold_what_it_says_is_named(
    run_dir: Path, entries: int, body: bytes, says: str
) -> None:
    rechain(run_dir, BATCHES, entries, body)
    found = verify(run_dir)
    assert wrong(found) == [("undecodable", BATCHES, BATCHES)]
    assert says in found.findings[-1].text


def test_a_campaign_that_cannot_be_used_is_told_and_shown_without_its_control_characters(
    tmp_path: Path,
) -> None:
    async def make() -> None:
        source = Source("c\x1b[2J.toml", "[campaign]\n\x1b]0;owned\x07 = 1\n")
        async with await SqliteJournal.create(tmp_path, Run("r", 1, source)):
            pass

    asyncio.run(make())
    found = verify(tmp_path)
    assert wrong(found) == [("campaign", None, None)]
    assert all(text.isprintable() for text in (each.text for each in found.findings))


# ---------------------------------------------------------------- the file and the folder


@pytest.mark.parametrize(
    ("statement", "name"),
    [
        ("CREATE TABLE more (x)", "table more"),
        ("CREATE TRIGGER t AFTER INSERT ON batch BEGIN DELETE FROM batch; END", "trigger t"),
        ("CREATE INDEX i ON batch (entries)", "index i"),
        ("ALTER TABLE alert ADD COLUMN more TEXT", "table alert was changed"),
        ("DROP TABLE outbox", "table outbox is missing"),
        ("INSERT INTO migration VALUES ('9999_later.sql')", "9999_later.sql"),
        ('CREATE TABLE "\x1b[31m" (x)', "\\x1b[31m"),
    ],
)
def test_tables_that_are_not_as_they_should_be_are_named(run_dir: Path, statement: str, name: str) -> None:
    alter(run_dir, statement)
    found = verify(run_dir)
    assert {kind for kind, _, _ in wrong(found)} == {"schema"}
    text = " ".join(each.text for each in found.findings)
    assert name in text
    assert text.isprintable()
    assert found.batches == BATCHES, "the rest is looked at"


def test_a_table_of_batches_that_was_changed_is_not_trusted_any_further(run_dir: Path) -> None:
    alter(run_dir, "ALTER TABLE batch ADD COLUMN more TEXT")
    assert {kind for kind, _, _ in wrong(verify(run_dir))} == {"schema"}


@pytest.mark.parametrize("change", ["not ours", "empty", "no database", "half of it"])
def test_a_file_that_is_none_of_ours_is_told(run_dir: Path, change: str) -> None:
    path = run_dir / FILE_NAME
    data = path.read_bytes()
    if change == "not ours":
        alter(run_dir, "PRAGMA application_id = 7")
    else:
        path.write_bytes(
            {"empty": b"", "no database": b"x" * 9000, "half of it": data[: len(data) // 2]}[change]
        )
    found = verify(run_dir)
    assert not found.sound
    assert "file" in {kind for kind, _, _ in wrong(found)}


def test_a_folder_that_others_may_read_and_what_was_left_is_a_note(run_dir: Path) -> None:
    run_dir.chmod(0o755)
    (run_dir / FILE_NAME).chmod(0o666)
    (run_dir / "snapshot.bin.partial").touch()
    (run_dir / "journal.draft-wal").touch()
    found = verify(run_dir)
    assert found.sound
    assert [(each.kind, each.severity) for each in found.findings] == [
        ("permissions", "note"),
        ("permissions", "note"),
        ("leftover", "note"),
        ("leftover", "note"),
    ]
    says = " ".join(each.text for each in found.findings)
    assert all(name in says for name in ("0755", FILE_NAME, "snapshot.bin.partial", "journal.draft-wal"))


def long_entry(number: int) -> Entry:
    """One that takes more than a page."""
    why = random.Random(number).randbytes(1900).hex()
    return Disposed(number, Disposition(serial="A", cls="relevant", who="R. Tern", why=why, when_ms=number))


async def test_a_damaged_page_is_found_and_what_it_held_named(tmp_path: Path) -> None:
    """Bytes of each page of a real file are overwritten in turn; what a reader stumbles over is always found."""
    run = tmp_path / "run"
    async with await SqliteJournal.create(run, RUN) as journal:
        for number in range(8):
            await journal.append([long_entry(10 * number + n) for n in range(4)], Refused(invalid=number))
    whole = (run / FILE_NAME).read_bytes()
    blamed: set[int] = set()
    for page in range(len(whole) // 4096):
        data = bytearray(whole)
        data[page * 4096 + 3000 : page * 4096 + 3300] = b"\xa5" * 300
        (run / FILE_NAME).write_bytes(data)
        found = verify(run)
        assert all(each.text.isprintable() for each in found.findings)
        blamed |= named(found)
        if not await readable(run):
            assert not found.sound, f"page {page + 1}"
    assert blamed >= set(range(1, 9))


async def readable(folder: Path) -> bool:
    try:
        async with await SqliteJournal.open(folder) as journal:
            return len([batch async for batch in journal.batches()]) == 8
    except JournalError:
        return False
