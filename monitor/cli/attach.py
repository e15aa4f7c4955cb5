"""Attach to a running service: its stream of states, read over HTTP and taken up again when it breaks."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import suppress

import aiohttp
import msgspec

from monitor.cli.display import Display
from monitor.cli.remote import address, refusal, session, trouble
from monitor.faces.state import State
from monitor.faces.terminal import Link
from monitor.service.backoff import delays_s
from shared.errors import InputError, LifeboundError

REDRAW_EVERY_S = 0.5
_SILENCE_S = 15.0  # the service says something every few seconds; longer silence is a lost connection
_REFUSED_S = 20.0  # a token file may be written anew; seldom enough to stay welcome
_MAX_EVENT_BYTES = 64 * 1024 * 1024
_decode = msgspec.json.Decoder(State).decode


class Attached:
    """The latest state of a service and how fresh it is.

    ``refused`` says what is wrong with the token or the certificate it was given, while it was never let in.
    """

    def __init__(self, url: str) -> None:
        self.url = url.rstrip("/")
        self.state: State | None = None
        self.trouble: str | None = "connecting"
        self.refused: str | None = None
        self._heard_at = 0.0

    async def follow(self) -> None:
        """Follow the stream for ever; each break is tried again."""
        delays = delays_s(most_s=5.0)
        while True:
            try:
                async for state in self._events():
                    self.state, self.trouble, self._heard_at = state, None, _now()
                    delays = delays_s(most_s=5.0)
                self.trouble = "the service has stopped"
            except InputError as error:
                self.trouble = str(error)
                self.refused = self.trouble if self.state is None else None
                await asyncio.sleep(_REFUSED_S)
            except (aiohttp.ClientError, TimeoutError, OSError) as error:
                self.trouble = trouble(self.url, error)
            except LifeboundError as error:
                self.trouble = str(error)
            except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                self.trouble = "not a lifebound service, or another version of it"
            await asyncio.sleep(next(delays))

    def link(self) -> Link:
        """How the service is reached, and the age of the newest data by the service's own clock."""
        if self.state is None:
            return Link(self.url, "connecting", None, 0.0, note=self.trouble)
        health, figures = self.state.health, self.state.figures
        age_s = None
        if figures.as_of_ms is not None:
            age_s = max(0.0, (health.now_ms - figures.as_of_ms) / 1000) + _now() - self._heard_at
        return Link(
            source=self.url,
            state="lost" if self.trouble else "live",
            age_s=age_s,
            stale_after_s=max(figures.plan.max_gap_s, 10.0),
            note=self.trouble or health.storage or health.broker,
        )

    async def _events(self) -> AsyncIterator[State]:
        timeout = aiohttp.ClientTimeout(total=None, connect=5, sock_read=_SILENCE_S)
        async with (
            session(self.url, timeout, _MAX_EVENT_BYTES) as http,
            http.get(address(self.url, "/v1/stream"), allow_redirects=False) as answer,
        ):
            if answer.status != 200:
                raise refusal(self.url, answer.status, await answer.read())
            async for line in answer.content:
                if line.startswith(b"data: "):
                    yield _decode(line[6:])


async def show_until(
    attached: Attached, display: Display, done: Callable[[], bool], *, every_s: float = REDRAW_EVERY_S
) -> None:
    """Follow a service and keep the display current until ``done`` says so."""
    following = asyncio.create_task(attached.follow())
    try:
        while not done():
            state = attached.state
            display.show(state.figures if state else None, state.alerts if state else [], attached.link())
            await asyncio.sleep(every_s)
    finally:
        following.cancel()
        with suppress(asyncio.CancelledError):
            await following


def _now() -> float:
    return asyncio.get_running_loop().time()
