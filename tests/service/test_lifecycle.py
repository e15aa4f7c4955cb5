"""How the service starts, what keeps it from starting, and that it stops cleanly and leaves nothing behind."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from tests.service.running import BOUND_S, Programs, note_of, programs_in, until, write_campaign

pytestmark = pytest.mark.timeout(120)


@pytest_asyncio.fixture
async def programs(tmp_path: Path) -> AsyncIterator[Programs]:
    async with programs_in(tmp_path) as programs:
        yield programs


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    return write_campaign(tmp_path)


@pytest.fixture
def other_campaign(campaign: Path) -> Path:
    other = campaign.with_name("other.toml")
    other.write_text(campaign.read_text().replace("target_fit = 50", "target_fit = 51"))
    return other


@pytest.fixture
def nobody() -> str:
    """The URL of a broker that is not there."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"mqtt://127.0.0.1:{probe.getsockname()[1]}"


def children_of(pid: int) -> list[int]:
    return [
        int(p)
        for task in Path(f"/proc/{pid}/task").iterdir()
        for p in (task / "children").read_text().split()
    ]


def runs(pid: int) -> bool:
    with contextlib.suppress(FileNotFoundError, ProcessLookupError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def signal_group(pid: int, number: signal.Signals) -> None:
    """As a terminal does on Ctrl-C: every process of the group hears it."""
    os.killpg(os.getpgid(pid), number)


async def test_it_stops_cleanly_on_sigint(
    mosquitto: Any, programs: Programs, campaign: Path, tmp_path: Path
) -> None:
    service = await programs.serve(campaign, tmp_path / "run", f"mqtt://127.0.0.1:{mosquitto.port}")
    await service.ready()
    await service.stop(signal.SIGINT)
    assert sorted(os.listdir(tmp_path / "run")) == ["journal.db", "serve.lock"], (
        "its log is folded into the file"
    )
    assert '"event":"stopped"' in service.program.stderr()
    assert "Traceback" not in service.program.stderr()


@pytest.mark.parametrize("way", ["SIGTERM", "Ctrl-C", "SIGKILL"])
async def test_its_embedded_broker_ends_with_it(
    programs: Programs, campaign: Path, tmp_path: Path, way: str
) -> None:
    service = await programs.serve(campaign, tmp_path / "run", "embedded:0")
    await service.ready()
    children = children_of(service.program.pid)
    assert len(children) == 1
    if way == "SIGKILL":
        await service.kill()
    elif way == "Ctrl-C":
        signal_group(service.program.pid, signal.SIGINT)
        assert await service.program.ended() == 0, str(service.program)
        assert note_of(tmp_path / "run") == {}
    else:
        await service.stop()
    await until(lambda: not any(map(runs, children)), lambda: f"still there: {children}", BOUND_S)
    assert "Traceback" not in service.program.stderr()


async def test_an_absent_broker_is_waited_for(
    mosquitto: Any, programs: Programs, campaign: Path, tmp_path: Path
) -> None:
    mosquitto.stop()
    service = await programs.serve(campaign, tmp_path / "run", f"mqtt://127.0.0.1:{mosquitto.port}")
    answer = await service.get("/readyz")
    assert answer.status == 503
    assert answer.body.startswith(b"not ready: ")
    assert (await service.get("/healthz")).status == 200

    def attempts() -> int:
        return service.program.stderr().count("broker lost")

    await until(lambda: attempts() >= 3, lambda: f"it does not keep trying: {service.program}")
    assert (await service.get("/readyz")).status == 503
    mosquitto.start()
    await service.ready()
    mosquitto.stop(signal.SIGKILL)

    async def not_ready() -> bool:
        return (await service.get("/readyz")).status == 503

    await until(not_ready, lambda: "the broker has gone and it says ready")
    mosquitto.start()
    await service.ready()
    await service.stop()


async def test_what_keeps_it_from_starting(
    nobody: str, programs: Programs, campaign: Path, other_campaign: Path, tmp_path: Path
) -> None:
    run_dir = tmp_path / "run"
    service = await programs.serve(campaign, run_dir, nobody)
    port = service.url.rpartition(":")[2]
    common = ("--broker", nobody, "--http")
    second = programs.start("serve", campaign, "--run", run_dir, *common, "127.0.0.1:0")
    no_port = programs.start("serve", campaign, "--run", tmp_path / "run-2", *common, f"127.0.0.1:{port}")
    assert await second.ended() == 3, str(second)
    assert f"{run_dir}: another service is recording here" in second.stderr()
    assert note_of(run_dir)["pid"] == service.program.pid, (
        "the refused one leaves the note of the first alone"
    )
    assert await no_port.ended() == 3, str(no_port)
    assert f"--http 127.0.0.1:{port}: cannot be bound" in no_port.stderr()
    assert (await service.get("/healthz")).status == 200
    await service.stop()  # with SIGTERM, and while no broker is there
    changed = await programs.run("serve", other_campaign, "--run", run_dir, *common, "127.0.0.1:0", code=2)
    assert f"{run_dir}: this run was begun with another campaign file" in changed.stderr()
    for program in (service.program, second, no_port, changed):
        assert "Traceback" not in program.stderr()


async def test_an_embedded_broker_needs_a_free_port(
    programs: Programs, campaign: Path, tmp_path: Path
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        broker = f"embedded:{taken.getsockname()[1]}"
        args = ("--run", tmp_path / "run", "--broker", broker, "--http", "127.0.0.1:0")
        program = await programs.run("serve", campaign, *args, code=3)
    assert "the embedded broker does not start" in program.stderr()
