"""The HTTP interface against its own OpenAPI document: drawn requests, right and wrong, with the token and without.

Whatever is drawn, the answer is one that the document describes (status, type, schema, headers), no request makes
the service fail, wrong data is refused, and where the document asks for the token nothing is answered without it.
The stream is left out: its answer has no end; ``tests/faces/test_http_guard.py`` has it.
"""

from __future__ import annotations

import asyncio
import http.client
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.config import SchemathesisConfig

from tests.faces.serving import TOKEN, serving

READS = ("/metrics", "/v1/figures", "/v1/state", "/v1/openapi.json")
OPERATIONS = [
    *((path, method) for path in (*READS, "/healthz", "/readyz") for method in ("get", "head")),
    ("/v1/dispositions", "post"),
]
RIGHT, WRONG = schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE
drawn = settings(
    deadline=None,
    database=None,
    derandomize=True,  # the same requests in every run
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
load_all_checks()
CONFORMANCE = [
    CHECKS.get_one(name)
    for name in (
        "status_code_conformance",
        "content_type_conformance",
        "response_headers_conformance",
        "response_schema_conformance",
        "negative_data_rejection",
    )
]


def nothing_fails(ctx: Any, response: Any, case: Any) -> None:
    """No server error, but for the readiness of a service that has no broker."""
    assert response.status_code < 500 or (case.path, response.status_code) == ("/readyz", 503)


@dataclass(frozen=True)
class Background:
    """What is served beside the test."""

    url: str
    entered: Callable[[], int]

    def operation(self, path: str, method: str) -> Any:
        """One operation of the document that it gives."""
        headers = {"Authorization": f"Bearer {TOKEN}"}
        document = requests.get(f"{self.url}/v1/openapi.json", headers=headers, timeout=10).json()
        schema = schemathesis.openapi.from_dict(document, config=SchemathesisConfig(seed=4))
        schema.config.update(base_url=self.url)
        return schema[path][method.upper()]


@contextmanager
def in_the_background(*, beyond: bool) -> Iterator[Background]:
    """Served by a loop of its own thread."""
    started, stop = threading.Event(), asyncio.Event()
    told: dict[str, Any] = {}

    async def main() -> None:
        async with serving(beyond=beyond) as service:
            told.update(url=service.url, loop=asyncio.get_running_loop(), journal=service.service.journal)
            started.set()
            await stop.wait()

    thread = threading.Thread(target=asyncio.run, args=(main(),))
    thread.start()
    assert started.wait(30)
    try:
        yield Background(told["url"], lambda: int(told["journal"].head.number))
    finally:
        told["loop"].call_soon_threadsafe(stop.set)
        thread.join(30)
        assert not thread.is_alive()


@pytest.fixture(scope="module")
def on_loopback() -> Iterator[Background]:
    with in_the_background(beyond=False) as served:
        yield served


@pytest.fixture(scope="module")
def beyond() -> Iterator[Background]:
    with in_the_background(beyond=True) as served:
        yield served


def examine(
    operation: Any, look: Callable[[Any], None], mode: Any = RIGHT, *, examples: int | None = None
) -> None:
    """Look at drawn cases of one operation; at one only, where nothing can be drawn."""
    if examples is None:
        examples = 100 if operation.method == "post" else 1

    @settings(drawn, max_examples=examples)
    @given(case=operation.as_strategy(generation_mode=mode))
    def each(case: Any) -> None:
        look(case)

    each()


@pytest.mark.parametrize(("path", "method"), OPERATIONS)
@pytest.mark.parametrize("where", ["on_loopback", "beyond"])
def test_with_the_token_the_answer_is_one_of_the_document(
    request: pytest.FixtureRequest, where: str, path: str, method: str
) -> None:
    served: Background = request.getfixturevalue(where)
    before, headers = served.entered(), {"Authorization": f"Bearer {TOKEN}"}
    checks = [nothing_fails, *CONFORMANCE]
    with requests.Session() as session:
        examine(
            served.operation(path, method),
            lambda case: case.call_and_validate(session=session, headers=headers, checks=checks),
        )
    assert served.entered() == before, "drawn serials are no failed chips"


def test_wrong_dispositions_are_refused_as_the_document_says(on_loopback: Background) -> None:
    before, headers = on_loopback.entered(), {"Authorization": f"Bearer {TOKEN}"}
    statuses: set[int] = set()

    def look(case: Any) -> None:
        response = case.call(session=session, headers=headers)
        statuses.add(response.status_code)
        case.validate_response(response, checks=[nothing_fails, *CONFORMANCE])

    with requests.Session() as session:
        examine(on_loopback.operation("/v1/dispositions", "post"), look, WRONG)
    assert 422 in statuses
    assert 201 not in statuses
    assert on_loopback.entered() == before


def test_right_dispositions_of_the_failed_chip_are_entered_or_refused_for_a_reason(
    on_loopback: Background,
) -> None:
    headers = {"Authorization": f"Bearer {TOKEN}"}
    outcomes: dict[int, int] = {}

    def look(case: Any) -> None:
        sent = case.body if isinstance(case.body, list) else [case.body]
        for judgement in sent:
            judgement["serial"] = "A-1"
            judgement.pop("mechanism", None)
        before = on_loopback.entered()
        response = case.call(session=session, headers=headers)
        case.validate_response(response, checks=[nothing_fails, *CONFORMANCE])
        status = response.status_code
        fits = len(sent) == 1 and all(
            text.strip() and text.isprintable() for text in (sent[0]["who"], sent[0]["why"])
        )
        assert status == (201 if fits else 422), response.text
        assert on_loopback.entered() == before + fits
        outcomes[status] = outcomes.get(status, 0) + 1

    with requests.Session() as session:
        examine(on_loopback.operation("/v1/dispositions", "post"), look)
    assert set(outcomes) == {201, 422}, outcomes


@pytest.mark.parametrize(("path", "method"), OPERATIONS)
def test_without_the_token_nothing_is_answered_that_asks_for_it(
    beyond: Background, path: str, method: str
) -> None:
    """The library's own check tries each without a token and with wrong ones."""
    operation = beyond.operation(path, method)
    needs = path not in {"/healthz", "/readyz"}
    headers = {"Authorization": f"Bearer {TOKEN}"}

    def look(case: Any) -> None:
        case.headers.pop("Authorization", None)
        response = case.call(session=session)
        assert (response.status_code == 401) is needs
        case.validate_response(response, checks=[nothing_fails, *CONFORMANCE[:-1]])
        case.call_and_validate(headers=headers, checks=[CHECKS.get_one("ignored_auth")])

    with requests.Session() as session:
        examine(operation, look, examples=20 if method == "post" else 1)


token_text = st.one_of(
    st.just(TOKEN), st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=40)
)
SEEN = st.sampled_from(
    [*READS, "/healthz", "/readyz", "/v1/dispositions", "/v1/%66igures", "//v1/figures", "/v1/"]
)


