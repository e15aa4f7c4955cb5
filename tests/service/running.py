"""The real command line as processes of a test: started, waited for within bounds, and ended by their pid."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiohttp
from aiohttp import web

from monitor.journal import FILE_NAME
from monitor.journal.codec import unpack
from shared.entries import Entry, Received
from shared.messages import ReadError, Tally

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "monitor" / "campaign" / "examples" / "tern-a1.toml"
BOUND_S = 60.0  # far above what any step takes, so that a broken one ends

Document = dict[str, Any]


@contextlib.asynccontextmanager
async def listening(
    path: str, hear: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> AsyncIterator[str]:
    """A receiver of POST requests on a free port of 127.0.0.1; gives its address."""
    app = web.Application()
    app.add_routes([web.post(path, hear)])
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        yield f"http://127.0.0.1:{runner.addresses[0][1]}{path}"
    finally:
        await runner.cleanup()


@dataclass
class Program:
    """One process of the command line; its output goes to files beside the test's own."""

    popen: subprocess.Popen[bytes]
    out: Path
    err: Path

    @property
    def pid(self) -> int:
        return self.popen.pid

    def send(self, number: signal.Signals) -> None:
        self.popen.send_signal(number)

    async def ended(self) -> int:
        """Its exit code."""
        await until(lambda: self.popen.poll() is not None, lambda: f"it runs on: {self}")
        return self.popen.returncode

    def stdout(self) -> bytes:
        return self.out.read_bytes()

    def stderr(self) -> str:
        return self.err.read_text()

    def __str__(self) -> str:
        return f"{self.popen.args}\n{self.stdout().decode()[-2000:]}\n{self.stderr()[-4000:]}"


@dataclass
class Programs:
    """Starts programs in one folder, and ends those that are left."""

    folder: Path
    started: list[Program] = field(default_factory=list)

    def start(
        self, *args: str | Path, environment: Mapping[str, str] | None = None, through: Sequence[str] = ()
    ) -> Program:
        """Start ``lifebound ARGS`` in a process group of its own, as a shell does.

        ``environment`` is added to its own; ``through`` is a command that starts it (and becomes it).
        """
        name = f"{len(self.started)}-{args[0]}"
        out, err = self.folder / f"{name}.out", self.folder / f"{name}.err"
        inherited = {k: v for k, v in os.environ.items() if not k.startswith("LIFEBOUND_")}
        with out.open("wb") as out_file, err.open("wb") as err_file:
            popen = subprocess.Popen(
                [*through, sys.executable, "-m", "monitor.cli", *map(str, args)],
                cwd=ROOT,
                env={**inherited, **(environment or {})},
                stdin=subprocess.DEVNULL,
                stdout=out_file,
                stderr=err_file,
                start_new_session=True,
            )
        program = Program(popen, out, err)
        self.started.append(program)
        return program

    async def run(self, *args: str | Path, code: int = 0) -> Program:
        """Run ``lifebound ARGS`` to its end, which must be ``code``."""
        program = self.start(*args)
        assert await program.ended() == code, str(program)
        return program

    async def serve(
        self,
        campaign: Path,
        run_dir: Path,
        broker: str,
        *more: str,
        environment: Mapping[str, str] | None = None,
        through: Sequence[str] = (),
        called: Path | None = None,
    ) -> Service:
        """Start the service and wait until it listens; ``called`` is what it knows ``run_dir`` by, if not by that."""
        run = called or run_dir
        args = ("serve", campaign, "--run", run, "--broker", broker, "--http", "127.0.0.1:0", *more)
        program = self.start(*args, environment=environment, through=through)
        await until(
            lambda: note_of(run_dir).get("pid") == program.pid or program.popen.poll() is not None,
            lambda: f"it does not start: {program}",
        )
        assert program.popen.poll() is None, str(program)
        return Service(program, run_dir, note_of(run_dir)["http"])

    def end(self) -> None:
        """End what still runs."""
        for program in self.started:
            if program.popen.poll() is None:
                program.send(signal.SIGTERM)
        for program in self.started:
            try:
                program.popen.wait(15)
            except subprocess.TimeoutExpired:
                program.popen.kill()
                program.popen.wait()


