"""A running service, asked over HTTP."""

from __future__ import annotations

from urllib.parse import urlsplit

import aiohttp
import msgspec

from monitor.figures import Figures, from_json
from shared.errors import InputError, UnavailableError

_TIMEOUT_S = 10


async def fetch(url: str) -> Figures:
    """The figures of a running service. Raises UnavailableError, InputError."""
    check_url(url)
    try:
        async with (
            aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=_TIMEOUT_S)) as http,
            http.get(f"{url.rstrip('/')}/v1/figures") as answer,
        ):
            body = await answer.read()
            if answer.status != 200:
                raise UnavailableError(f"{url}: answered {answer.status}; is this a lifebound service?")
        return from_json(body)
    except (aiohttp.ClientError, TimeoutError):
        raise UnavailableError(f"{url}: no service answers; start one with lifebound serve") from None
    except msgspec.MsgspecError as error:
        raise UnavailableError(f"{url}: does not answer with a figures document ({error})") from None


def check_url(url: str) -> None:
    """Raises InputError for what is no HTTP address."""
    try:
        parts = urlsplit(url)
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        sound = False
    if not sound:
        raise InputError(f"--url {url}: use http://HOST:PORT")
