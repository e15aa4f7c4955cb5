"""Trouble with the disk is loud and loses nothing: in a process of the test's own, and for real.

The in-process service has an invented broker that counts what is not acknowledged, and a journal that fails, or is
slow, as it is told. For real, a file size limit put upon the running service makes its writes fail, and a byte
changed in its journal makes it refuse to start.
"""

from __future__ import annotations

import asyncio
import io
import json
import logging
import resource
import signal
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import pytest
from rich.console import Console

from monitor.campaign import load
from monitor.cli.attach import Attached
from monitor.faces.metrics import exposition
from monitor.faces.state import State
from monitor.faces.terminal import plain_line, render
from monitor.intake.link import BATCH_MAX, INBOX_HIGH, Address
from monitor.journal import FILE_NAME, JournalError, MemoryJournal, Run, SqliteJournal, StoredAlert
from monitor.rules.alerts import JOURNAL
from monitor.service import recorder as recorder_module
from monitor.service import service as service_module
from monitor.service.rundir import ServiceNote, read_snapshot, write_note, write_snapshot
from monitor.service.service import Service, Settings, make_service
from shared.entries import Disposed, Disposition, Entry, Received, Refused
from shared.errors import UnavailableError
from shared.messages import Receipt, Tally
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_snapshot import SMALL, tallies
from tests.service.plant import Broker, running
from tests.service.running import equals_truth, programs_in, until, write_campaign

CAMPAIGN = campaign_of(SMALL)
MESSAGES = [(topic, msgspec.json.encode(payload)) for _, topic, payload in tallies(3 * BATCH_MAX)]


class Disk(MemoryJournal):
    """Fails while ``broken``; with ``slow`` set every commit takes turns of the loop."""

    broken = False
    slow = 0

    async def append(self, entries: Sequence[Entry], refused: Refused | None = None) -> list[Entry]:
        for _ in range(self.slow):
            await asyncio.sleep(0)
        if self.broken:
            raise JournalError("journal.db: no room on the disk (database or disk is full)")
        return await super().append(entries, refused)

    async def save_alerts(self, alerts: Sequence[StoredAlert], *, send: bool) -> None:
        if self.broken:
            raise JournalError("journal.db: no room on the disk (database or disk is full)")
        await super().save_alerts(alerts, send=send)

    def numbers(self) -> list[int]:
        """The numbers of the tallies on disk, in order."""
        return [
            entry.message.seq
            for batch in self._batches
            for entry in batch
            if isinstance(entry, Received) and isinstance(entry.message, Tally)
        ]


@pytest.fixture
def journal() -> Disk:
    return Disk(Run("run-1", 0, CAMPAIGN.source))


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder_module, "_RETRY_S", (0.001,))
    for name, seconds in (
        ("LOOK_EVERY_S", 0.001),
        ("LOOK_LEAST_OFTEN_S", 0.0),
        ("NEWS_EVERY_S", 0.005),
        ("STOP_INTAKE_S", 0.05),
        ("SNAPSHOT_EVERY_S", 0.001),
    ):
        monkeypatch.setattr(service_module, name, seconds)


async def serving(journal: Disk, broker: Broker, **more: Any) -> Service:
    settings = Settings(Address("broker.invalid", 1883), "lifebound-test", receipt_every_s=0.001)
    service = await make_service(
        journal, settings, CAMPAIGN, lambda: 1_800_000_000_000, steady=lambda: 0, **more
    )
    service.connect = broker.connect
    return service


def publish(broker: Broker, first: int, last: int) -> None:
    for topic, payload in MESSAGES[first : last + 1]:
        broker.publish(topic, payload)


# ---------------------------------------------------------------- in trouble, and out of it