@dataclass
class Service:
    """A service that listens."""

    program: Program
    run_dir: Path
    url: str

    async def get(self, path: str) -> Answer:
        async with aiohttp.ClientSession() as http, http.get(self.url + path) as answer:
            return Answer(answer.status, dict(answer.headers), await answer.read())

    async def figures(self) -> Document:
        document: Document = json.loads((await self.get("/v1/figures")).body)
        return document

    async def ready(self) -> None:
        async def is_ready() -> bool:
            return (await self.get("/readyz")).status == 200

        await until(is_ready, lambda: f"it does not get ready: {self.program}")

    async def accepted(self, count: int) -> None:
        """Wait until so many messages are accepted."""

        async def enough() -> bool:
            return int((await self.figures())["intake"]["accepted"]) >= count

        trouble = f"fewer than {count} messages accepted"
        await until(enough, lambda: f"{trouble}: {self.program}", every_s=0.2)  # the document is large

    async def stop(self, number: signal.Signals = signal.SIGTERM, code: int = 0) -> None:
        """Ask it to stop; it must do so in order, with exit code ``code``."""
        self.program.send(number)
        assert await self.program.ended() == code, str(self.program)
        assert note_of(self.run_dir) == {}

    async def kill(self) -> None:
        """As the out-of-memory killer does."""
        self.program.send(signal.SIGKILL)
        assert await self.program.ended() == -signal.SIGKILL


@dataclass(frozen=True)
class Answer:
    """What HTTP answered."""

    status: int
    headers: dict[str, str]
    body: bytes


async def until(
    condition: Callable[[], bool | Awaitable[bool]],
    trouble: Callable[[], str],
    bound_s: float = BOUND_S,
    every_s: float = 0.03,
) -> None:
    """Wait until ``condition`` holds; after ``bound_s`` fail and tell the trouble."""
    loop = asyncio.get_running_loop()
    deadline_s = loop.time() + bound_s
    while True:
        holds = condition()
        if not isinstance(holds, bool):
            holds = await holds
        if holds:
            return
        assert loop.time() < deadline_s, trouble()
        await asyncio.sleep(every_s)  # the pause of a bounded poll


def note_of(run_dir: Path) -> Document:
    """The service's note in its run directory; empty when there is none."""
    try:
        note: Document = json.loads((run_dir / "service.json").read_bytes())
    except FileNotFoundError:
        return {}
    return note


def write_campaign(folder: Path, **stress: float) -> Path:
    """The example campaign (12 boards, 231 chips) with other numbers in its [stress] table."""
    text = EXAMPLE.read_text()
    for key, value in stress.items():
        text, count = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
        assert count == 1, key
    path = folder / "tern.toml"
    path.write_text(text)
    return path


def journalled(run_dir: Path, after: int = 0) -> Iterator[tuple[int, list[Entry]]]:
    """What is on disk, read by a connection of our own: (number of the batch, entries)."""
    with closing(sqlite3.connect(f"file:{run_dir / FILE_NAME}?mode=ro", uri=True)) as db:
        rows = db.execute("SELECT id, body FROM batch WHERE id > ? ORDER BY id", (after,)).fetchall()
    for number, body in rows:
        yield number, unpack(body)


def identities(run_dir: Path) -> list[tuple[str, int, str, str, int]]:
    """Rack, board, kind, boot and number of every tally and error message on disk."""
    return [
        (e.topic.rack, e.topic.board, e.topic.kind.value, e.message.boot, number)
        for _, entries in journalled(run_dir)
        for e in entries
        if isinstance(e, Received) and isinstance(e.message, Tally | ReadError)
        for number in [e.message.seq if isinstance(e.message, Tally) else e.message.n]
    ]


def equals_truth(figures: Document, truth: Document) -> None:
    """The figures say of failures and reads exactly what really happened."""
    failed = [chip for chip in truth["chips"] if chip["failed"]]
    assert failed, "a truth without failures proves little"
    keys = ("serial", "lot", "rack", "board", "socket", "boot", "up_ms", "t_ms")
    assert sorted([f[key] for key in keys] for f in figures["failures"]) == sorted(
        [chip[key] for key in keys] for chip in failed
    )
    assert figures["reads"]["total"] == truth["totals"]["reads"]
    assert figures["reads"]["errors"] == truth["totals"]["errors"]
    assert figures["chips"]["failed"] + figures["chips"]["not_relevant"] == truth["totals"]["failed"]
    intake = figures["intake"]
    assert (
        intake["gaps"] == intake["waiting"] == intake["late"] == intake["conflicts"] == intake["invalid"] == 0
    )
    loss = figures["exposure"]["uncredited_h"]
    assert loss["unwitnessed"] == loss["counter"] == loss["not_reading"] == 0


@contextlib.asynccontextmanager
async def programs_in(folder: Path) -> AsyncIterator[Programs]:
    """Programs of one test, all ended with it."""
    programs = Programs(folder)
    try:
        yield programs
    finally:
        programs.end()
