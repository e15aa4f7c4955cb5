"""One simulation: racks, broker, monitor's host and receiver of alerts, the faults of its story, and the verdict."""

from __future__ import annotations

import asyncio
import gc
import hashlib
import logging
import random
import shutil
import sqlite3
import tempfile
import traceback
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from monitor.intake.link import Delivery
from monitor.journal import FILE_NAME, JournalError
from monitor.journal.codec import unpack
from monitor.rules.alerts import Alert, update
from monitor.service.account import Account
from monitor.service.service import Service
from shared.entries import Disposed, Received
from shared.errors import ContractError, LifeboundError
from shared.messages import Presence, ReadError, Tally, decode, decode_receipt
from shared.topics import Kind, parse_topic
from simulator.publish import Broker as BrokerPlace
from simulator.publish import publish
from simulator.truth import Truth
from tests.simulation import host
from tests.simulation.broker import Broker, Wire, Witness, dial_to
from tests.simulation.disk import TROUBLES, Disk, Files
from tests.simulation.loop import Life, StuckError, VirtualLoop, life
from tests.simulation.story import LASTING, SETTLE_S, SPEED, START_MS, Fault, Story, make_story
from tests.simulation.verdict import judge

BOUND_S = 12_000.0
Identity = tuple[str, int, str, str, int]  # rack, board, kind, boot, seq or n


@dataclass
class Outcome:
    """What one seed came to."""

    seed: int
    failures: list[str]
    injected: Counter[str]
    in_flight: Counter[str]
    lost: int
    doubled: int
    sent: int
    steps: int
    virtual_s: float
    digest: str
    log: list[str]