async def test_trouble_is_told_on_every_face_and_it_goes_on_by_itself(
    journal: Disk, caplog: pytest.LogCaptureFixture
) -> None:
    broker, sent = Broker(), list[dict[str, Any]]()

    async def send(body: bytes, key: str) -> str | None:
        sent.append(json.loads(body))
        return None

    service = await serving(journal, broker, send=send)
    with caplog.at_level(logging.WARNING):
        async with running(service) as until_:
            publish(broker, 0, 4)
            await until_(lambda: len(broker.acknowledged) == 5)
            assert service.state().health.storage is None
            journal.broken = True
            publish(broker, 5, 11)
            await until_(lambda: service.state().health.storage is not None)
            await until_(lambda: bool(sent))
            state = service.state()
            assert not state.health.ready
            assert state.health.storage == (
                "the journal cannot be written since 2027-01-15 08:00:00 UTC (journal.db: no room on the disk "
                "(database or disk is full)); 7 messages wait unacknowledged"
            )
            assert (state.health.unacknowledged, state.health.storage_since_ms) == (7, 1_800_000_000_000)
            assert faces(state)
            assert len(broker.acknowledged) == 5
            assert [a.kind for a in state.alerts if a.cleared_ms is None and a.kind == JOURNAL] == [JOURNAL]
            journal.broken = False
            await until_(lambda: len(broker.acknowledged) == 12)
            await until_(lambda: service.state().health.storage is None and len(sent) >= 2)
            assert service.state().health.ready
            assert not faces(service.state())
    assert journal.numbers() == list(range(12)), "each once, in order"
    assert [(a["kind"], a["cleared_ms"] is None) for a in sent if a["kind"] == JOURNAL] == [
        (JOURNAL, True),
        (JOURNAL, False),
    ]
    events = [record.getMessage() for record in caplog.records]
    assert events.count("journal cannot be written; nothing is acknowledged") == 1, "not at every attempt"
    assert events.count("journal can be written again") == 1


def faces(state: State) -> bool:
    """Whether the metrics and the view tell of trouble; they must agree."""
    attached = Attached("http://127.0.0.1:1")
    attached.state, attached.trouble = state, None
    line = plain_line(state.figures, [], attached.link())
    screen = io.StringIO()
    Console(file=screen, width=200, height=60).print(render(state.figures, [], attached.link(), 200, 60))
    metrics = exposition(state.figures, state.alerts, state.health).decode()
    told = [
        f"lifebound_journal_writable {float(state.health.storage is None)}" in metrics
        and state.health.storage is not None,
        f"lifebound_intake_unacknowledged {float(state.health.unacknowledged)}" in metrics
        and state.health.unacknowledged > 0,
        "The journal cannot be written since 2027-01-15 08:00:00 UTC (journal.db: no room on the disk" in line
        and "messages wait unacknowledged." in line,
        "The journal cannot be written since 2027-01-15 08:00:00 UTC" in screen.getvalue(),
    ]
    assert len(set(told)) == 1, (told, line)
    return told[0]


async def test_a_link_lost_while_the_disk_is_in_trouble_costs_nothing(journal: Disk) -> None:
    """What was judged before the loss comes again on the new link, and is acknowledged there, when it is on disk."""
    broker = Broker()
    service = await serving(journal, broker)
    async with running(service) as until_:
        publish(broker, 0, 2)
        await until_(lambda: len(broker.acknowledged) == 3)
        journal.broken = True
        publish(broker, 3, 6)
        await until_(lambda: service.recorder.trouble is not None)
        broker.lose_the_link()
        publish(broker, 7, 8)
        for _ in range(20):
            await asyncio.sleep(0.001)
        assert len(broker.acknowledged) == 3
        journal.broken = False
        await until_(lambda: len(broker.acknowledged) == 9)
        assert len(broker.links) == 2
        assert service.recorder.account.session.refused.duplicates == 4
    assert journal.numbers() == list(range(9))


@pytest.mark.parametrize("lost", [False, True], ids=["link stays", "link lost too"])
async def test_stopped_in_trouble_it_says_so_and_the_next_service_gets_everything(
    journal: Disk, lost: bool
) -> None:
    broker = Broker()
    service = await serving(journal, broker)

    async def live() -> None:
        async with running(service) as until_:
            publish(broker, 0, 2)
            await until_(lambda: len(broker.acknowledged) == 3)
            journal.broken = True
            publish(broker, 3, 6)
            await until_(lambda: service.recorder.trouble is not None)
            if lost:
                broker.lose_the_link()

    with pytest.raises(UnavailableError) as ended:
        await live()
    assert str(ended.value).startswith(
        "stopped while the journal cannot be written since 2027-01-15 08:00:00"
    )
    assert str(ended.value).endswith(
        "4 messages wait unacknowledged; what was not recorded stays with the broker and the racks"
    )
    assert (len(broker.acknowledged), journal.numbers()) == (3, [0, 1, 2])
    journal.broken = False
    async with running(await serving(journal, broker)) as until_:
        await until_(lambda: not broker.kept)
    assert journal.numbers() == list(range(7))


# ---------------------------------------------------------------- a slow disk


