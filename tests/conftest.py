"""Fixtures for every test: tools of the system, and a mosquitto broker of one's own on a free port of 127.0.0.1."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Drawn examples are the same in every run, and no test is judged by how long it takes.
settings.register_profile(
    "lifebound", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("lifebound")

START_BOUND_S = 10.0
STOP_BOUND_S = 20.0


@dataclass
class Broker:
    """One mosquitto process. ``stop`` and ``restart`` reach it by its pid; its configuration stays the same."""

    executable: str
    config: Path
    port: int
    log: Path
    host: str = "127.0.0.1"
    _process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    @property
    def pid(self) -> int:
        assert self._process is not None, "the broker is not running"
        return self._process.pid

    def start(self) -> None:
        """Start it and wait, within bounds, until it answers on its port."""
        assert self._process is None, "the broker is running already"
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [self.executable, "-c", str(self.config)], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        deadline = time.monotonic() + START_BOUND_S
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > deadline:
                self.stop(signal.SIGKILL)
                pytest.fail(f"mosquitto did not start:\n{self.log.read_text()}")
            time.sleep(0.01)  # the pause of a bounded poll

    def stop(self, sig: signal.Signals = signal.SIGTERM) -> None:
        """Send ``sig`` and wait until it is gone; nothing to do when it is not running."""
        if self._process is None:
            return
        process, self._process = self._process, None
        process.send_signal(sig)
        try:
            process.wait(STOP_BOUND_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(STOP_BOUND_S)
            raise

    def restart(self, sig: signal.Signals = signal.SIGTERM) -> None:
        """Stop it with ``sig`` and start it again on the same port, configuration and database."""
        self.stop(sig)
        self.start()

    def _answers(self) -> bool:
        try:
            with socket.create_connection((self.host, self.port), timeout=1):
                return True
        except OSError:
            return False


@pytest.fixture(scope="session")
def tool() -> Callable[[str], str]:
    """Path of a program of the system. A test that asks for one that is not there skips, or fails under CI."""

    def find(name: str) -> str:
        path = shutil.which(name, path=os.environ.get("PATH", os.defpath) + os.pathsep + "/usr/sbin")
        if path is None:
            reason = f"{name} is not installed"
            if os.environ.get("LIFEBOUND_REQUIRE_TOOLS"):
                pytest.fail(f"{reason}, and LIFEBOUND_REQUIRE_TOOLS is set")
            pytest.skip(reason)
        return path

    return find


@pytest.fixture
def start_mosquitto(
    tool: Callable[[str], str], tmp_path: Path
) -> Iterator[Callable[[Callable[[int], str]], Broker]]:
    """Start a broker on a free port, with the configuration that a function of the port returns."""
    executable = tool("mosquitto")
    started: list[Broker] = []

    def start(configuration: Callable[[int], str]) -> Broker:
        port = _free_port()
        name = f"mosquitto-{len(started)}"
        config = tmp_path / f"{name}.conf"
        # Started by root, mosquitto would become a user that cannot read a test's private directory.
        config.write_text(f"{configuration(port)}\nuser {pwd.getpwuid(os.geteuid()).pw_name}\n")
        broker = Broker(executable, config, port, tmp_path / f"{name}.log")
        started.append(broker)
        broker.start()
        return broker

    yield start
    for broker in started:
        broker.stop()


@pytest.fixture
def mosquitto(start_mosquitto: Callable[[Callable[[int], str]], Broker], tmp_path: Path) -> Broker:
    """A running broker that lets everybody in, keeps its database and queues much for a client that is away."""
    database = tmp_path / "mosquitto-database"
    database.mkdir()
    return start_mosquitto(
        lambda port: (
            f"listener {port} 127.0.0.1\n"
            "allow_anonymous true\n"
            "persistence true\n"
            f"persistence_location {database}/\n"
            "autosave_interval 1\n"
            "max_queued_messages 200000\n"
        )
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
