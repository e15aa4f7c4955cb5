"""What stands before every request: who asks, by which name, how often, how much.

Each concern is one small middleware; ``guards`` has them in their order. Time comes from the clock it is given.

The right token is always let in: it is compared before anything is counted, and who shows it draws on a bucket of
its own. So nobody can lock the owner out by asking too much or by guessing, not even from behind the same proxy,
whose address all remote parties then share (what a proxy says of whom it speaks for is not believed: a client can
write it too). Guesses are counted to keep logs and work small; the token itself is safe from guessing by its length.
``/healthz`` and ``/readyz`` are never limited: a flood must not make a supervisor think that the service is down.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from math import ceil
from urllib.parse import urlsplit

from aiohttp import hdrs, web
from aiohttp.typedefs import Middleware

from monitor.faces.buckets import Buckets
from monitor.faces.refusal import RefusedError

log = logging.getLogger("lifebound.http")
HEALTH_PATHS = frozenset({"/healthz", "/readyz"})
_READS = frozenset({hdrs.METH_GET, hdrs.METH_HEAD})
_LONGEST_TOKEN = 256
_OWNER = "token"  # the bucket of whoever shows the token; no address looks like this

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True, slots=True)
class Access:
    """Who may do what.

    ``admits`` says whether a token is the right one. Reads are free on loopback only; a write always needs the
    token. ``host`` is the address that is served; ``tls`` says whether by TLS of our own.
    """

    admits: Callable[[str], bool]
    reads_are_free: bool = True
    host: str = "127.0.0.1"
    tls: bool = False


@dataclass(frozen=True, slots=True)
class Limits:
    """How much is too much."""

    requests_per_s: float = 50.0  # of one remote address, or of the token
    requests_burst: float = 100.0
    failures_per_s: float = 5 / 60  # wrong tokens of one remote address
    failures_burst: float = 5.0
    addresses: int = 1024  # remembered
    streams: int = 32  # at a time
    body_bytes: int = 64 * 1024
    body_s: float = 10.0  # until the body of a request is there
    lingering_s: float = 2.0  # for the rest of a body that nobody reads, so that its sender hears the answer
    stalled_s: float = 30.0  # until a reader of the stream that takes nothing is dropped
    connections: int = 256  # at a time
    connections_each: int = 64  # of one remote address
    idle_s: float = 30.0  # until a connection that says nothing is closed


ADMITTED: web.RequestKey[bool] = web.RequestKey("admitted", bool)
"""Whether the request shows the right token."""


def guards(access: Access, limits: Limits, clock_s: Callable[[], float]) -> list[Middleware]:
    """Every middleware, the outermost first."""
    return [
        answer_in_json,
        *([check_host(access.host)] if access.reads_are_free else []),
        know_the_token(access),
        limit_rate(limits, clock_s),
        limit_size(limits),
        ask_for_the_token(access, limits, clock_s),
    ]


def security_headers(access: Access) -> dict[str, str]:
    """What every answer carries.

    Strict-Transport-Security only where we do TLS ourselves, and beyond loopback: said by a loopback name it would
    bind every other service of the reader's own host.
    """
    headers = {
        "Cache-Control": "no-store",
        "Content-Security-Policy": "default-src 'none'",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Referrer-Policy": "no-referrer",
        "Server": "lifebound",
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
    }
    if access.tls and not access.reads_are_free:
        headers["Strict-Transport-Security"] = "max-age=31536000"
    return headers


@web.middleware
async def answer_in_json(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Every refusal as JSON; an error of ours shows nothing of its inside."""
    try:
        return await handler(request)
    except RefusedError as refusal:
        return refusal.response()
    except web.HTTPException as known:
        return _of_the_library(known).response()
    except ConnectionError:
        raise  # the reader went away
    except Exception:
        log.exception("request failed")
        if request.writer.output_size > 0:  # an answer has begun: all that is left is to end it
            raise ConnectionResetError from None
        return RefusedError(500, "something went wrong in the service; its log says what").response()


def _of_the_library(known: web.HTTPException) -> RefusedError:
    if isinstance(known, web.HTTPNotFound):
        return RefusedError(404, "there is nothing here; /v1/openapi.json lists what there is")
    if isinstance(known, web.HTTPMethodNotAllowed):
        allowed = ",".join(sorted(known.allowed_methods))
        return RefusedError(405, f"only {allowed} can be asked here", {"Allow": allowed})
    if isinstance(known, web.HTTPRequestEntityTooLarge):
        return RefusedError(413, "the request is too large")
    return RefusedError(known.status, f"the request is refused ({known.reason})")