class Receiver:
    """Takes alerts; it may be down or slow, and may fail to say that it took one."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.down = False
        self.slow = False
        self.taken: list[Alert] = []
        self.keys: dict[str, set[bytes]] = {}  # what was sent under each key

    async def take(self, body: bytes, key: str) -> str | None:
        """One POST: None when it was taken, else what was wrong."""
        await asyncio.sleep(self.rng.uniform(0.005, 0.05))
        if self.down:
            return "status 503"
        if self.slow:
            await asyncio.sleep(self.rng.uniform(1.0, 8.0))
        self.keys.setdefault(key, set()).add(body)
        self.taken.append(msgspec.json.decode(body, type=Alert))
        await asyncio.sleep(self.rng.uniform(0.005, 0.05))
        return "answer lost" if self.rng.random() < 0.05 else None


class World:
    """Everything of one simulation."""

    def __init__(self, story: Story, folder: Path, keep_log: bool = False) -> None:
        self.story = story
        self.folder = folder / "run"
        rngs = {
            name: random.Random(f"{name} {story.seed}") for name in ("net", "disk", "world", "hook", "back")
        }
        self.rng = rngs["world"]
        self.backoff_rng = rngs["back"]
        self.loop: VirtualLoop
        self.main: asyncio.Task[None]
        self.offset_ms = 0
        self.failures: list[str] = []
        self.injected: Counter[str] = Counter()
        self.in_flight: Counter[str] = Counter()
        self.broker = Broker(rngs["net"], self._watch)
        self.disk = Disk(rngs["disk"], self._committed, self._disk_fault, kill=self.kill)
        self.files = Files(rngs["disk"])
        self.receiver = Receiver(rngs["hook"])
        self.witness = Witness(self._acknowledging, self._publishing, self._connected, self._killed_by_ack)
        self.service: Service | None = None
        self.account: Account | None = None
        self.monitor: Life | None = None
        self.monitor_wire: Wire | None = None
        self.runs = 0
        self.sent: set[Identity] = set()
        self.durable: Counter[Identity] = Counter()
        self.arrived: set[Identity] = set()  # at the monitor, and acknowledged by it
        self.entered: list[str] = []  # serials that the clerk was told are entered
        self._identities: dict[tuple[str, bytes], Identity | None] = {}
        self.reader: sqlite3.Connection | None = None
        self._read_to = 0
        self._covered: dict[tuple[str, str, str, int], int] = {}
        self._killed = asyncio.Event()
        self._away_s = 1.0
        self._finishing = False
        self._kill_in_acks: int | None = None
        self._kill_at_snapshot: str | None = None
        self._on_start: int | None = None
        self._troubled_s = float("-inf")
        self._hash = hashlib.sha256()
        self.log: list[str] | None = [] if keep_log else None

    # -- clocks and the log --------------------------------------------------------------------------------------

    def wall_ms(self) -> int:
        """The host's wall clock."""
        return START_MS + round(self.loop.time() * 1000) + self.offset_ms

    def steady_ms(self) -> int:
        """The host's monotonic clock."""
        return round(self.loop.time() * 1000)

    def note(self, what: str, *more: Any) -> None:
        """Note an event; the hash over all of them tells whether two runs went the same way."""
        line = f"{self.loop.time():.6f} {what} {' '.join(map(str, more))}"
        self._hash.update(line.encode())
        if self.log is not None:
            self.log.append(line)

    @property
    def digest(self) -> str:
        """Hash of everything noted."""
        return self._hash.hexdigest()

    def fail(self, what: str) -> None:
        """Note that a promise was broken."""
        if len(self.failures) < 20:
            self.note("BROKEN", what)
            self.failures.append(what)

    # -- what is seen of messages --------------------------------------------------------------------------------

    def identity(self, topic: str, payload: bytes) -> Identity | None:
        """Of a tally or an error message; None for everything else."""
        if (topic, payload) not in self._identities:
            parsed = parse_topic(self.story.campaign.prefix, topic)
            found = None
            if parsed is not None and parsed.kind in {Kind.TALLY, Kind.ERROR}:
                with suppress(ContractError):
                    message = decode(parsed.kind, payload)
                    assert isinstance(message, Tally | ReadError)
                    number = message.seq if isinstance(message, Tally) else message.n
                    found = (parsed.rack, parsed.board, parsed.kind.value, message.boot, number)
            self._identities[topic, payload] = found
            return found
        return self._identities[topic, payload]

    def _watch(self, what: str, topic: str, payload: bytes) -> None:
        identity = self.identity(topic, payload)
        self.note(what, topic, identity[4] if identity else "")
        if what == "sent" and identity is not None:
            self.sent.add(identity)

    def _connected(self, wire: Wire) -> None:
        self.monitor_wire = wire
        self.note("monitor connected")

    def _committed(self) -> None:
        """Something was committed: read what is new with a connection of our own."""
        if self.reader is None:
            path = self.folder / FILE_NAME
            if not path.exists():
                return
            self.reader = sqlite3.connect(path, isolation_level=None, timeout=0)
        rows = self.reader.execute(
            "SELECT id, body FROM batch WHERE id > ? ORDER BY id", (self._read_to,)
        ).fetchall()
        for number, body in rows:
            self._read_to = number
            entries = unpack(body)
            self.note("durable", number, len(entries))
            for entry in entries:
                if isinstance(entry, Received) and not isinstance(entry.message, Presence):
                    message = entry.message
                    at = message.seq if isinstance(message, Tally) else message.n
                    topic = entry.topic
                    self.durable[topic.rack, topic.board, topic.kind.value, message.boot, at] += 1

    def _acknowledging(self, batch: Sequence[Delivery]) -> None:
        owner = life()
        if owner is not None and owner.dead:
            return
        self.note("acknowledges", *(each.mid for each in batch))
        for each in batch:
            identity = self.identity(each.topic, each.payload)
            if identity is not None:
                self.arrived.add(identity)
                if identity not in self.durable:
                    self.fail(f"acknowledged before it was on disk: {identity}")

    def _publishing(self, topic: str, payload: bytes) -> None:
        parsed = parse_topic(self.story.campaign.prefix, topic)
        if parsed is None or parsed.kind is not Kind.RECEIPT:
            self.fail(f"the monitor publishes on {topic}")
            return
        receipt = decode_receipt(payload)
        self.note("receipt", parsed.rack, sorted(receipt.boots))
        for boot, marks in receipt.boots.items():
            for kind, boards in (("tally", marks.tally), ("error", marks.error)):
                for board, mark in boards.items():
                    self._check_mark(parsed.rack, int(board), kind, boot, mark)

    def _check_mark(self, rack: str, board: int, kind: str, boot: str, mark: int) -> None:
        stream = (rack, boot, kind, board)
        for number in range(self._covered.get(stream, -1) + 1, mark + 1):
            identity = (rack, board, kind, boot, number)
            if identity not in self.durable and (self.story.with_storage or number == mark):
                self.fail(f"a receipt covers what is not on disk: {identity} of {mark}")
                return
        self._covered[stream] = max(mark, self._covered.get(stream, -1))

    def _disk_fault(self, kind: str) -> None:
        self._troubled_s = self.loop.time()
        self.note("disk fault", kind)

    # -- the monitor's host --------------------------------------------------------------------------------------

    def kill(self, owner: Life) -> None:
        """Kill -9 a process: it does nothing more."""
        if owner.dead:
            return
        self.note("killed", owner)
        owner.dead = True
        self.disk.drop_connections(owner)
        if owner is self.monitor:
            if self.monitor_wire is not None:
                self.monitor_wire.client_dies()
            self._killed.set()

    async def keep_snapshot(self, data: bytes) -> None:
        """Write the snapshot; the process may be killed before or after."""
        owner = life()
        await asyncio.sleep(self.rng.uniform(0.0, 0.05))
        at, self._kill_at_snapshot = self._kill_at_snapshot, None
        if at == "before" and owner is not None:
            self.kill(owner)
            await asyncio.Event().wait()
        self.files.write(data)
        self.note("snapshot", len(data))
        if at == "after" and owner is not None:
            self.kill(owner)
            await asyncio.Event().wait()
        await asyncio.sleep(self.rng.uniform(0.0, 0.05))
        if self.rng.random() < 0.5:
            self.files.sync()

    def _killed_by_ack(self) -> bool:
        if self._kill_in_acks is None:
            return False
        self._kill_in_acks -= 1
        if self._kill_in_acks > 0:
            return False
        self._kill_in_acks = None
        owner = life()
        if owner is not None:
            self.kill(owner)
        return True

    async def _run_host(self) -> None:
        """Start the monitor, and again whenever it was killed or gave up, until the simulation ends."""
        number = 0
        while True:
            number += 1
            owner = self.monitor = Life(f"monitor-{number}")
            self._killed.clear()
            self.monitor_wire = None
            self.service = None
            if self._on_start is not None:
                self.disk.kill_in, self.disk.kill_verb = self._on_start, None
                self._on_start = None
            self.note("starts", owner)
            task = self.loop.start(owner, host.serve(self))
            killed = asyncio.create_task(self._killed.wait())
            await asyncio.wait({task, killed}, return_when=asyncio.FIRST_COMPLETED)
            killed.cancel()
            self.service = None
            if not owner.dead:
                self._see_end(owner, task)
                if self._finishing and task.exception() is None:
                    return
            away_s, self._away_s = self._away_s, self.rng.uniform(0.3, 5.0)
            await asyncio.sleep(away_s)

    def _see_end(self, owner: Life, task: asyncio.Task[None]) -> None:
        """The monitor has ended by itself: cleanly, or because of a disk in trouble."""
        self.note("ended", owner, type(task.exception()).__name__)
        error = task.exception()
        left = self.loop.unfinished(owner)
        if left:
            self.fail(f"{owner} has ended but {len(left)} of its tasks have not: {left[:3]}")
        if error is None:
            return
        lately = self.loop.time() - self._troubled_s < 60
        if not (lately and isinstance(error, LifeboundError)):
            self.fail(f"{owner} ended with {error!r}{_roots(error)}")
            if self.log is not None:
                self.log += traceback.format_exception(error)
            self.main.cancel()  # it would only end so again

    async def _run_clerk(self) -> None:
        """Enter the dispositions, each until it is entered."""
        for number, (at_s, serial, cls) in enumerate(self.story.dispositions):
            await asyncio.sleep(max(0.0, at_s - self.loop.time()))
            for _ in range(200):
                if not (self.folder / FILE_NAME).exists():
                    await asyncio.sleep(10.0)
                    continue
                owner = Life(f"clerk-{number}")
                task = self.loop.start(owner, host.enter(self, serial, cls))
                while not task.done() and not owner.dead:
                    await asyncio.wait({task}, timeout=1.0)
                if owner.dead:  # the fault that was meant for the monitor hit it
                    continue
                error = task.exception()
                if error is None and task.result():
                    self.entered.append(serial)
                    self.note("entered", serial, cls)
                    break
                if error is not None and not isinstance(error, JournalError):
                    self.fail(f"the clerk ended with {error!r}")
                    break
                await asyncio.sleep(10.0)

    # -- faults --------------------------------------------------------------------------------------------------

    async def _run_fault(self, fault: Fault) -> None:
        await asyncio.sleep(max(0.0, fault.at_s - self.loop.time()))
        rng = random.Random(fault.seed)
        if not self._begin(fault, rng):
            return
        self.injected[fault.kind] += 1
        self.in_flight[fault.kind] += len(self.sent) - len(self.durable)
        self.note("FAULT", fault.kind, f"{fault.lasts_s:.1f}")
        if fault.kind in LASTING:
            await asyncio.sleep(fault.lasts_s)
            self._end(fault.kind)
        elif fault.kind.startswith("broker"):
            await asyncio.sleep(fault.lasts_s)
            self.broker.come_up()

    def _begin(self, fault: Fault, rng: random.Random) -> bool:  # noqa: PLR0911, PLR0912 - one fault a case
        """Make it happen; False when there is nothing that it could happen to."""
        monitor = self.monitor
        running = monitor is not None and not monitor.dead
        match fault.kind:
            case "monitor killed" | "power lost" | "monitor killed while it restores":
                if monitor is None or not running:
                    return False
                self._away_s = fault.lasts_s
                self.kill(monitor)
                if fault.kind == "power lost":
                    self.note("snapshot", self.files.lose_power())
                elif fault.kind == "monitor killed while it restores":
                    self._on_start = rng.randint(1, 30)
                    self._away_s = min(fault.lasts_s, 5.0)
            case "monitor killed at a statement":
                if not running:
                    return False
                self._away_s = fault.lasts_s
                self.disk.kill_in = rng.randint(1, 6)
                self.disk.kill_verb = rng.choice((None, "BEGIN", "INSERT", "COMMIT", "COMMIT"))
                self.disk.kill_when = rng.choice(("before", "after"))
            case "monitor killed while it acknowledges":
                self._away_s = fault.lasts_s
                self._kill_in_acks = rng.randint(1, 5)
            case "monitor killed while it keeps a snapshot":
                self._away_s = fault.lasts_s
                self._kill_at_snapshot = rng.choice(("before", "after"))
            case "monitor stopped":
                if self.service is None:
                    return False
                self._away_s = fault.lasts_s
                self.service.stop.set()
            case "broker killed" | "broker killed, sessions lost" | "broker restarted":
                if not self.broker.up:
                    return False
                if fault.kind == "broker restarted":
                    self.broker.restart()
                else:
                    lost = self.broker.kill(everything=fault.kind != "broker killed")
                    self.note("broker lost", lost)
            case "monitor cut off" | "monitor half open":
                wire = self.monitor_wire
                if wire is None or not wire.open:
                    return False
                wire.half_open() if fault.kind == "monitor half open" else wire.cut("connection reset")
            case "rack cut off" | "rack half open":
                wires = [w for w in self.broker.wires.values() if w is not self.monitor_wire]
                if not wires:
                    return False
                wire = rng.choice(wires)
                wire.half_open() if fault.kind == "rack half open" else wire.cut("connection reset")
            case "network down":
                self.broker.refuse = True
                for wire in list(self.broker.wires.values()):
                    wire.half_open() if rng.random() < 0.5 else wire.cut("network unreachable")
            case "network slow":
                self.broker.slow = rng.choice((10.0, 50.0))
            case "queue full":
                self.broker.max_queued = rng.choice((0, 1, 5, 20))
            case "delivered twice":
                self.broker.twice = rng.choice((0.1, 0.5, 1.0))
            case "disk full" | "input/output error" | "locked" | "read-only" | "false report":
                self.disk.trouble = TROUBLES[fault.kind]
            case "disk slow":
                self.disk.slow = rng.choice((20.0, 200.0))
            case "clock set":
                self.offset_ms += round(rng.uniform(-1, 1) * rng.choice((2_000, 3_600_000, 90_000_000)))
            case "snapshot lost":
                self.files.seen = self.files.durable = None
            case "webhook down":
                self.receiver.down = True
            case "webhook slow":
                self.receiver.slow = True
        return True

    def _end(self, kind: str) -> None:
        self.note("ends", kind)
        match kind:
            case "network down":
                self.broker.refuse = False
            case "network slow":
                self.broker.slow = 1.0
            case "queue full":
                self.broker.max_queued = 1_000_000
            case "delivered twice":
                self.broker.twice = 0.0
            case "disk slow":
                self.disk.slow = 1.0
            case "webhook down":
                self.receiver.down = False
            case "webhook slow":
                self.receiver.slow = False
            case _:
                self.disk.trouble = None

    # -- the whole -----------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Play the story to its end, and judge it."""
        tasks = [
            asyncio.create_task(self._run_fault(fault), name=f"fault {fault.kind}")
            for fault in self.story.faults
        ]
        saving = asyncio.create_task(self._save_for_ever())
        clerk = asyncio.create_task(self._run_clerk(), name="clerk")
        monitor = asyncio.create_task(self._run_host(), name="host")
        racks = asyncio.create_task(self._play())
        await asyncio.gather(*tasks)
        self._calm()
        truth = await racks
        await clerk
        await self._settle(truth)
        self._finishing = True
        while not monitor.done():
            if self.service is not None:
                self.service.stop.set()
            await asyncio.wait({monitor}, timeout=1.0)
        monitor.result()
        saving.cancel()
        self._committed()
        self.note("over")
        await judge(self, truth)

    def _calm(self) -> None:
        """The faults are over."""
        for kind in LASTING:
            self._end(kind)
        self.broker.come_up()
        self.disk.kill_in = self._kill_in_acks = self._kill_at_snapshot = self._on_start = None

    async def _play(self) -> Truth:
        return await publish(
            self.story.setup,
            self.story.options,
            BrokerPlace("broker.invalid", 1883),
            SPEED,
            asyncio.Event(),
            start_ms=START_MS,
            await_receipts=self.story.with_storage,
            settle_s=SETTLE_S,
            dial=dial_to(self.broker),
        )

    async def _save_for_ever(self) -> None:
        while True:
            await asyncio.sleep(self.story.save_every_s)
            if self.broker.up:
                self.broker.save()

    async def _settle(self, truth: Truth) -> None:
        """Wait until the broker holds nothing for the monitor, and the alerts that stand have been taken."""
        if self.story.with_storage and not (truth.delivery and truth.delivery.covered):
            self.fail(f"receipts never covered {truth.delivery}")
        for _ in range(600):
            if self._is_settled():
                return
            await asyncio.sleep(5.0)
        self.fail(f"at the end the broker holds {len(self.broker.held())}, not told: {self.missing_alerts()}")

    def _is_settled(self) -> bool:
        """The monitor has taken everything and folded everything, and told what there is to tell."""
        return (
            self.service is not None
            and not self.broker.held()
            and self.service.journal.position == self._read_to
            and not self.missing_alerts()
        )

    def missing_alerts(self) -> list[tuple[str, str]]:
        """Conditions that stand by the figures and that the receiver was not told of."""
        if self.service is None:
            return []
        now_ms = self.wall_ms()
        wanted = update([], self.service.recorder.account.figures(now_ms), now_ms)
        told = {(alert.kind, alert.subject) for alert in self.receiver.taken if alert.cleared_ms is None}
        return [(a.kind, a.subject) for a in wanted if (a.kind, a.subject) not in told]

    def disposed(self) -> list[Disposed]:
        """The dispositions in the journal, in its order."""
        assert self.reader is not None
        return [
            entry
            for (body,) in self.reader.execute("SELECT body FROM batch ORDER BY id").fetchall()
            for entry in unpack(body)
            if isinstance(entry, Disposed)
        ]

    def close(self) -> None:
        """Let go of everything."""
        if self.reader is not None:
            self.reader.close()
        self.disk.close()


