"""A request that is refused: a status and one sentence, as JSON. What the request said is never repeated in it."""

from __future__ import annotations

import msgspec
from aiohttp import web


class Problem(msgspec.Struct, frozen=True):
    """What a refused request is answered with: one sentence."""

    error: str


class RefusedError(Exception):
    """Raised where a request is refused; the guard turns it into the answer."""

    def __init__(self, status: int, sentence: str, headers: dict[str, str] | None = None) -> None:
        super().__init__(sentence)
        self.status = status
        self.sentence = sentence
        self.headers = headers or {}

    def response(self) -> web.Response:
        """The answer."""
        return web.Response(
            body=msgspec.json.encode(Problem(self.sentence)),
            status=self.status,
            headers=self.headers,
            content_type="application/json",
        )
