"""The OpenAPI 3.1 document of the HTTP interface, with its schemas made from the very types that are sent.

So a field that is added to the figures is in the document without anybody's care, and a test holds the routes
against the paths both ways.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import msgspec

from monitor.faces.judging import EnteredNow, Judgement, Judgements
from monitor.faces.metrics import CONTENT_TYPE as METRICS_TYPE
from monitor.faces.refusal import Problem
from monitor.faces.state import State
from monitor.figures import Figures
from shared.version import software

JSON = "application/json"
_Document = dict[str, Any]
_RETRY = {"Retry-After": {"description": "Seconds to wait.", "schema": {"type": "string"}}}
_HEADERS: dict[int, _Document] = {
    401: {"WWW-Authenticate": {"description": "Always Bearer.", "schema": {"type": "string"}}},
    405: {"Allow": {"description": "What can be asked here.", "schema": {"type": "string"}}},
    429: _RETRY,
}
_GUARDED = (400, 401, 413, 421, 429, 500)


def document(*, reads_are_free: bool) -> _Document:
    """The document of a service whose reads are free (on loopback) or need the token like its writes."""
    _, schemas = msgspec.json.schema_components(
        [Figures, State, Judgement, EnteredNow, Problem], ref_template="#/components/schemas/{name}"
    )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "lifebound",
            "version": software().split()[-1],
            "description": "Figures of an operating-life stress test while it runs, and the judgement of failed chips.",
        },
        "servers": [{"url": "/"}],
        "paths": _paths([] if reads_are_free else [{"token": []}]),
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "The token of the run, made by lifebound token. A write always needs it; a read "
                    "only where the service is served beyond loopback.",
                }
            },
        },
    }


def _paths(read: list[_Document]) -> _Document:
    figures = _content(JSON, {"$ref": "#/components/schemas/Figures"})
    state = _content(JSON, {"$ref": "#/components/schemas/State"})
    text = _content("text/plain", {"type": "string"})
    return {
        "/healthz": _read("Whether the process lives", {200: ("It does.", text)}, [], (400, 421, 500)),
        "/readyz": _read(
            "Whether messages are recorded at this moment",
            {200: ("They are.", text), 503: ("They are not, and why.", text)},
            [],
            (400, 421, 500),
        ),
        "/metrics": _read(
            "The figures as metrics, in base units",
            {200: ("Prometheus text.", _content(METRICS_TYPE, {"type": "string"}))},
            read,
        ),
        "/v1/figures": _read("The figures document", {200: ("As it stands now.", figures)}, read),
        "/v1/state": _read(
            "Figures, alerts and health of one instant", {200: ("As it is now.", state)}, read
        ),
        "/v1/stream": _read(
            "The state now and with every change, as server-sent events",
            {
                200: (
                    "Events named state, each with a State as JSON; ends when the service stops or the token is "
                    "revoked.",
                    _content("text/event-stream", {"type": "string"}),
                ),
                503: ("Too many streams are read.", _problem()),
            },
            read,
            head=False,
        ),
        "/v1/openapi.json": _read(
            "This document", {200: ("OpenAPI 3.1.", _content(JSON, {"type": "object"}))}, read
        ),
        "/v1/dispositions": {"post": _write()},
    }


def _read(
    summary: str,
    answers: dict[int, tuple[str, _Document]],
    security: list[_Document],
    refusals: tuple[int, ...] = _GUARDED,
    *,
    head: bool = True,
) -> _Document:
    operation = {"summary": summary, "security": security, "responses": _responses(answers, refusals)}
    if not head:
        return {"get": operation}
    bare: dict[int, tuple[str, _Document]] = {status: (text, {}) for status, (text, _) in answers.items()}
    without_body = {
        "summary": f"{summary} (headers only)",
        "security": security,
        "responses": _responses(bare, refusals, bodies=False),
    }
    return {"get": operation, "head": without_body}


def _write() -> _Document:
    one, several = (
        {"$ref": "#/components/schemas/Judgement"},
        msgspec.json.schema_components([Judgements], ref_template="#/components/schemas/{name}")[0][0],
    )
    return {
        "summary": "Enter the judgement of one failed chip, or of several: all of them or none",
        "security": [{"token": []}],
        "requestBody": {"required": True, "content": {JSON: {"schema": {"anyOf": [one, several]}}}},
        "responses": _responses(
            {201: ("Entered, and on disk.", _content(JSON, {"$ref": "#/components/schemas/EnteredNow"}))},
            (*_GUARDED, 408, 415, 422, 503),
        ),
    }


def _responses(
    answers: dict[int, tuple[str, _Document]], refusals: tuple[int, ...], *, bodies: bool = True
) -> _Document:
    told = {status: {"description": text, **body} for status, (text, body) in answers.items()}
    for status in refusals:
        told.setdefault(
            status,
            {
                "description": f"{HTTPStatus(status).phrase}: the error says why, in one sentence.",
                **({"headers": _HEADERS[status]} if status in _HEADERS else {}),
                **(_problem() if bodies else {}),
            },
        )
    return {str(status): told[status] for status in sorted(told)}


def _problem() -> _Document:
    return _content(JSON, {"$ref": "#/components/schemas/Problem"})


def _content(kind: str, schema: _Document) -> _Document:
    return {"content": {kind: {"schema": schema}}}