def _roots(error: BaseException) -> str:
    if isinstance(error, BaseExceptionGroup):
        return " of " + ", ".join(f"{each!r}{_roots(each)}" for each in error.exceptions)
    return ""


def run_seed(seed: int, keep_log: bool = False) -> Outcome:
    """Play one seed from its beginning to its verdict."""
    story = make_story(seed)
    folder = Path(tempfile.mkdtemp(prefix="simulation-", dir=_memory()))
    logging.disable(logging.CRITICAL)
    collecting = gc.isenabled()
    gc.disable()
    loop = VirtualLoop(random.Random(f"loop {seed}"), BOUND_S, story.shuffle)
    asyncio.set_event_loop(loop)
    world = World(story, folder, keep_log)
    world.loop = loop
    try:
        with host.in_the_world(world):
            try:
                world.main = loop.create_task(world.run())
                loop.run_until_complete(world.main)
            except asyncio.CancelledError:
                pass  # given up, and said so
            except StuckError as error:
                world.fail(str(error))
            except Exception as error:
                world.fail(f"{type(error).__name__}: {error}")
                if keep_log:
                    logging.disable(logging.NOTSET)
                    raise
            finally:
                _end(world, loop)
        for complaint in loop.complaints:
            world.fail(f"asyncio complains: {complaint}")
        reference = world.sent if story.with_storage else world.arrived
        return Outcome(
            seed=seed,
            failures=world.failures,
            injected=world.injected,
            in_flight=world.in_flight,
            lost=len(reference - world.durable.keys()),
            doubled=sum(count - 1 for count in world.durable.values()),
            sent=len(world.sent),
            steps=loop.steps,
            virtual_s=loop.time(),
            digest=world.digest,
            log=world.log or [],
        )
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        logging.disable(logging.NOTSET)
        if collecting:
            gc.enable()


def _end(world: World, loop: VirtualLoop) -> None:
    """Bury what is left, and close."""
    world.close()
    loop.end_all()
    asyncio.set_event_loop(None)
    loop.close()


def _memory() -> str | None:
    """A file system in memory, where there is one."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None
