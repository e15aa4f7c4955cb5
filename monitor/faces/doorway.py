"""Where connections come in: bounded in number, in what they may say, and in how long they may say nothing.

Without bounds a stranger could use up the file descriptors of the process, which the journal and the broker's
connection need too.
"""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager

from aiohttp import hdrs, web

from monitor.faces.guard import Limits
from monitor.faces.refusal import RefusedError

_NO_LOG = logging.getLogger("lifebound.http.access")
_NO_LOG.disabled = True  # a stranger could fill the disk with it
_BACKLOG = 128
_HANDSHAKE_S = 10.0
_STOP_S = 1.0
_NOT_HERE = {errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT}
_BROKEN_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'",
    "Server": "lifebound",
    "X-Content-Type-Options": "nosniff",
}


class BoundedListener(socket.socket):
    """A listening socket that closes at once what is too much: in all, and of one remote address.

    It counts the sockets that are really open, so a TLS handshake that never ends counts too. ``each`` 0: no bound
    of one address, as behind a proxy, which is the only remote address there is.
    """

    most: int = 0
    each: int = 0

    def accept(self) -> tuple[socket.socket, object]:
        """The next connection. Raises ConnectionAbortedError for one that is too much."""
        connection, remote = super().accept()
        host = str(remote[0]) if isinstance(remote, tuple) else ""
        opened: list[tuple[str, socket.socket]] = [
            pair for pair in getattr(self, "_opened", []) if pair[1].fileno() != -1
        ]
        same = sum(other == host for other, _ in opened)
        if len(opened) >= self.most or (self.each and same >= self.each):
            connection.close()
            self._opened = opened
            raise ConnectionAbortedError
        self._opened = [*opened, (host, connection)]
        return connection, remote


class Connection(web.RequestHandler):
    """A connection whose unreadable requests are answered as plainly as all others, and fill no log."""

    __slots__ = ()

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """One sentence; what was sent is neither repeated nor logged."""
        if status == 500 or request.writer.output_size > 0:
            return super().handle_error(request, status, exc, message)
        return _refused(status, "this is not a request that can be read")


def _refused(status: int, sentence: str) -> web.Response:
    """What is answered before the application has seen the request."""
    response = RefusedError(status, sentence, dict(_BROKEN_HEADERS)).response()
    response.force_close()
    return response


def _without_odd_expectations(
    answer: Callable[[web.BaseRequest], Awaitable[web.StreamResponse]],
) -> Callable[[web.BaseRequest], Awaitable[web.StreamResponse]]:
    """Answers all but an unknown Expect, which the library would repeat to its sender before any guard is asked."""

    async def each(request: web.BaseRequest) -> web.StreamResponse:
        if request.headers.get(hdrs.EXPECT, "100-continue").lower() != "100-continue":
            return _refused(417, "only 100-continue can be expected")
        return await answer(request)

    return each


@asynccontextmanager
async def served(
    app: web.Application,
    host: str,
    port: int,
    *,
    limits: Limits,
    tls: ssl.SSLContext | None = None,
    behind_proxy: bool = False,
) -> AsyncIterator[int]:
    """Serve the application; gives the port (port 0 takes a free one). Raises OSError when it cannot be bound."""
    loop = asyncio.get_running_loop()
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=_STOP_S)
    async with AsyncExitStack() as stack:
        listeners = await _listen(stack, host, port)
        await runner.setup()
        stack.push_async_callback(runner.cleanup)
        manager = runner.server
        assert manager is not None
        manager.request_handler = _without_odd_expectations(manager.request_handler)

        def connection() -> Connection:
            return Connection(
                manager,
                loop=loop,
                keepalive_timeout=limits.idle_s,
                access_log=_NO_LOG,
                lingering_time=limits.lingering_s,
                max_line_size=4096,
                max_field_size=4096,
                max_headers=64,
                auto_decompress=False,  # a small body stays small
            )

        for listener in listeners:
            listener.most = limits.connections
            listener.each = 0 if behind_proxy else limits.connections_each
            server = await loop.create_server(
                connection,
                sock=listener,
                ssl=tls,
                backlog=_BACKLOG,
                ssl_handshake_timeout=_HANDSHAKE_S if tls else None,
            )
            stack.callback(server.close)
        yield int(listeners[0].getsockname()[1])


async def _listen(stack: AsyncExitStack, host: str, port: int) -> list[BoundedListener]:
    """A socket for each address of the host that this machine has, all on one port."""
    loop = asyncio.get_running_loop()
    found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    listeners: list[BoundedListener] = []
    trouble: OSError | None = None
    for family, address in dict.fromkeys((f, a) for f, _, _, _, a in found):
        try:
            listener = BoundedListener(family, socket.SOCK_STREAM)
            stack.callback(listener.close)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            listener.bind((address[0], port, *address[2:]))
        except OSError as error:
            if error.errno not in _NOT_HERE:
                raise
            trouble = error
            continue
        listener.setblocking(False)
        listeners.append(listener)
        port = int(listener.getsockname()[1])
    if not listeners:
        raise trouble or OSError(errno.EADDRNOTAVAIL, "no address")
    return listeners
