"""The OpenAPI document: every route is in it and the other way round, and what is answered is what it describes."""

from __future__ import annotations

from typing import Any

import jsonschema_rs
import pytest

from monitor.faces.guard import Access
from monitor.faces.http import make_app
from monitor.faces.metrics import CONTENT_TYPE
from monitor.faces.openapi import document
from tests.faces.serving import SENT, serving, small_service


@pytest.mark.parametrize("reads_are_free", [True, False])
async def test_routes_and_document_agree_both_ways(reads_are_free: bool) -> None:
    app = make_app(await small_service(), Access(lambda token: False, reads_are_free))
    served = {
        (route.method.lower(), str(route.resource.canonical))
        for route in app.router.routes()
        if route.resource
    }
    described = document(reads_are_free=reads_are_free)
    told = {(method, path) for path, item in described["paths"].items() for method in item}
    assert served == told


def test_the_token_is_asked_for_where_it_is_needed() -> None:
    for free in (True, False):
        needs = {
            (method, path): operation["security"]
            for path, item in document(reads_are_free=free)["paths"].items()
            for method, operation in item.items()
        }
        assert needs["post", "/v1/dispositions"] == [{"token": []}]
        assert needs["get", "/healthz"] == needs["get", "/readyz"] == []
        for path in ("/metrics", "/v1/figures", "/v1/state", "/v1/stream", "/v1/openapi.json"):
            assert needs["get", path] == ([] if free else [{"token": []}])


async def test_what_is_answered_fits_the_document_and_a_lost_key_would_not() -> None:
    async with serving() as service:
        described: dict[str, Any] = (await service.ask("/v1/openapi.json")).json
        assert described == document(reads_are_free=True)
        assert described["openapi"] == "3.1.0"
        assert (await service.ask("/metrics")).headers["Content-Type"] == CONTENT_TYPE
        entered = (await service.send(SENT)).json
        await service.service._look()
        answers = {
            "Figures": (await service.ask("/v1/figures")).json,
            "State": (await service.ask("/v1/state")).json,
            "EnteredNow": entered,
            "Problem": (await service.ask("/nothing")).json,
        }
        assert answers["Figures"]["failures"][0]["dispositions"], "a document with something in it"
        for name, answer in answers.items():
            schema = {"$ref": f"#/components/schemas/{name}", "components": described["components"]}
            fits = jsonschema_rs.validator_for(schema)
            assert fits.is_valid(answer), name
            required = described["components"]["schemas"][name]["required"]
            assert set(required) <= set(answer)
            for key in required:
                assert not fits.is_valid({k: v for k, v in answer.items() if k != key}), (name, key)