async def test_a_slow_disk_slows_the_acknowledgements_and_fills_no_memory(journal: Disk) -> None:
    journal.slow = 200
    broker = Broker(most=INBOX_HIGH)
    service = await serving(journal, broker)
    in_hand = 0
    async with running(service) as until_:
        publish(broker, 0, len(MESSAGES) - 1)

        def all_done() -> bool:
            nonlocal in_hand
            in_hand = max(in_hand, service.recorder.waiting)
            assert len(broker.acknowledged) <= len(journal.numbers()), "never before it is on disk"
            return not broker.kept

        await until_(all_done)
    assert journal.numbers() == list(range(len(MESSAGES)))
    assert 0 < in_hand <= BATCH_MAX
    assert broker.most_in_flight <= BATCH_MAX, "the next batch is taken when this one is acknowledged"


# ---------------------------------------------------------------- receipts and the stop


async def test_receipts_say_no_more_than_is_on_disk_and_the_last_one_says_all_of_it(
    journal: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = Broker()
    service = await serving(journal, broker)
    too_much: list[int] = []
    take = broker.receipts.append

    class Checked(list[tuple[str, bytes]]):
        def append(self, item: tuple[str, bytes]) -> None:
            covered = msgspec.json.decode(item[1], type=Receipt).boots["b"].tally.get("1", -1)
            if covered > max(journal.numbers(), default=-1):
                too_much.append(covered)
            take(item)

    broker.receipts = Checked()
    take = super(Checked, broker.receipts).append
    async with running(service) as until_:
        for number in range(20):
            journal.broken = number % 5 == 4
            publish(broker, number, number)
            if not journal.broken:
                await until_(lambda number=number: len(broker.acknowledged) > number)  # type: ignore[misc]
                continue
            await until_(lambda: service.recorder.trouble is not None)
            for _ in range(5):
                await asyncio.sleep(0.001)
            journal.broken = False
        await until_(lambda: len(broker.acknowledged) == 20)
        publish(broker, 20, 25)
    assert too_much == []
    last = msgspec.json.decode(broker.receipts[-1][1], type=Receipt)
    assert last.boots["b"].tally["1"] == max(journal.numbers())


async def test_a_snapshot_that_cannot_be_kept_is_tried_again(
    journal: Disk, caplog: pytest.LogCaptureFixture
) -> None:
    broker, tries = Broker(), list[bytes]()

    async def keep(data: bytes) -> None:
        tries.append(data)
        if len(tries) < 3:
            raise OSError(28, "No space left on device")

    service = await serving(journal, broker)
    service.keep_snapshot = keep
    async with running(service) as until_:
        publish(broker, 0, 2)
        await until_(lambda: len(tries) >= 3)
        assert service.state().health.ready
    assert [r.getMessage() for r in caplog.records].count("snapshot cannot be kept") == 2


# ---------------------------------------------------------------- faults of our own


def break_figures(service: Service) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("invented")

    service.recorder.account.figures = broken  # type: ignore[method-assign]


def break_receipts(service: Service) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("invented")

    service.recorder.account.ledger.receipt = broken  # type: ignore[method-assign]


def break_fold(service: Service) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError("invented")

    service.recorder.account.apply = broken  # type: ignore[method-assign]


def break_news(service: Service) -> None:
    async def broken() -> bool:
        raise ZeroDivisionError("invented")

    service.journal.has_news = broken  # type: ignore[method-assign]


def break_delivery(service: Service) -> None:
    async def broken(after: int = 0, limit: int = 100) -> Any:
        raise ZeroDivisionError("invented")

    service.journal.outgoing = broken  # type: ignore[method-assign]


@pytest.mark.parametrize(
    "fault", [break_figures, break_receipts, break_fold, break_news, break_delivery], ids=lambda f: f.__name__
)
async def test_a_task_that_fails_ends_the_service_loudly(
    journal: Disk, fault: Callable[[Service], None], caplog: pytest.LogCaptureFixture
) -> None:
    async def send(body: bytes, key: str) -> str | None:
        return None

    broker = Broker()
    service = await serving(journal, broker, send=send)

    async def live() -> None:
        async with running(service) as until_:
            publish(broker, 0, 2)
            await until_(lambda: len(broker.acknowledged) == 3)
            fault(service)
            assert service.alerting._outbox is not None
            service.alerting._outbox.wake()
            publish(broker, 3, 5)
            await until_(lambda: False)

    with pytest.raises(ExceptionGroup) as ended:
        await live()
    assert all(isinstance(error, ZeroDivisionError) for error in roots(ended.value))
    assert "the service ends by a fault of its own" in [record.getMessage() for record in caplog.records]
    if fault is break_fold:
        assert len(broker.acknowledged) == 3, "what was not folded is not acknowledged"


def roots(error: BaseException) -> list[BaseException]:
    """What was raised at first."""
    if isinstance(error, BaseExceptionGroup):
        return [root for each in error.exceptions for root in roots(each)]
    return [error.__cause__ or error]


# ---------------------------------------------------------------- for real


def limit_file_size(pid: int, size: int) -> None:
    """Make every write of a process (0: this one) beyond ``size`` bytes of a file fail (-1: none)."""
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY if size < 0 else size, hard))


