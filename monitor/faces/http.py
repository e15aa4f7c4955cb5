"""HTTP: metrics, health, the figures document, a stream of events for the terminal view, and the one write.

The application answers; who may ask it, and how much, is the matter of ``guard``; connections are that of
``doorway``; ``openapi`` describes it. It carries no secret: whatever it says stands in the figures document.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Protocol

import msgspec
from aiohttp import web

from monitor.faces.guard import ADMITTED, Access, Limits, body_of, guards, security_headers, shows_the_token
from monitor.faces.judging import EnteredNow, Judgement, judgements_of
from monitor.faces.metrics import CONTENT_TYPE, exposition
from monitor.faces.openapi import document
from monitor.faces.refusal import RefusedError
from monitor.faces.state import State
from monitor.figures import to_json
from shared.entries import Disposition
from shared.errors import InputError, UnavailableError


class Board(Protocol):
    """Where the service pins up its state, and takes what a person enters."""

    def state(self) -> State:
        """The latest state."""
        ...

    def states(self) -> AsyncIterator[State]:
        """The latest state now, and again with every change or every few seconds; ends when the service stops."""
        ...

    async def judge(self, judgements: Sequence[Judgement]) -> list[Disposition]:
        """Enter judgements, all or none; durable when it returns.

        Raises InputError for one that does not fit the account, without repeating what it says; UnavailableError
        when the journal cannot be written.
        """
        ...


_BOARD: web.AppKey[Board] = web.AppKey("board", Board)
_ACCESS: web.AppKey[Access] = web.AppKey("access", Access)
_LIMITS: web.AppKey[Limits] = web.AppKey("limits", Limits)
_STREAMS: web.AppKey[set[object]] = web.AppKey("streams", set)
_DOCUMENT: web.AppKey[bytes] = web.AppKey("document", bytes)


def make_app(
    board: Board,
    access: Access,
    limits: Limits = Limits(),  # noqa: B008  frozen
    clock_s: Callable[[], float] = time.monotonic,
) -> web.Application:
    """The application; the caller runs it."""
    app = web.Application(client_max_size=limits.body_bytes, middlewares=guards(access, limits, clock_s))
    app[_BOARD], app[_ACCESS], app[_LIMITS], app[_STREAMS] = board, access, limits, set()
    app[_DOCUMENT] = msgspec.json.encode(document(reads_are_free=access.reads_are_free))
    headers = security_headers(access)

    async def put_headers(request: web.Request, response: web.StreamResponse) -> None:
        response.headers.update(headers)

    app.on_response_prepare.append(put_headers)
    app.add_routes(
        [
            web.get("/healthz", _healthz),
            web.get("/readyz", _readyz),
            web.get("/metrics", _metrics),
            web.get("/v1/figures", _figures),
            web.get("/v1/state", _state),
            web.get(
                "/v1/stream", _stream, allow_head=False
            ),  # an answer without an end has no headers to tell
            web.get("/v1/openapi.json", _openapi),
            web.post("/v1/dispositions", _dispositions),
        ]
    )
    return app


async def _healthz(request: web.Request) -> web.Response:
    return web.Response(text="ok\n")


async def _readyz(request: web.Request) -> web.Response:
    health = request.app[_BOARD].state().health
    if health.ready:
        return web.Response(text="ready\n")
    if not (request[ADMITTED] or request.app[_ACCESS].reads_are_free):
        return web.Response(text="not ready\n", status=503)  # the reason names a broker, a file
    reason = health.storage or health.broker or "starting"
    return web.Response(text=f"not ready: {reason}\n", status=503)


async def _metrics(request: web.Request) -> web.Response:
    state = request.app[_BOARD].state()
    body = exposition(state.figures, state.alerts, state.health)
    return web.Response(body=body, headers={"Content-Type": CONTENT_TYPE})


async def _figures(request: web.Request) -> web.Response:
    return _json(to_json(request.app[_BOARD].state().figures))


async def _state(request: web.Request) -> web.Response:
    return _json(msgspec.json.encode(request.app[_BOARD].state()))


async def _openapi(request: web.Request) -> web.Response:
    return _json(request.app[_DOCUMENT])


async def _stream(request: web.Request) -> web.StreamResponse:
    """Server-sent events: each ``state`` event carries one State as JSON. It ends when its token no longer holds."""
    app = request.app
    access, limits, streams = app[_ACCESS], app[_LIMITS], app[_STREAMS]
    if len(streams) >= limits.streams:
        raise RefusedError(
            503, "too many streams are read at this moment; try again later", {"Retry-After": "5"}
        )
    mark = object()
    streams.add(mark)
    try:
        response = web.StreamResponse(headers={"Content-Type": "text/event-stream"})
        await response.prepare(request)
        async for state in app[_BOARD].states():
            if not (access.reads_are_free or shows_the_token(request, access)):
                break
            async with asyncio.timeout(limits.stalled_s):
                await response.write(b"event: state\ndata: " + msgspec.json.encode(state) + b"\n\n")
    except (ConnectionResetError, TimeoutError):
        response.force_close()  # the reader went away, or reads no more
        if request.transport is not None:
            request.transport.abort()
    finally:
        streams.discard(mark)
    return response


async def _dispositions(request: web.Request) -> web.Response:
    """Enter one disposition or several, all or none."""
    if request.content_type != "application/json" or "Content-Encoding" in request.headers:
        raise RefusedError(415, "send plain JSON, as application/json")
    judgements = judgements_of(await body_of(request, request.app[_LIMITS]))
    try:
        entered = await request.app[_BOARD].judge(judgements)
    except InputError as error:
        raise RefusedError(422, str(error)) from None
    except UnavailableError as error:
        raise RefusedError(503, str(error), {"Retry-After": "10"}) from None
    return _json(msgspec.json.encode(EnteredNow(entered)), status=201)


def _json(body: bytes, status: int = 200) -> web.Response:
    return web.Response(body=body, status=status, content_type="application/json")
