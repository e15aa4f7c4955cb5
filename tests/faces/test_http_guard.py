"""Who is let in over HTTP: token, host, rate, size, streams; and that a refusal says one sentence and nothing else."""

from __future__ import annotations

import asyncio
import logging

import aiohttp
import pytest

from monitor.faces.guard import Limits
from tests.faces.serving import SENT, TOKEN, Answer, Served, serving

READS = ("/metrics", "/v1/figures", "/v1/state", "/v1/openapi.json")
HOSTILE = "<script>\x1b[31m%00';--"


async def statuses(service: Served, count: int, path: str = "/v1/figures", **more: str | None) -> list[int]:
    return [(await service.ask(path, **more)).status for _ in range(count)]  # type: ignore[arg-type]


# ---------------------------------------------------------------- the token


async def test_on_loopback_reads_are_free_and_a_write_needs_the_token() -> None:
    async with serving() as service:
        for path in (*READS, "/healthz"):
            assert (await service.ask(path)).status == 200, path
            assert (await service.ask(path, token="of another run")).status == 200, path
        assert (await service.send(SENT, token="of another run")).status == 401
        refused = await service.send(SENT, token=None)
        assert refused.status == 401
        assert refused.headers["WWW-Authenticate"].startswith("Bearer")
        assert "a token is needed" in refused.error
        assert service.service.recorder.account.figures().failures[0].disposition is None
        assert (await service.send(SENT)).status == 201


@pytest.mark.parametrize("path", [*READS, "/v1/stream", "/nothing"])
async def test_beyond_loopback_everything_needs_the_token(path: str) -> None:
    async with serving(beyond=True) as service:
        for method in ("GET", "HEAD", "PUT", "OPTIONS"):
            assert (await service.ask(path, method)).status == 401, method
        assert (await service.ask(path, token="another")).status == 401
        if path != "/v1/stream":
            assert (await service.ask(path, token=TOKEN)).status == (404 if path == "/nothing" else 200)


async def test_health_needs_no_token_and_tells_strangers_no_reason() -> None:
    async with serving(beyond=True) as service:
        assert (await service.ask("/healthz")).status == 200
        stranger, owner = await service.ask("/readyz"), await service.ask("/readyz", token=TOKEN)
        assert (stranger.status, stranger.body) == (503, b"not ready\n")
        assert owner.body == b"not ready: not connected yet\n"
    async with serving() as service:
        assert (await service.ask("/readyz")).body == b"not ready: not connected yet\n"


@pytest.mark.parametrize(
    "given",
    [
        "Bearer",
        "Bearer ",
        f"Basic {TOKEN}",
        f"Bearer {TOKEN}x",
        f"Bearer x{TOKEN}",
        f"Bearer {TOKEN} {TOKEN}",
        TOKEN,
        "Bearer " + "x" * 2000,
        "Bearer \x80\xff",
        f"Bearer {HOSTILE[:8]}",
    ],
)
async def test_what_is_not_the_token_is_refused_and_not_repeated(given: str) -> None:
    async with serving(beyond=True) as service:
        refused = await service.ask("/v1/figures", headers={"Authorization": given})
        assert refused.status == 401
        assert given.encode() not in refused.body
        assert "not the token" in refused.error


async def test_two_authorizations_are_none() -> None:
    async with serving(beyond=True) as service:
        both = f"Authorization: Bearer {TOKEN}\r\nAuthorization: Bearer x\r\n"
        said = await service.raw(
            f"GET /v1/figures HTTP/1.1\r\nHost: a\r\n{both}Connection: close\r\n\r\n".encode()
        )
        assert said.split()[1] in {b"400", b"401"}


async def test_the_scheme_is_in_any_case() -> None:
    async with serving(beyond=True) as service:
        answer = await service.ask("/v1/figures", headers={"Authorization": f"bEARER {TOKEN}"})
        assert answer.status == 200


async def test_a_revoked_token_ends_its_streams_and_opens_nothing() -> None:
    async with serving(beyond=True) as service:
        headers = {"Authorization": f"Bearer {TOKEN}"}
        async with service.client.get(f"{service.url}/v1/stream", headers=headers) as stream:
            assert (await stream.content.readline()) == b"event: state\n"
            service.door.token = None
            async with asyncio.timeout(20):
                rest = await stream.content.read()
            assert rest.count(b"event: state") == 0
        assert (await service.ask("/v1/figures", token=TOKEN)).status == 401


