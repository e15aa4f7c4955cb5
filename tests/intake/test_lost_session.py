"""A session that the broker has lost is told in the log, and only then: what waited in it is lost with it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from shared.messages import Presence, encode
from tests.service.running import Programs, programs_in, until, write_campaign

pytestmark = pytest.mark.timeout(120)
SAID = "the broker has lost the session"


@pytest_asyncio.fixture
async def programs(tmp_path: Path) -> AsyncIterator[Programs]:
    async with programs_in(tmp_path) as programs:
        yield programs


async def test_a_lost_session_is_told(start_mosquitto: Any, programs: Programs, tmp_path: Path) -> None:
    broker = start_mosquitto(lambda port: f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    service = await programs.serve(
        write_campaign(tmp_path), tmp_path / "run", f"mqtt://127.0.0.1:{broker.port}"
    )
    await service.ready()
    async with aiomqtt.Client("127.0.0.1", broker.port) as rack:
        presence = Presence(v=1, online=True, boot="b1", t_ms=0, boards=[1])
        await rack.publish("lifebound/oven-1/presence", encode(presence), qos=1)
    await service.accepted(1)
    log = service.program.stderr
    assert SAID not in log(), "the first session of a run is a new one"
    broker.restart()  # keeps nothing on disk
    await until(lambda: SAID in log(), lambda: f"nothing is said: {service.program}")
    await service.stop()