def test_what_cannot_be_written_whole_leaves_what_was_there_and_takes_no_room(tmp_path: Path) -> None:
    write_snapshot(tmp_path, b"before")
    limit_file_size(0, 1000)
    try:
        with pytest.raises(OSError, match="large"):
            write_snapshot(tmp_path, bytes(2000))
        write_note(tmp_path, ServiceNote(1, "u" * 2000, "b", "r"))  # no reason not to serve
    finally:
        limit_file_size(0, -1)
    assert read_snapshot(tmp_path) == b"before"
    assert [each.name for each in tmp_path.iterdir()] == ["snapshot.bin"]


@pytest.mark.timeout(180)
async def test_writes_that_fail_for_real_are_told_and_survived(mosquitto: Any, tmp_path: Path) -> None:
    """Trouble that ends, trouble in which it is stopped (exit 3), a new start: at the end the figures are the truth."""
    campaign = write_campaign(tmp_path, report_interval_s=60, max_gap_s=180, reorder_hold_s=1200)
    run_dir, url = tmp_path / "run", f"mqtt://127.0.0.1:{mosquitto.port}"
    how = ("--hours", "1", "--speed", "600", "--fail", "A-007@0.2", "--fail", "C-001@0.7", "--json")
    async with programs_in(tmp_path) as programs:
        service = await programs.serve(campaign, run_dir, url)
        await service.ready()
        racks = programs.start("simulate", campaign, "--broker", url, *how)
        await service.accepted(100)

        async def put_in_trouble() -> None:
            limit_file_size(service.program.pid, 48 * 1024)  # the journal is larger by now, its log is not

            async def told() -> bool:
                return b"the journal cannot be written since" in (await service.get("/readyz")).body

            await until(told, lambda: f"no trouble is told: {service.program}")

        await put_in_trouble()
        health = json.loads((await service.get("/v1/state")).body)["health"]
        assert health["unacknowledged"] > 0
        assert "lifebound_journal_writable 0.0" in (await service.get("/metrics")).body.decode()
        limit_file_size(service.program.pid, -1)
        await service.ready()
        assert racks.popen.poll() is None, "too late for more trouble"
        await put_in_trouble()
        service.program.send(signal.SIGTERM)
        assert await service.program.ended() == 3, str(service.program)
        last = service.program.stderr().strip().splitlines()[-1]
        assert last.startswith("lifebound serve: stopped while the journal cannot be written since "), last
        assert last.endswith("what was not recorded stays with the broker and the racks")
        assert "Traceback" not in service.program.stderr()
        service = await programs.serve(campaign, run_dir, url)
        assert await racks.ended() == 0, str(racks)
        await service.stop()
        figures = await programs.run("figures", "--run", run_dir, "--json")
    equals_truth(json.loads(figures.stdout()), json.loads(racks.stdout()))


async def test_a_damaged_journal_is_refused_at_the_start(tmp_path: Path) -> None:
    path = write_campaign(tmp_path)
    campaign, run_dir = load(path), tmp_path / "run"
    async with await SqliteJournal.create(run_dir, Run("run-1", 0, campaign.source)) as journal:
        for number in range(50):
            await journal.append(
                [
                    Disposed(
                        number,
                        Disposition(serial="A-001", cls="relevant", who="w", why=3000 * "y", when_ms=number),
                    )
                ]
            )
    file = run_dir / FILE_NAME
    data = bytearray(file.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 4096] = bytes(4096)
    file.write_bytes(data)
    args = ("--run", run_dir, "--broker", "mqtt://127.0.0.1:1", "--http", "127.0.0.1:0")
    async with programs_in(tmp_path) as programs:
        refused = await programs.run("serve", path, *args, code=3)
    last = refused.stderr().strip().splitlines()[-1]
    assert last.startswith(f"lifebound serve: {file}: "), last
    assert "Traceback" not in refused.stderr()