# ---------------------------------------------------------------- the name it is asked by


@pytest.mark.parametrize("host", ["127.0.0.1:1", "localhost", "LOCALHOST:99", "[::1]:8", "127.8.8.8"])
async def test_loopback_names_are_answered(host: str) -> None:
    async with serving() as service:
        assert (await service.ask("/v1/figures", headers={"Host": host})).status == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "10.0.0.1",
        "[::1",
        "",
        "a@localhost@b",
    ],
)
async def test_a_strangers_name_that_points_here_is_refused(host: str) -> None:
    async with serving() as service:
        for path in ("/v1/figures", "/healthz", "/nothing"):
            refused = await service.ask(path, headers={"Host": host})
            assert refused.status in {400, 421}
            assert "ask by a loopback name" in refused.error or refused.status == 400


async def test_beyond_loopback_any_name_is_answered_to_who_has_the_token() -> None:
    async with serving(beyond=True) as service:
        answer = await service.ask("/v1/figures", token=TOKEN, headers={"Host": "oven.example"})
        assert answer.status == 200


# ---------------------------------------------------------------- how often

SLOW = Limits(requests_per_s=2, requests_burst=4, failures_per_s=5 / 60, failures_burst=5)


async def test_too_many_requests_are_refused_until_time_has_passed() -> None:
    async with serving(limits=SLOW) as service:
        assert await statuses(service, 6) == [200] * 4 + [429] * 2
        refused = await service.ask("/v1/figures")
        assert refused.headers["Retry-After"] == "1"
        assert "too many requests" in refused.error
        assert await statuses(service, 3, "/healthz") == [200] * 3, "a supervisor must not think it dead"
        service.clock.now_s += 1
        assert await statuses(service, 3) == [200, 200, 429]


@pytest.mark.parametrize("behind_proxy", [False, True])
async def test_nobody_locks_the_owner_out_by_asking_or_guessing_from_the_same_address(
    behind_proxy: bool,
) -> None:
    async with serving(limits=SLOW, beyond=True, behind_proxy=behind_proxy) as service:
        assert 429 in await statuses(service, 8)
        service.clock.now_s += 2
        assert await statuses(service, 4, token="guess") == [401] * 4
        service.clock.now_s += 2
        assert (await statuses(service, 2, token="guess")) == [401, 429]
        assert await statuses(service, 4, token=TOKEN) == [200] * 4
        assert await statuses(service, 1, token=TOKEN) == [429], "the owner is bounded too"
        service.clock.now_s += 12
        assert await statuses(service, 2, token="guess") == [401, 429], "five a minute"


async def test_what_a_request_says_of_its_origin_is_not_believed() -> None:
    async with serving(limits=SLOW, behind_proxy=True, beyond=True) as service:
        said = [
            (
                await service.ask(
                    "/v1/figures", headers={"X-Forwarded-For": f"10.0.0.{n}", "Forwarded": f"for={n}"}
                )
            )
            for n in range(6)
        ]
        assert [answer.status for answer in said] == [401] * 4 + [429] * 2