def check_host(bound: str) -> Middleware:
    """Refuse a request that was meant for another name.

    On loopback reads ask for no token, and a page of a stranger, open in a browser on this host, may let its own name
    point here (DNS rebinding); the browser then still says that name.
    """

    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        named = request.headers.getall(hdrs.HOST, [])
        if len(named) != 1 or not _is_here(named[0], bound):
            raise RefusedError(421, "ask by a loopback name or address: 127.0.0.1, localhost, [::1]")
        return await handler(request)

    return check


def _is_here(host: str, bound: str) -> bool:
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    if name in {"localhost", bound.lower()}:
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


def know_the_token(access: Access) -> Middleware:
    """Note whether the request shows the right token; it is told what is wrong further in."""

    @web.middleware
    async def know(request: web.Request, handler: Handler) -> web.StreamResponse:
        request[ADMITTED] = shows_the_token(request, access)
        return await handler(request)

    return know


def shows_the_token(request: web.Request, access: Access) -> bool:
    """Whether the request shows the token that holds now."""
    given = request.headers.getall(hdrs.AUTHORIZATION, [])
    if len(given) != 1:
        return False
    scheme, _, token = given[0].partition(" ")
    token = token.strip()
    return scheme.lower() == "bearer" and 0 < len(token) <= _LONGEST_TOKEN and access.admits(token)


def limit_rate(limits: Limits, clock_s: Callable[[], float]) -> Middleware:
    """So many requests a second of one remote address; the owner has a bucket of its own."""
    buckets = Buckets(limits.requests_per_s, limits.requests_burst, limits.addresses)

    @web.middleware
    async def limit(request: web.Request, handler: Handler) -> web.StreamResponse:
        if request.path not in HEALTH_PATHS:
            key = _OWNER if request[ADMITTED] else _remote(request)
            _wait(buckets.take(key, clock_s()), "too many requests; ask less often")
        return await handler(request)

    return limit


def limit_size(limits: Limits) -> Middleware:
    """Refuse a body that says that it is too large before any of it is read; what it does not say is counted later."""

    @web.middleware
    async def limit(request: web.Request, handler: Handler) -> web.StreamResponse:
        if (request.content_length or 0) > limits.body_bytes:
            raise RefusedError(413, f"the request is too large; at most {limits.body_bytes} bytes are read")
        return await handler(request)

    return limit


def ask_for_the_token(access: Access, limits: Limits, clock_s: Callable[[], float]) -> Middleware:
    """Let in who may: the health paths everybody, reads on loopback everybody, the rest by the token."""
    failures = Buckets(limits.failures_per_s, limits.failures_burst, limits.addresses)

    @web.middleware
    async def ask(request: web.Request, handler: Handler) -> web.StreamResponse:
        if request[ADMITTED] or request.path in HEALTH_PATHS:
            return await handler(request)
        unserved = request.match_info.http_exception is not None  # no such path or method: nothing to guard
        if access.reads_are_free and (request.method in _READS or unserved):
            return await handler(request)
        if hdrs.AUTHORIZATION in request.headers:
            _wait(
                failures.take(_remote(request), clock_s()),
                "too many wrong tokens; wait, then try the right one",
            )
            log.warning("wrong token", extra={"remote": _remote(request)})
            raise _unknown(
                "this is not the token of this run, or it was revoked; ask who keeps it "
                "(lifebound token makes a new one, and so revokes it for everybody)"
            )
        raise _unknown("a token is needed; send it as Authorization: Bearer, make one with lifebound token")

    return ask


def _unknown(sentence: str) -> RefusedError:
    return RefusedError(401, sentence, {"WWW-Authenticate": 'Bearer realm="lifebound"'})


def _wait(seconds: float, sentence: str) -> None:
    if seconds > 0:
        raise RefusedError(429, sentence, {"Retry-After": str(ceil(seconds))})


def _remote(request: web.Request) -> str:
    """The address of whoever is connected; of IPv6 its network, because one host owns a whole /64."""
    remote = request.remote or ""
    try:
        address = ip_address(remote.partition("%")[0])
    except ValueError:
        return remote
    if isinstance(address, IPv6Address) and address.ipv4_mapped is None:
        return str(IPv6Address(int(address) >> 64 << 64))
    return remote


async def body_of(request: web.Request, limits: Limits) -> bytes:
    """The body of a request. Raises RefusedError when it is too large or does not come."""
    try:
        async with asyncio.timeout(limits.body_s):
            return await request.read()
    except TimeoutError:
        raise RefusedError(408, "the body of the request did not come in time") from None
