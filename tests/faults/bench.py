"""A campaign for real, to be disturbed: mosquitto, a proxy, the service (under the shim) and the racks as processes."""

from __future__ import annotations

import contextlib
import json
import os
import pwd
import socket
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.conftest import Broker
from tests.faults.feed import START_MS, Feed
from tests.faults.proxy import Proxy, proxy_to
from tests.faults.shim import Shim
from tests.faults.verdict import Ordered, Verdict, truth_of, undisturbed, verdict_on
from tests.service.running import Document, Program, Programs, Service, programs_in, write_campaign

REPORT_S = 60  # between two tallies of a board
HOLD_S = 24 * 3600  # nothing is given up as a gap: racks send again by the second, and simulated hours fly


@dataclass
class Bench:
    """Everything of one campaign; ``run_dir`` is the service's, which may know it by another path."""

    folder: Path
    campaign: Path
    broker: Broker
    programs: Programs
    proxy: Proxy
    shim: Shim
    run_dir: Path
    through: Sequence[str] = ()  # a command that starts the service
    served_dir: Path | None = None

    @property
    def url(self) -> str:
        """The broker itself, past the proxy."""
        return f"mqtt://127.0.0.1:{self.broker.port}"

    async def serve(self, url: str | None = None) -> Service:
        """Start the service, through the proxy unless told otherwise."""
        return await self.programs.serve(
            self.campaign,
            self.run_dir,
            url or self.proxy.url,
            environment=self.shim.environment(),
            through=self.through,
            called=self.served_dir,
        )

    def racks(self, ordered: Ordered, *more: str, url: str | None = None) -> Program:
        """Start the racks, straight to the broker unless told otherwise."""
        return self.programs.start(
            "simulate", self.campaign, "--broker", url or self.url, *ordered.arguments(), *more
        )

    async def figures(self) -> Document:
        """The figures of the run directory, made by a process of its own."""
        figures = await self.programs.run("figures", "--run", self.run_dir, "--json")
        document: Document = json.loads(figures.stdout())
        return document

    def feed(self, ordered: Ordered) -> Feed:
        """The messages of the racks, to be published by the test itself."""
        return Feed.of(self.campaign, ordered, self.broker.port)

    async def verdict_on_feed(self, feed: Feed, ordered: Ordered) -> Verdict:
        """What came of what was fed, once the service has ended."""
        expected = undisturbed(self.campaign, ordered, START_MS)
        return verdict_on(self.run_dir, await self.figures(), feed.truth, expected, receipts=False)

    async def verdict(self, racks: Program, ordered: Ordered, *, receipts: bool = True) -> Verdict:
        """What came of it, once racks and service have ended."""
        truth = truth_of(racks.stdout())
        expected = undisturbed(self.campaign, ordered, truth["start_ms"])
        return verdict_on(self.run_dir, await self.figures(), truth, expected, receipts=receipts)


@contextlib.asynccontextmanager
async def bench(
    folder: Path, mosquitto: str, faultshim: Path, *, persistent: bool = True, more: str = ""
) -> AsyncIterator[Bench]:
    """A bench in ``folder``, with the broker running; everything on it is ended with it."""
    campaign = _prepared(folder)
    broker = broker_in(mosquitto, folder, persistent=persistent, more=more)
    broker.start()
    try:
        async with proxy_to(broker.port) as proxy, programs_in(folder) as programs:
            run_dir = folder / "run"
            shim = Shim(faultshim, run_dir, folder / "control")
            yield Bench(folder, campaign, broker, programs, proxy, shim, run_dir)
    finally:
        broker.stop()


def _prepared(folder: Path) -> Path:
    """Make the folder, and the campaign file in it."""
    folder.mkdir(parents=True, exist_ok=True)
    return write_campaign(folder, report_interval_s=REPORT_S, max_gap_s=3 * REPORT_S, reorder_hold_s=HOLD_S)


def broker_in(mosquitto: str, folder: Path, *, persistent: bool = True, more: str = "") -> Broker:
    """A broker that queues much; a persistent one saves its database every second."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    database = folder / "broker"
    database.mkdir()
    keeps = f"persistence true\npersistence_location {database}/\nautosave_interval 1\n"
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 200000\n"
        f"user {pwd.getpwuid(os.geteuid()).pw_name}\n"
        + (keeps if persistent else "persistence false\n")
        + more
    )
    return Broker(mosquitto, config, port, folder / "mosquitto.log")