@settings(drawn, max_examples=300)
@given(
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"]),
    path=st.one_of(
        SEEN, st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=40).map("/{}".format)
    ),
    headers=st.dictionaries(
        st.sampled_from(
            ["Authorization", "Content-Type", "Accept", "X-Forwarded-For", "Range", "Expect", "Cookie"]
        ),
        st.one_of(token_text, token_text.map("Bearer {}".format), st.just("application/json")),
        max_size=4,
    ),
    body=st.one_of(
        st.binary(max_size=300),
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.text(max_size=9),
            lambda inner: (
                st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4)
            ),
        ).map(lambda value: json.dumps(value).encode()),
    ),
)
def test_whatever_is_sent_is_answered_or_refused_in_one_sentence(
    beyond: Background, method: str, path: str, headers: dict[str, str], body: bytes
) -> None:
    """No document needed: any method, path, headers and body; and no entry, as no drawn body is a disposition."""
    before = beyond.entered()
    connection = http.client.HTTPConnection(urlsplit(beyond.url).netloc, timeout=10)
    try:
        connection.request(method, path, body, {key: value.strip() for key, value in headers.items()})
        answer = connection.getresponse()
        said = answer.read()
    finally:
        connection.close()
    admitted = headers.get("Authorization", "").strip() == f"Bearer {TOKEN}"
    health = path in {"/healthz", "/readyz"}
    assert answer.status < 500 or (health and answer.status == 503)
    if answer.status == 200:
        assert admitted or health
        assert method in {"GET", "HEAD"}
    elif method != "HEAD" and not health:
        assert set(json.loads(said)) == {"error"}
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert beyond.entered() == before
