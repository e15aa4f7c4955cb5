"""Dispositions over HTTP: held against the account by the rules of the command line, entered all or none."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from monitor.journal import JournalError, MemoryJournal
from monitor.service import recorder as recorder_module
from shared.entries import Disposed, Entry, Refused
from tests.faces.serving import SENT, TOKEN, Served, serving


async def journalled(service: Served) -> list[Entry]:
    return [e async for batch in service.service.journal.batches() for e in batch if isinstance(e, Disposed)]


async def test_one_is_entered_and_the_figures_know_it_at_once() -> None:
    async with serving() as service:
        before = service.service.recorder.version
        answer = await service.send(SENT)
        assert answer.status == 201
        now_ms = service.service.clock_ms()
        assert answer.json == {"entered": [{**SENT, "when_ms": now_ms}]}
        (entry,) = await journalled(service)
        assert isinstance(entry, Disposed)
        assert (entry.t_recv_ms, entry.disposition.when_ms) == (now_ms, now_ms)
        await service.service._look()
        failure = (await service.ask("/v1/figures")).json["failures"][0]
        assert (failure["serial"], failure["disposition"]) == ("A-1", "relevant")
        assert service.service.recorder.version == before + 1


async def test_a_list_is_entered_and_the_last_of_a_chip_stands() -> None:
    async with serving() as service:
        plain = {k: v for k, v in SENT.items() if k != "mechanism"}
        assert (await service.send([SENT])).status == 201
        assert (await service.send([{**plain, "class": "not-relevant"}])).status == 201
        await service.service._look()
        chips = (await service.ask("/v1/figures")).json["chips"]
        assert (chips["failed"], chips["not_relevant"]) == (0, 1)


WRONG: list[tuple[Any, int, str]] = [
    ({**SENT, "serial": "A-2"}, 422, "has not failed"),
    ({**SENT, "serial": "Z-<b>"}, 422, "names no such chip"),
    ({**SENT, "mechanism": "rust"}, 422, "the campaign names charge-loss"),
    ({**SENT, "class": "not-relevant"}, 422, "only a relevant failure"),
    ({**SENT, "who": "  "}, 422, "who: 1 to 200 printable"),
    ({**SENT, "why": "a\x1b[2J"}, 422, "why: 1 to 4000 printable"),
    ({**SENT, "why": "\ud800".encode("utf-8", "surrogatepass").decode("latin-1")}, 422, "printable"),
    ([SENT, SENT], 422, "disposition 2, serial: this chip is judged twice"),
    ([SENT, {**SENT, "serial": "A-2"}], 422, "disposition 2, serial"),
    ({**SENT, "when_ms": 5}, 422, "a field is missing or wrong"),
    ({**SENT, "<b>": 5}, 422, "a field is missing or wrong"),
    ({**SENT, "class": "<b>"}, 422, "wrong at $.class"),
    ([SENT, {**SENT, "who": 5}], 422, "wrong at $[1].who"),
    ({k: v for k, v in SENT.items() if k != "who"}, 422, "a field is missing or wrong"),
    ([], 422, "a field is missing or wrong"),
    ([SENT] * 257, 422, "a field is missing or wrong"),
    (None, 422, "a field is missing or wrong"),
    ("x", 422, "a field is missing or wrong"),
]


@pytest.mark.parametrize(("what", "status", "says"), WRONG)
async def test_what_does_not_hold_is_refused_whole_and_not_repeated(
    what: Any, status: int, says: str
) -> None:
    async with serving() as service:
        refused = await service.send(what)
        assert refused.status == status
        assert says in refused.error
        assert not {"<", "\x1b", "rust"} & set(refused.error.split())
        assert b"<b>" not in refused.body
        assert await journalled(service) == []


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff", b'{"serial":"\xff"}', b"[" * 60_000, b"NaN", b'{"a":1e999}{', b"\x00"]
)
async def test_what_is_not_json_is_refused(body: bytes) -> None:
    async with serving() as service:
        headers = {"Content-Type": "application/json"}
        refused = await service.ask("/v1/dispositions", "POST", token=TOKEN, data=body, headers=headers)
        assert refused.status in {400, 422}
        assert refused.error
        assert (await service.ask("/healthz")).status == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
    ],
)
async def test_only_plain_json_is_taken(headers: dict[str, str]) -> None:
    async with serving() as service:
        body = msgspec.json.encode(SENT)
        refused = await service.ask("/v1/dispositions", "POST", token=TOKEN, data=body, headers=headers)
        assert refused.status == 415
        assert refused.error


async def test_while_the_disk_is_in_trouble_nothing_is_entered_and_it_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def full(
        self: MemoryJournal, entries: Sequence[Entry], refused: Refused | None = None
    ) -> list[Entry]:
        raise JournalError("/secret/place/journal.db: no space left on device")

    async with serving() as service:
        before = service.service.recorder.version
        with monkeypatch.context() as patch:
            patch.setattr(MemoryJournal, "append", full)
            refused = await service.send(SENT)
            assert refused.status == 503
            assert refused.headers["Retry-After"]
            assert "the journal cannot be written" in refused.error
            assert "/secret" not in refused.error
        assert service.service.recorder.version == before
        assert (await service.send(SENT)).status == 201


async def test_while_the_journal_is_held_it_does_not_wait_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "_ENTER_S", 0.05)
    async with serving() as service:
        async with service.service.recorder._lock:  # as the intake holds it while it tries again
            assert (await service.send(SENT)).status == 503
        answers = await asyncio.gather(*(service.send(SENT) for _ in range(5)))
        assert [answer.status for answer in answers] == [201] * 5
        assert len(await journalled(service)) == 5
