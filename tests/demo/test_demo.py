"""The demo as a process: it ends by itself with an account that agrees with the truth, and Ctrl-C stops all of it."""

from __future__ import annotations

import os
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import msgspec

BOUND_S = 90.0
POLL_S = 0.05


def start(*options: str) -> subprocess.Popen[str]:
    """The demo with its output piped, as in CI."""
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "demo", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def alive(pid: int) -> bool:
    """Whether a process still runs (a zombie does not)."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def test_demo_ends_by_itself_and_agrees_with_the_truth(tmp_path: Path) -> None:
    demo = start("--hours", "60", "--run", str(tmp_path / "run"))
    out, _ = demo.communicate(timeout=BOUND_S)
    assert demo.returncode == 0, out
    assert "The account agrees with what the simulated racks really did" in out
    assert f"Run directory: {tmp_path / 'run'}" in out
    assert "\x1b" not in out
    assert stat.S_IMODE((tmp_path / "run").stat().st_mode) == 0o700
    truth = msgspec.json.decode((tmp_path / "run" / "truth.json").read_bytes())
    assert truth["delivery"]["covered"] is True
    assert f"{truth['totals']['reads']} reads" in out


def test_interrupt_stops_broker_service_and_racks(tmp_path: Path) -> None:
    run = tmp_path / "run"
    demo = start("--run", str(run))
    try:
        deadline = time.monotonic() + BOUND_S
        while not (run / "service.json").exists():
            assert time.monotonic() < deadline, "the service did not start"
            time.sleep(POLL_S)
        note = msgspec.json.decode((run / "service.json").read_bytes())
        port = int(note["broker"].rsplit(":", 1)[1].split("?")[0])
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", port)) == 0, "the broker is not there"
        os.kill(demo.pid, signal.SIGINT)
        out, _ = demo.communicate(timeout=BOUND_S)
    finally:
        if demo.poll() is None:
            demo.kill()
    assert demo.returncode == 130, out
    assert "Stopped before the end" in out
    assert not alive(note["pid"])
    assert not (run / "service.json").exists()
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0, "the broker is still there"
