"""A running service, asked over HTTP: its token, its certificate, and what its refusals mean.

The token comes from the environment or a file, never from the command line. It goes only over https or to this very
host, and never along a redirect. Certificates are always checked.
"""

from __future__ import annotations

import os
import ssl
from collections.abc import Sequence
from urllib.parse import urlsplit

import aiohttp
import msgspec

from monitor.cli.hosts import is_loopback
from monitor.cli.secrets import secret
from monitor.faces.judging import EnteredNow, Judgement
from monitor.faces.refusal import Problem
from monitor.figures import Figures, from_json
from shared.entries import Disposition
from shared.errors import InputError, LifeboundError, UnavailableError
from shared.shown import printable

_TIMEOUT_S = 10
_TOKEN, _CA_FILE = "LIFEBOUND_HTTP_TOKEN", "LIFEBOUND_HTTP_CA_FILE"
_ASKED_FOR = (401, 403)


async def fetch(url: str) -> Figures:
    """The figures of a running service. Raises UnavailableError, InputError."""
    body = await _ask(url, "GET", "/v1/figures")
    try:
        return from_json(body)
    except msgspec.MsgspecError as error:
        raise UnavailableError(f"{url}: does not answer with a figures document ({error})") from None


async def enter(url: str, judgements: Sequence[Judgement]) -> list[Disposition]:
    """Enter judgements of failed chips, all or none; what was entered. Raises UnavailableError, InputError."""
    body = await _ask(url, "POST", "/v1/dispositions", msgspec.json.encode(judgements))
    try:
        return msgspec.json.decode(body, type=EnteredNow).entered
    except (msgspec.MsgspecError, UnicodeDecodeError):
        raise UnavailableError(f"{url}: does not say what it entered; look at the figures") from None


async def _ask(url: str, method: str, path: str, body: bytes | None = None) -> bytes:
    try:
        async with (
            session(url, aiohttp.ClientTimeout(total=_TIMEOUT_S)) as http,
            http.request(
                method,
                address(url, path),
                data=body,
                headers={"Content-Type": "application/json"} if body is not None else None,
                allow_redirects=False,
            ) as answer,
        ):
            text = await answer.read()
            if answer.status not in (200, 201):
                raise refusal(url, answer.status, text)
            return text
    except (aiohttp.ClientError, TimeoutError, OSError) as error:
        raise UnavailableError(f"{url}: {trouble(url, error)}") from None


def session(url: str, timeout: aiohttp.ClientTimeout, read_bufsize: int = 2**16) -> aiohttp.ClientSession:
    """A session with one service: its token and the authority of its certificate. Raises InputError."""
    check_url(url)
    parts = urlsplit(url)
    secure = parts.scheme == "https"
    token = _token()
    if token and not secure and not is_loopback(parts.hostname or ""):
        raise InputError(
            f"--url {url}: the token would cross the network in the clear; use https://, or unset {_TOKEN} and "
            f"{_TOKEN}_FILE"
        )
    return aiohttp.ClientSession(
        timeout=timeout,
        read_bufsize=read_bufsize,
        headers={"Authorization": f"Bearer {token}"} if token else None,
        connector=aiohttp.TCPConnector(ssl=_authority() if secure else True),
    )


def address(url: str, path: str) -> str:
    """The address of a path of the service."""
    return f"{url.rstrip('/')}{path}"


def refusal(url: str, status: int, body: bytes) -> LifeboundError:
    """What an answer that is no success means, as an error to raise."""
    if status in _ASKED_FOR:
        return InputError(f"{url}: {_about_the_token()}")
    said = _said(body)
    if 300 <= status < 400:
        return UnavailableError(
            f"{url}: answers with a redirect, which is not followed; give the address it leads to"
        )
    if status == 429:
        return UnavailableError(f"{url}: was asked too often; wait a minute and try again")
    if said is not None and status == 422:
        return InputError(f"{url}: {said}")
    if said is not None:
        return UnavailableError(f"{url}: {said}")
    return UnavailableError(f"{url}: answered {status}; is this a lifebound service?")


def _about_the_token() -> str:
    """What to do when the service asks for a token, or for another one."""
    if secret(_TOKEN):
        return f"the token in {_TOKEN} or {_TOKEN}_FILE is not the one of this run; ask who keeps it"
    return f"asks for the token of the run; set {_TOKEN}_FILE or {_TOKEN}, make one with lifebound token"


def trouble(url: str, error: Exception) -> str:
    """Why no answer came, in one sentence."""
    match error:
        case aiohttp.ClientConnectorCertificateError() | ssl.CertificateError():
            inner = getattr(error, "certificate_error", error)
            why = printable(str(getattr(inner, "verify_message", "") or "not valid"), 120)
            return f"its certificate is not accepted ({why}); {_CA_FILE} names the authority's certificate"
        case aiohttp.ClientConnectorSSLError() | ssl.SSLError():
            return "does not speak TLS as it should; if it serves plain HTTP, use http://"
        case aiohttp.ClientConnectorError():
            return "no service answers; start one with lifebound serve"
        case TimeoutError():
            return "no service answers in time"
    if urlsplit(url).scheme == "http":
        return "the connection is closed without an answer; if the service has a certificate, use https://"
    return "the connection is closed without an answer; is this a lifebound service?"


def check_url(url: str) -> None:
    """Raises InputError for what is no HTTP address."""
    try:
        parts = urlsplit(url)
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
        (parts.hostname or "").encode("idna")  # as it will be looked up
    except ValueError:
        sound = False
    if "@" in url:
        raise InputError(
            f"--url: a user name or password in the URL can be seen by others; the token comes from {_TOKEN}_FILE"
        )
    if not sound:
        raise InputError(f"--url {url}: use http://HOST:PORT or https://HOST:PORT")


def _token() -> str | None:
    token = secret(_TOKEN)
    if token is None or not token.strip():
        return None
    token = token.strip()
    if not token.isascii() or not token.isprintable() or " " in token:
        raise InputError(f"{_TOKEN}: this is no token; lifebound token makes one")
    return token


def _authority() -> ssl.SSLContext:
    path = os.environ.get(_CA_FILE)
    try:
        context = ssl.create_default_context(cafile=path or None)
    except ssl.SSLError:
        raise InputError(f"{_CA_FILE} {path}: holds no certificate in PEM form") from None
    except OSError as error:
        raise InputError(f"{_CA_FILE} {path}: cannot be read ({error.strerror or error})") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _said(body: bytes) -> str | None:
    """The sentence of a refusal, made harmless for a terminal."""
    try:
        return printable(msgspec.json.decode(body, type=Problem).error, 300)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
