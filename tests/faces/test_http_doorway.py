"""Connections: bounded in number and in silence, broken requests answered plainly, and TLS for whom the name fits."""

from __future__ import annotations

import asyncio
import logging
import ssl

import aiohttp
import pytest
import trustme

from monitor.faces.guard import Limits
from tests.faces.serving import TOKEN, serving


def logged(caplog: pytest.LogCaptureFixture) -> list[logging.LogRecord]:
    """What was logged of connections; the alerts of the run are another matter."""
    return [record for record in caplog.records if record.name != "lifebound.alerts"]


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(40),  # a TLS client
        b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"x" * 10_000 + b"\r\n\r\n",
        b"GET /" + b"x" * 10_000 + b" HTTP/1.1\r\nHost: a\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\n" + b"".join(b"X-%d: y\r\n" % n for n in range(200)) + b"\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n",
        b"<script>\x1b[2J / HTTP/1.1\r\n\r\n",
        b"\x00\xff\r\n\r\n",
    ],
)
async def test_what_is_no_request_is_answered_plainly_and_fills_no_log(
    request_bytes: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    async with serving() as service:
        said = await service.raw(request_bytes)
        head, _, body = said.partition(b"\r\n\r\n")
        assert head.startswith((b"HTTP/1.0 400 ", b"HTTP/1.1 400 "))
        assert body == b'{"error":"this is not a request that can be read"}'
        assert b"X-Content-Type-Options: nosniff" in head
        assert logged(caplog) == []
        assert (await service.ask("/healthz")).status == 200


@pytest.mark.parametrize(("expected", "status"), [("<b>", b"417"), ("100-continue", b"100")])
async def test_an_odd_expectation_is_refused_and_not_repeated(expected: str, status: bytes) -> None:
    async with serving(beyond=True) as service:
        said = await service.raw(
            f"POST /v1/dispositions HTTP/1.1\r\nHost: a\r\nExpect: {expected}\r\nConnection: close\r\n\r\n".encode()
        )
        assert said.startswith(b"HTTP/1.1 " + status)
        assert b"<b>" not in said
        assert (b" 401 " in said) is (status == b"100")


async def closed(reader: asyncio.StreamReader) -> bool:
    try:
        async with asyncio.timeout(20):
            return await reader.read() == b""
    except ConnectionError:
        return True


@pytest.mark.parametrize(("behind_proxy", "most"), [(False, 2), (True, 3)])
async def test_only_so_many_connections_of_one_address_unless_it_is_the_proxys(
    behind_proxy: bool, most: int
) -> None:
    limits = Limits(connections=3, connections_each=2)
    async with serving(limits=limits, behind_proxy=behind_proxy) as service:
        writers = []
        for number in range(5):
            reader, writer = await asyncio.open_connection("127.0.0.1", service.port)
            writers.append(writer)
            if number >= most:
                assert await closed(reader), f"number {number} is too much"
            else:
                writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
                assert (await reader.readline()) == b"HTTP/1.1 200 OK\r\n"
        for writer in writers:
            writer.close()
        async with asyncio.timeout(20):
            while True:
                try:
                    assert (await service.ask("/healthz")).status == 200
                    break
                except aiohttp.ClientError:
                    await asyncio.sleep(0.05)  # the pause of a bounded poll


@pytest.mark.parametrize("start", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: a\r\nX:"])
async def test_a_connection_that_says_nothing_more_is_closed(start: bytes) -> None:
    async with serving(limits=Limits(idle_s=0.1)) as service:
        assert await service.raw(start) == b""


# ---------------------------------------------------------------- TLS


def context_of(authority: trustme.CA, *names: str) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert(*names).configure_cert(context)
    return context


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


async def test_tls_is_served_and_asks_browsers_to_stay_with_it() -> None:
    authority = trustme.CA()
    async with serving(beyond=True, tls=context_of(authority, "127.0.0.1")) as service:
        answer = await service.ask("/v1/figures", token=TOKEN, ssl=trusting(authority))
        assert answer.status == 200
        assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
        with pytest.raises(aiohttp.ClientConnectorCertificateError):
            await service.ask("/v1/figures", token=TOKEN, ssl=trusting(trustme.CA()))
        with pytest.raises(aiohttp.ClientError):  # plain HTTP to it: no answer that could be taken for one
            async with service.client.get(f"http://127.0.0.1:{service.port}/healthz"):
                pass


async def test_on_loopback_tls_binds_no_other_service_of_the_host() -> None:
    authority = trustme.CA()
    async with serving(tls=context_of(authority, "127.0.0.1")) as service:
        answer = await service.ask("/v1/figures", ssl=trusting(authority))
        assert answer.status == 200
        assert "Strict-Transport-Security" not in answer.headers


async def test_handshakes_that_never_end_are_counted_as_connections(caplog: pytest.LogCaptureFixture) -> None:
    authority = trustme.CA()
    limits = Limits(connections=2, connections_each=2)
    async with serving(tls=context_of(authority, "127.0.0.1"), limits=limits) as service:
        silent = [await asyncio.open_connection("127.0.0.1", service.port) for _ in range(2)]
        reader, writer = await asyncio.open_connection("127.0.0.1", service.port)
        assert await closed(reader)
        for _, each in (*silent, (reader, writer)):
            each.close()
        assert logged(caplog) == []
