"""How long an absence of the monitor the shipped broker configuration covers, measured: ``make absence``.

For each payload: a real mosquitto with the shipped files (only port, paths and passwords replaced), the monitor's
durable session made by the link itself; the monitor goes away; tallies are published at QoS 1 until the broker drops;
the monitor comes back and counts what is delivered. The table goes into ``config/mosquitto/README.md``.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.intake.link import Address, AiomqttLink, Delivery, LinkLostError, connect
from shared.messages import Tally, encode
from shared.quantities import MAX_PAYLOAD_BYTES
from shared.topics import subscriptions
from tests.config.shipped import SHIPPED, configuration, write_passwords

README = SHIPPED / "README.md"
BEGIN, END = "<!-- measured: make absence -->", "<!-- end of what is measured -->"
RATES_PER_S = (1.2, 10.0, 100.0)
FIRST = 100_000  # so that every number has six digits, and every payload the same length
RACK, MONITOR = "oven-1", "monitor"
DROPPED = "Outgoing messages are being dropped"
WINDOW = 500
BOUND_S = 60.0
QUIET_S = 2.0


@dataclass(frozen=True)
class Measured:
    """What one payload gave.

    ``silent_s``: the longest that the broker answered nothing while the queue grew; ``saved_s``: the time of a save at
    the full queue; sizes in 2^20 bytes.
    """

    what: str
    payload_bytes: int
    kept: int
    limit: str
    published: int
    resident_mib: float
    database_mib: float
    silent_s: float
    saved_s: float
    drained_per_s: float


def tally(sockets: int, seq: int) -> bytes:
    """A tally late in a campaign: counters of ten digits."""
    up_ms = 3_000_000_000
    return encode(
        Tally(
            v=1,
            boot="7f3a9c52e1d04b68",
            seq=seq,
            t_ms=1_767_250_800_000,
            up_ms=up_ms + seq,
            temp_c=125.25,
            supply_v=3.625,
            reads=[1_000_000_000] * sockets,
            errors=[0] * sockets,
        )
    )


def longest(seq: int) -> bytes:
    """The longest payload of the contract: a tally with an unknown field, which is ignored."""
    body = tally(64, seq)
    return body[:-1] + b',"note":"' + b"x" * (MAX_PAYLOAD_BYTES - len(body) - 10) + b'"}'


@dataclass
class Broker:
    """A mosquitto of our own."""

    port: int
    folder: Path
    password: str
    process: subprocess.Popen[bytes]

    def resident_mib(self) -> float:
        """Its resident memory."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS")) / 1024

    def database_mib(self) -> float:
        """The size of what it has saved."""
        return (self.folder / "database" / "mosquitto.db").stat().st_size / 2**20

    def drops(self) -> bool:
        """Whether its log says that it drops messages."""
        return DROPPED in (self.folder / "mosquitto.log").read_text()

    def address(self) -> Address:
        """Where the monitor finds it."""
        return Address("127.0.0.1", self.port, username=MONITOR, password=self.password)


def tool(name: str) -> str:
    """A program of the system."""
    path = shutil.which(name, path=os.environ.get("PATH", os.defpath) + os.pathsep + "/usr/sbin")
    if path is None:
        sys.exit(f"{name} is not installed: apt install mosquitto")
    return path


