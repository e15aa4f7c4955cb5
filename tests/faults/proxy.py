"""A TCP proxy that injects the faults of a network, steered from within the process that runs it.

What it can do to the connections that stand, and to those to come while the fault lasts:

- ``cut``          reset both sides, at once
- ``half_open``    reset the client's side only; the server's stays open, and what it sends goes nowhere
- ``freeze``       pass nothing (in one direction or both) while everything stays open; ``thaw`` lets it go on
- ``shape``        latency, slow drips, odd slices
- ``cut_after``    pass so many bytes to the server, then cut in the middle of whatever that is
- ``refuse``       reset new connections

A frozen direction is not read from, so TCP's own window pushes back to the sender, as with a peer that has died; no
byte is ever taken out of a connection that lives on.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import socket
import struct
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from enum import Flag, auto

_CHUNK = 65536
_BEGINNING_BYTES = 500


class Way(Flag):
    """A direction through the proxy."""

    TO_SERVER = auto()
    TO_CLIENT = auto()
    BOTH = TO_SERVER | TO_CLIENT


@dataclass(eq=False)
class _Pair:
    """One connection: the client's side and the server's."""

    client: asyncio.StreamWriter
    server: asyncio.StreamWriter
    orphaned: bool = False  # the client's side was reset, the server's not
    passed: int = 0  # bytes, both ways


@dataclass
class Proxy:
    """Listens on ``port`` of 127.0.0.1 and passes on to ``target`` there."""

    target: int
    port: int = 0
    latency_s: float = 0.0
    slice_bytes: int = 0  # 0: as it comes
    refusing: bool = False
    connections: int = 0  # ever
    passed: int = 0  # bytes, both ways
    rng: random.Random = field(default_factory=lambda: random.Random(1))
    _budget: int | None = None  # bytes to the server before a cut
    _pairs: set[_Pair] = field(default_factory=set)
    _open: dict[Way, asyncio.Event] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for way in (Way.TO_SERVER, Way.TO_CLIENT):
            self._open[way] = asyncio.Event()
            self._open[way].set()

    @property
    def url(self) -> str:
        """Its address for an MQTT client."""
        return f"mqtt://127.0.0.1:{self.port}"

    def cut(self) -> None:
        """Reset everything that stands."""
        for pair in self._pairs:
            _reset(pair.client)
            _reset(pair.server)
        self._pairs.clear()

    def half_open(self) -> None:
        """Reset the clients' sides; the server goes on believing in its own."""
        for pair in self._pairs:
            pair.orphaned = True
            _reset(pair.client)

    def freeze(self, way: Way = Way.BOTH) -> None:
        """Pass nothing that way."""
        for each in way:
            self._open[each].clear()

    def thaw(self) -> None:
        """Pass on again; what was held back comes first."""
        for event in self._open.values():
            event.set()

    def shape(self, latency_s: float = 0.0, slice_bytes: int = 0) -> None:
        """Wait ``latency_s`` before each piece, and pass pieces of 1 to ``slice_bytes`` bytes; without: as it comes."""
        self.latency_s, self.slice_bytes = latency_s, slice_bytes

    def cut_after(self, size: int) -> None:
        """Cut when so many bytes more have gone to the server."""
        self._budget = size

    def settled(self) -> int:
        """How many connections have got beyond their beginnings (connecting, subscribing)."""
        return sum(pair.passed > _BEGINNING_BYTES and not pair.orphaned for pair in self._pairs)

    async def serve(self, client_in: asyncio.StreamReader, client_out: asyncio.StreamWriter) -> None:
        """Pass one connection on until either side ends it."""
        if self.refusing:
            _reset(client_out)
            return
        try:
            server_in, server_out = await asyncio.open_connection("127.0.0.1", self.target)
        except OSError:
            _reset(client_out)
            return
        pair = _Pair(client_out, server_out)
        self._pairs.add(pair)
        self.connections += 1
        to_server = asyncio.ensure_future(self._pass(client_in, server_out, Way.TO_SERVER, pair))
        to_client = asyncio.ensure_future(self._pass(server_in, client_out, Way.TO_CLIENT, pair))
        try:
            await asyncio.wait((to_server, to_client), return_when=asyncio.FIRST_COMPLETED)
            if pair.orphaned:  # the server alone goes on, and is heard by nobody
                await asyncio.gather(to_server, to_client, return_exceptions=True)
                with contextlib.suppress(OSError):
                    while await server_in.read(_CHUNK):
                        pass
        finally:
            for task in (to_server, to_client):
                task.cancel()
            await asyncio.gather(to_server, to_client, return_exceptions=True)
            self._pairs.discard(pair)
            _reset(client_out)
            _reset(server_out)

    async def _pass(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, way: Way, pair: _Pair
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(_CHUNK):
                for piece in self._pieces(data):
                    await self._open[way].wait()
                    if self.latency_s:
                        await asyncio.sleep(self.latency_s)
                    await self._pass_piece(piece, sink, way)
                    pair.passed += len(piece)

    async def _pass_piece(self, piece: bytes, sink: asyncio.StreamWriter, way: Way) -> None:
        if way is Way.TO_SERVER and self._budget is not None:
            piece = piece[: self._budget]
            self._budget -= len(piece)
        sink.write(piece)
        await sink.drain()
        self.passed += len(piece)
        if self._budget == 0 and way is Way.TO_SERVER:
            self._budget = None
            await asyncio.sleep(0)  # what was passed is on its way before the reset
            self.cut()

    def _pieces(self, data: bytes) -> list[bytes]:
        if not self.slice_bytes:
            return [data]
        pieces, at = [], 0
        while at < len(data):
            size = self.rng.randint(1, self.slice_bytes)
            pieces.append(data[at : at + size])
            at += size
        return pieces


def _reset(writer: asyncio.StreamWriter) -> None:
    """End a connection by RST, without a goodbye."""
    plug = writer.get_extra_info("socket")
    if plug is not None and not writer.is_closing():
        with contextlib.suppress(OSError):
            plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


@contextlib.asynccontextmanager
async def proxy_to(target: int) -> AsyncIterator[Proxy]:
    """A running proxy to ``target``, a port of 127.0.0.1."""
    proxy = Proxy(target)
    running: set[asyncio.Task[None]] = set()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.ensure_future(proxy.serve(reader, writer))
        running.add(task)
        task.add_done_callback(running.discard)

    server = await asyncio.start_server(accept, "127.0.0.1", 0)
    proxy.port = server.sockets[0].getsockname()[1]
    try:
        yield proxy
    finally:
        server.close()
        proxy.thaw()
        proxy.cut()
        for task in list(running):
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        await server.wait_closed()
