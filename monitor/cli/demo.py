"""``lifebound demo``: the whole line at once: embedded broker, simulated racks, service and view.

Service and racks run as processes of their own, each in its own session, so that Ctrl-C reaches only this one,
which then stops them in order: racks first, then the service, which takes its broker with it.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import TextIO

import msgspec

from monitor.cli.attach import Attached, show_until
from monitor.cli.display import Display
from monitor.cli.figures import figures_of_directory, print_figures
from monitor.figures import Figures
from monitor.journal import FILE_NAME
from monitor.service.rundir import ServiceNote, read_note
from shared.errors import InputError, UnavailableError
from shared.shown import escape
from simulator.truth import Truth

CAMPAIGN = "tern-a1-demo.toml"
_START_S = 30.0
_STOP_S = 20.0
_POLL_S = 0.05


def run(args: argparse.Namespace) -> int:
    """Run the demo to its end, or to Ctrl-C; print the final figures and where the run is kept."""
    folder = _run_directory(args.run)
    with resources.as_file(resources.files("monitor.campaign") / "examples" / CAMPAIGN) as campaign:
        ended = asyncio.run(_play(args, campaign, folder))
    if not ended and not (folder / FILE_NAME).exists():
        print("Stopped before anything was recorded.", file=sys.stderr)
        return 130
    figures = figures_of_directory(folder)
    print_figures(figures, as_json=args.json)
    out = sys.stderr if args.json else sys.stdout
    print(f"\nRun directory: {escape(str(folder))}", file=out)
    if not ended:
        print("Stopped before the end; these are the figures up to then.", file=out)
        return 130
    return _compare(figures, folder / "truth.json", out)


async def _play(args: argparse.Namespace, campaign: Path, folder: Path) -> bool:
    """Play the campaign; whether it came to its end."""
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):  # the children have sessions of their own
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    serve = ["serve", str(campaign), "--broker", "embedded:0", "--run", str(folder), "--http", "127.0.0.1:0"]
    with _child(serve, folder / "service.log") as service:
        note = await _listening(service, folder, stop)
        if note is None:
            return False
        simulate = ["simulate", str(campaign), "--broker", note.broker, "--truth", str(folder / "truth.json")]
        simulate += ["--preset", "demo", "--hours", f"{args.hours:g}", "--speed", f"{args.speed:g}"]
        simulate += ["--seed", str(args.seed)]
        with (
            _child(simulate, folder / "simulator.log") as racks,
            Display(plain=args.plain or args.json, quiet=args.json) as display,
        ):
            await show_until(
                Attached(note.http),
                display,
                lambda: stop.is_set() or racks.poll() is not None or service.poll() is not None,
            )
            ended = racks.poll() == 0
    if service.returncode != 0 and not stop.is_set():
        raise UnavailableError(f"the service ended by itself; see {folder / 'service.log'}")
    if not ended and not stop.is_set():
        raise UnavailableError(f"the simulated racks ended early; see {folder / 'simulator.log'}")
    return ended


async def _listening(
    service: subprocess.Popen[bytes], folder: Path, stop: asyncio.Event
) -> ServiceNote | None:
    """Wait until the service says where it listens; None when told to stop before."""
    deadline = time.monotonic() + _START_S
    while not stop.is_set():
        note = read_note(folder)
        if note is not None and note.pid == service.pid:
            return note
        if service.poll() is not None or time.monotonic() > deadline:
            raise UnavailableError(f"the service did not start; see {folder / 'service.log'}")
        await asyncio.sleep(_POLL_S)
    return None


@contextmanager
def _child(command: list[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A command of ours in a process of its own, stopped at the end of the block."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", *command],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
        try:
            process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _run_directory(given: str | None) -> Path:
    try:
        if given is None:
            Path("runs").mkdir(exist_ok=True)
            return Path(tempfile.mkdtemp(prefix="demo-", dir="runs"))
        folder = Path(given)
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise InputError(f"{given or 'runs'}: cannot make the run directory ({error.strerror})") from error
    if any(folder.iterdir()):
        raise InputError(f"--run {given}: not empty; give a new directory")
    return folder


def _compare(figures: Figures, truth_file: Path, out: TextIO) -> int:
    """Hold the account against what the simulated racks say really happened."""
    truth = msgspec.json.decode(truth_file.read_bytes(), type=Truth)
    same = (
        {f.serial for f in figures.failures} == {chip.serial for chip in truth.chips if chip.failed}
        and figures.reads.total == truth.totals.reads
        and figures.reads.errors == truth.totals.errors
    )
    verdict = "agrees with" if same else "DIFFERS from"
    print(
        f"The account {verdict} what the simulated racks really did: {truth.totals.failed} failed chips, "
        f"{truth.totals.reads} reads, {truth.totals.errors} failed reads.",
        file=out,
    )
    return 0 if same else 1
