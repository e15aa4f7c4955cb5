"""Write a simulation to a run file, without a broker and without waiting.

The format is the export format: JSON lines ``{"t_recv_ms": int, "topic": str, "payload": object}`` in order of
arrival, packed with Zstandard if the name ends in ``.zst``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import msgspec
import zstandard

from simulator.scenario import Event, Options, Scenario, Setup, Truth, payload


def write_run(
    setup: Setup, options: Options, out_path: str | Path, start_ms: int, last_line: bytes = b""
) -> Truth:
    """Write the run that starts at ``start_ms`` (UTC) to ``out_path``, then ``last_line``; return its truth."""
    scenario = Scenario(setup, options, start_ms)
    with _opened(Path(out_path)) as out:
        last_ms = 0
        for event in scenario.events():
            out.write(_line(scenario, event))
            last_ms = event.arrive_ms
        end_ms = max(last_ms, options.length_ms)
        for rack in scenario.racks:
            out.write(_line(scenario, rack.farewell(end_ms)))
        out.write(last_line)
    return scenario.truth()


def write_truth(truth: Truth, out_path: str | Path) -> None:
    """Write the truth as JSON, one chip or injected event a line."""
    text = msgspec.json.format(msgspec.json.encode(truth), indent=1)
    Path(out_path).write_bytes(text + b"\n")


def _line(scenario: Scenario, event: Event) -> bytes:
    topic = scenario.topic(event).encode()  # plain characters only, nothing to escape
    received_ms = b"%d" % (scenario.start_ms + event.arrive_ms)
    return b'{"t_recv_ms":%b,"topic":"%b","payload":%b}\n' % (received_ms, topic, payload(event))


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    if path.suffix == ".zst":
        with path.open("wb") as raw, zstandard.ZstdCompressor(level=6).stream_writer(raw) as packed:
            yield packed
    else:
        with path.open("wb") as plain:
            yield plain
