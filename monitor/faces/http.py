"""HTTP: metrics, health, the figures document and a stream of events for the terminal view. Reads only.

It is served on loopback and carries no secret; whatever it says stands in the figures document.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Protocol

import msgspec
from aiohttp import web

from monitor.faces.metrics import CONTENT_TYPE, exposition
from monitor.faces.state import State
from monitor.figures import to_json

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'",
    "X-Content-Type-Options": "nosniff",
}


class Board(Protocol):
    """Where the service pins up its state."""

    def state(self) -> State:
        """The latest state."""
        ...

    def states(self) -> AsyncIterator[State]:
        """The latest state now, and again with every change or every few seconds; ends when the service stops."""
        ...


_BOARD: web.AppKey[Board] = web.AppKey("board", Board)


def make_app(board: Board) -> web.Application:
    """The application; the caller runs it."""
    app = web.Application(client_max_size=4096, middlewares=[_with_headers])
    app[_BOARD] = board
    app.add_routes(
        [
            web.get("/healthz", _healthz),
            web.get("/readyz", _readyz),
            web.get("/metrics", _metrics),
            web.get("/v1/figures", _figures),
            web.get("/v1/state", _state),
            web.get("/v1/stream", _stream),
        ]
    )
    return app


@web.middleware
async def _with_headers(
    request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> web.StreamResponse:
    try:
        response = await handler(request)
    except web.HTTPException as refusal:  # no such path, no such method
        refusal.headers.update(_HEADERS)
        raise
    if not response.prepared:
        response.headers.update(_HEADERS)
    return response


async def _healthz(request: web.Request) -> web.Response:
    return web.Response(text="ok\n")


async def _readyz(request: web.Request) -> web.Response:
    health = request.app[_BOARD].state().health
    if health.ready:
        return web.Response(text="ready\n")
    reason = health.storage or health.broker or "starting"
    return web.Response(text=f"not ready: {reason}\n", status=503)


async def _metrics(request: web.Request) -> web.Response:
    state = request.app[_BOARD].state()
    body = exposition(
        state.figures,
        state.alerts,
        broker_up=state.health.broker is None,
        storage_up=state.health.storage is None,
    )
    return web.Response(body=body, headers={"Content-Type": CONTENT_TYPE})


async def _figures(request: web.Request) -> web.Response:
    figures = request.app[_BOARD].state().figures
    return web.Response(body=to_json(figures), content_type="application/json")


async def _state(request: web.Request) -> web.Response:
    return web.Response(
        body=msgspec.json.encode(request.app[_BOARD].state()), content_type="application/json"
    )


async def _stream(request: web.Request) -> web.StreamResponse:
    """Server-sent events: each ``state`` event carries one State as JSON."""
    response = web.StreamResponse(headers={**_HEADERS, "Content-Type": "text/event-stream"})
    await response.prepare(request)
    try:
        async for state in request.app[_BOARD].states():
            await response.write(b"event: state\ndata: " + msgspec.json.encode(state) + b"\n\n")
    except ConnectionResetError:
        pass  # the reader went away
    return response