async def test_wrong_tokens_are_logged_with_an_address_only_and_seldom(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    async with serving(beyond=True, limits=Limits(requests_per_s=1e6, requests_burst=1e6)) as service:
        await statuses(service, 20, token="a-guess")
        records = [r for r in caplog.records if r.getMessage() == "wrong token"]
        assert len(records) == 5
        assert all(r.__dict__["remote"] == "127.0.0.1" for r in records)
        assert "a-guess" not in str([r.__dict__ for r in caplog.records])


async def test_only_so_many_streams_at_a_time() -> None:
    async with serving(limits=Limits(streams=2)) as service:
        url = f"{service.url}/v1/stream"
        async with service.client.get(url) as first, service.client.get(url) as second:
            assert [first.status, second.status] == [200, 200]
            refused = await service.ask("/v1/stream")
            assert refused.status == 503
            assert refused.headers["Retry-After"] == "5"
            assert "too many streams" in refused.error
        async with asyncio.timeout(20):
            while True:
                async with service.client.get(url) as again:
                    if again.status == 200:
                        break
                await asyncio.sleep(0.05)  # the pause of a bounded poll


# ---------------------------------------------------------------- how much


async def test_a_body_that_says_it_is_too_large_is_refused_unread() -> None:
    async with serving(limits=Limits(lingering_s=0.1)) as service:
        said = await service.raw(
            b"POST /v1/dispositions HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
            b"Authorization: Bearer "
            + TOKEN.encode()
            + b"\r\nContent-Length: 10000000\r\nConnection: close\r\n\r\n{"
        )
        assert said.startswith(b"HTTP/1.1 413")
        assert b'{"error":"the request is too large' in said


async def test_a_body_that_says_nothing_of_its_size_is_read_up_to_the_bound() -> None:
    async def endless() -> None:
        for _ in range(100):
            yield b" " * 4096

    async with serving() as service:
        refused = await service.ask(
            "/v1/dispositions",
            "POST",
            token=TOKEN,
            data=endless(),
            headers={"Content-Type": "application/json"},
        )
        assert refused.status == 413
        assert "too large" in refused.error


async def test_a_body_that_does_not_come_is_not_waited_for() -> None:
    async with serving(limits=Limits(body_s=0.05, lingering_s=0.1)) as service:
        said = await service.raw(
            b"POST /v1/dispositions HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
            b"Authorization: Bearer "
            + TOKEN.encode()
            + b"\r\nContent-Length: 10\r\nConnection: close\r\n\r\n{"
        )
        assert said.startswith(b"HTTP/1.1 408")


# ---------------------------------------------------------------- what it says


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("GET", f"/{HOSTILE[:8]}", 404),
        ("POST", "/v1/figures", 405),
        ("DELETE", "/v1/dispositions", 405),
        ("HEAD", "/v1/stream", 405),
        ("GET", "/v1/dispositions", 405),
        ("TRACE", "/healthz", 405),
        ("PROPFIND", "/healthz", 405),
        ("BREW", "/healthz", 400),
    ],
)
async def test_only_what_is_declared_is_answered(method: str, path: str, status: int) -> None:
    async with serving() as service:
        answer = await service.ask(path, method)
        assert answer.status == status
        if method != "HEAD":
            assert answer.error
            assert path.encode() not in answer.body or path.startswith("/v1")
        if status == 405:
            assert answer.headers["Allow"]


def has_the_security_headers(answer: Answer) -> None:
    expected = {
        "Cache-Control": "no-store",
        "Content-Security-Policy": "default-src 'none'",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Referrer-Policy": "no-referrer",
        "Server": "lifebound",
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
    }
    assert {key: answer.headers.get(key) for key in expected} == expected
    assert "Access-Control-Allow-Origin" not in answer.headers


async def test_every_answer_has_the_security_headers() -> None:
    async with serving() as service:
        for path in (*READS, "/healthz", "/readyz", "/nothing"):
            answer = await service.ask(path)
            has_the_security_headers(answer)
            assert "Strict-Transport-Security" not in answer.headers
        has_the_security_headers(await service.ask("/v1/figures", "POST"))
        has_the_security_headers(await service.send(SENT, token="wrong"))
        async with service.client.get(f"{service.url}/v1/stream") as stream:
            has_the_security_headers(Answer(stream.status, dict(stream.headers), b""))


async def test_an_error_of_ours_shows_nothing_of_its_inside(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with serving() as service:

        def broken() -> None:
            raise RuntimeError("inside")

        monkeypatch.setattr(service.service, "state", broken)
        answer = await service.ask("/v1/figures")
        assert answer.status == 500
        assert "inside" not in answer.error
        has_the_security_headers(answer)
        assert "RuntimeError: inside" in caplog.text


async def test_a_stream_that_breaks_is_ended_not_filled(monkeypatch: pytest.MonkeyPatch) -> None:
    async with serving() as service:
        state = service.service.state()

        async def broken() -> object:
            yield state
            raise RuntimeError("inside")

        monkeypatch.setattr(service.service, "states", broken)
        async with service.client.get(f"{service.url}/v1/stream") as stream:
            with pytest.raises(aiohttp.ClientPayloadError):
                await stream.content.read()