@contextmanager
def broker() -> Iterator[Broker]:
    """The shipped configuration, running."""
    port = _free_port()
    with tempfile.TemporaryDirectory(prefix="absence-") as name:
        folder, password = Path(name), secrets.token_urlsafe(12)
        write_passwords(folder / "passwd", tool("mosquitto_passwd"), {MONITOR: password, RACK: password})
        text = configuration(port, folder, folder / "passwd")
        # Started by root, it would become a user that cannot read this folder.
        (folder / "conf").write_text(f"{text}\nuser {Path(name).owner()}\n")
        process = subprocess.Popen([tool("mosquitto"), "-c", folder / "conf"], stderr=subprocess.DEVNULL)
        try:
            yield Broker(port, folder, password, process)
        finally:
            process.terminate()
            process.wait(BOUND_S)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Publisher:
    """A rack that publishes as fast as the broker takes it, at most WINDOW under way."""

    def __init__(self, where: Broker) -> None:
        self.published = 0
        self.silent_s = 0.0
        self._room = threading.Semaphore(WINDOW)
        self._last_s = time.monotonic()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=RACK, protocol=paho.MQTTv5)
        self._client.username_pw_set(RACK, where.password)
        self._client.max_inflight_messages_set(WINDOW)
        self._client.on_publish = self._taken
        self._client.connect("127.0.0.1", where.port)
        self._client.loop_start()

    def _taken(self, *_: object) -> None:
        now_s = time.monotonic()
        self.silent_s = max(self.silent_s, now_s - self._last_s)
        self._last_s = now_s
        self._room.release()

    def publish(self, payload: bytes) -> None:
        """Publish once there is room under way."""
        if not self._room.acquire(timeout=BOUND_S):
            sys.exit("the broker takes nothing any more")
        self.published += 1
        self._client.publish(f"lifebound/{RACK}/1/tally", payload, qos=1)

    def settle(self) -> None:
        """Wait until all is acknowledged."""
        for _ in range(WINDOW):
            self._room.acquire(timeout=BOUND_S)
        for _ in range(WINDOW):
            self._room.release()
        self._last_s = time.monotonic()

    def end(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()


async def session(where: Broker) -> None:
    """Make the monitor's durable session, and go away."""
    deadline_s = time.monotonic() + BOUND_S
    while True:
        try:
            async with connect(where.address(), "lifebound-absence", subscriptions("lifebound")):
                return
        except LinkLostError:  # it starts
            if time.monotonic() > deadline_s:
                raise
            await asyncio.sleep(0.1)


async def drained(where: Broker) -> tuple[list[int], float]:
    """The numbers that come, in the order in which each came first, until nothing more does; and how many a second."""
    numbers: dict[int, None] = {}
    start_s = last_s = time.monotonic()
    while True:
        try:
            async with connect(where.address(), "lifebound-absence", subscriptions("lifebound")) as link:
                while batch := await _next(link):
                    numbers |= dict.fromkeys(_number(delivery.payload) for delivery in batch)
                    link.acknowledge(batch)
                    last_s = time.monotonic()
                return list(numbers), len(numbers) / (last_s - start_s)
        except LinkLostError as error:  # a save that takes long; what was not acknowledged comes again
            print(f"the monitor connects again: {error}", flush=True)


async def _next(link: AiomqttLink) -> list[Delivery]:
    """The next messages; none when the broker answers and has no more."""
    coming = asyncio.ensure_future(link.batch())
    for _ in range(2):
        if (await asyncio.wait({coming}, timeout=QUIET_S))[0]:
            return coming.result()
        # It is empty, or the broker saves: its acknowledgement comes behind all else.
        await link.publish(f"lifebound/{RACK}/receipt", b"{}", retain=False)
    coming.cancel()
    return []


def _number(payload: bytes) -> int:
    return int(payload.partition(b'"seq":')[2].partition(b",")[0])


def measure(what: str, payload_of: Callable[[int], bytes]) -> Measured:
    """Fill the queue with one kind of payload, and empty it."""
    with broker() as where:
        asyncio.run(session(where))
        rack = Publisher(where)
        while rack.published % 1000 or not where.drops():
            rack.publish(payload_of(FIRST + rack.published))
        rack.settle()
        silent_s, saved_s = rack.silent_s, _saving_s(where, rack, payload_of(FIRST + rack.published))
        rack.end()
        resident, database = where.resident_mib(), where.database_mib()
        numbers, per_s = asyncio.run(drained(where))
    kept, size = len(numbers), len(payload_of(FIRST))
    assert numbers == list(range(FIRST, FIRST + kept)), "the oldest are kept, in order, once each"
    assert kept < rack.published, "something was dropped"
    limit = "messages" if kept >= setting("max_queued_messages") else "bytes"
    return Measured(what, size, kept, limit, rack.published, resident, database, silent_s, saved_s, per_s)


def _saving_s(where: Broker, rack: Publisher, payload: bytes) -> float:
    """How long a save keeps the broker from answering."""
    start_s = time.monotonic()
    where.process.send_signal(signal.SIGUSR1)  # save now
    time.sleep(0.1)  # so that it comes before the message
    rack.publish(payload)
    rack.settle()
    return time.monotonic() - start_s


def setting(name: str) -> int:
    """A number of the shipped configuration."""
    text = (SHIPPED / "mosquitto.conf").read_text("utf-8")
    return int(text.partition(f"\n{name} ")[2].split()[0])


def table(rows: list[Measured]) -> str:
    """The section of the README."""
    usage = subprocess.run([tool("mosquitto"), "-h"], check=False, capture_output=True, text=True).stdout
    mosquitto = usage.partition("\n")[0]
    hours = " | ".join(f"hours at {rate:g}/s" for rate in RATES_PER_S)
    lines = [
        BEGIN,
        f"| payload | bytes | messages kept | bytes kept | limit | {hours} |",
        "| --- | ---: | ---: | ---: | --- |" + " ---: |" * len(RATES_PER_S),
    ]
    for row in rows:
        covered = " | ".join(f"{row.kept / rate / 3600:,.1f}" for rate in RATES_PER_S)
        lines.append(
            f"| {row.what} | {row.payload_bytes} | {row.kept} | {row.kept * row.payload_bytes} "
            f"| {row.limit} | {covered} |"
        )
    lines += [
        "",
        "At the full queue, on the machine of the measurement:",
        "",
        "| payload, bytes | published | resident memory, MiB | database, MiB | longest silence, s | last save, s "
        "| taken back, messages/s |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {row.payload_bytes} | {row.published} | {row.resident_mib:,.0f} | {row.database_mib:,.0f} "
        f"| {row.silent_s:.1f} | {row.saved_s:.1f} | {row.drained_per_s:,.0f} |"
        for row in rows
    ]
    lines += [
        "",
        f"Measured by `make absence` on {datetime.now(UTC):%Y-%m-%d}: {mosquitto}, paho-mqtt {version('paho-mqtt')}, "
        f"aiomqtt {version('aiomqtt')}, Python {sys.version.split()[0]}; {os.cpu_count()} processors, "
        f"load average {os.getloadavg()[2]:.1f}, that is, shared with other work.",
        END,
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure, and write the table."""
    rows = []
    for what, payload_of in (
        ("tally of 20 sockets", lambda seq: tally(20, seq)),
        ("tally of 64 sockets", lambda seq: tally(64, seq)),
        ("longest the contract allows", longest),
    ):
        rows.append(measure(what, payload_of))
        print(rows[-1], flush=True)
    readme = README.read_text("utf-8")
    before, _, rest = readme.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not end:
        sys.exit(f"{README.name} has no place for the table: {BEGIN} ... {END}")
    README.write_text(before + table(rows) + after, "utf-8")


if __name__ == "__main__":
    main()
