"""One campaign from the racks to every face: the real command line, a real broker, 12 simulated boards.

The campaign runs once for all tests here; they look at what was seen of it. The truth it is held against is kept by
the simulator, which knows nothing of the monitor.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiohttp
import aiomqtt
import pytest
import pytest_asyncio
from aiohttp import web
from prometheus_client.parser import text_string_to_metric_families

from shared.entries import Received
from shared.errors import Refusal
from shared.messages import ReadError, Tally, decode_receipt
from tests.conftest import Broker
from tests.service.running import (
    Answer,
    Document,
    Programs,
    Service,
    equals_truth,
    journalled,
    listening,
    note_of,
    programs_in,
    until,
    write_campaign,
)

pytestmark = [pytest.mark.asyncio(loop_scope="module"), pytest.mark.timeout(120)]
HOURS, SPEED = 6, 3600
FAILING = {"A-007": 1.5, "B-011": 3.0, "C-050": 4.5}
JUDGED = "B-011"
PATHS = ("/healthz", "/readyz", "/metrics", "/v1/figures", "/v1/state")


@dataclass
class Webhook:
    """A receiver of alerts that is out of order at first."""

    url: str = ""
    refused: int = 0
    taken: list[tuple[int, Document]] = field(default_factory=list)  # when (UTC ms), what

    async def hear(self, request: web.Request) -> web.Response:
        body = await request.json()
        if self.refused < 2:
            self.refused += 1
            return web.Response(status=503)
        self.taken.append((time.time_ns() // 1_000_000, body))
        return web.Response()

    def about(self, kind: str, subject: str) -> list[tuple[int, Document]]:
        return [(at, a) for at, a in self.taken if (a["kind"], a["subject"]) == (kind, subject)]


@dataclass
class Receipts:
    """What the racks were told, and what of it was not on disk as they were told."""

    run_dir: Path
    heard: int = 0
    latest: dict[str, Document] = field(default_factory=dict)
    retained: dict[str, Document] = field(default_factory=dict)
    unfounded: list[str] = field(default_factory=list)
    on_disk: set[tuple[str, int, str, str, int]] = field(default_factory=set)
    _batch: int = 0

    def hear(self, rack: str, payload: bytes) -> None:
        self._read_disk()
        receipt = decode_receipt(payload)
        self.heard += 1
        self.latest[rack] = json.loads(payload)
        for boot, held in receipt.boots.items():
            for kind, marks in (("tally", held.tally), ("error", held.error)):
                for board, mark in marks.items():
                    claimed = {(rack, int(board), kind, boot, n) for n in range(mark + 1)}
                    self.unfounded += map(str, claimed - self.on_disk)

    def _read_disk(self) -> None:
        for number, entries in journalled(self.run_dir, self._batch):
            self._batch = number
            for e in entries:
                if isinstance(e, Received) and isinstance(e.message, Tally | ReadError):
                    at = e.message.seq if isinstance(e.message, Tally) else e.message.n
                    self.on_disk.add((e.topic.rack, e.topic.board, e.topic.kind.value, e.message.boot, at))


@dataclass
class Story:
    """What was seen of the campaign."""

    webhook: Webhook
    receipts: Receipts
    truth: Document = field(default_factory=dict)
    figures: bytes = b""  # of the run directory, once the racks had gone
    replayed: bytes = b""
    state: Document = field(default_factory=dict)  # of one instant, with the metrics of the same
    metrics: str = ""
    answers: dict[str, Answer] = field(default_factory=dict)
    judged: Document = field(default_factory=dict)
    stream: list[Document] = field(default_factory=list)
    stream_headers: dict[str, str] = field(default_factory=dict)
    stream_ended: bool = False
    seen_failing_ms: int | None = None  # when /v1/figures first showed a failure
    note_left: Document | None = None


@pytest.fixture(scope="module")
def broker(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    folder = tmp_path_factory.mktemp("broker")
    config = folder / "mosquitto.conf"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 200000\n")
    running = Broker(tool("mosquitto"), config, port, folder / "mosquitto.log")
    running.start()
    yield running
    running.stop()


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def story(broker: Broker, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Story]:
    folder = tmp_path_factory.mktemp("campaign")
    run_dir = folder / "run"
    story = Story(Webhook(), Receipts(run_dir))
    campaign = write_campaign(folder, report_interval_s=60, max_gap_s=180, reorder_hold_s=360)
    async with programs_in(folder) as programs, receiving(story.webhook), asyncio.TaskGroup() as group:
        url = f"mqtt://127.0.0.1:{broker.port}"
        service = await programs.serve(campaign, run_dir, url, "--webhook", story.webhook.url)
        await service.ready()
        listening = [
            group.create_task(hear_receipts(broker.port, story.receipts)),
            group.create_task(watch_for_failure(service, story)),
        ]
        group.create_task(read_stream(service, story))
        await simulate(programs, campaign, url, folder, story)
        await look(programs, service, story)
        await judge(programs, service, story)
        now = programs.start("figures", "--run", run_dir, "--json")
        await programs.run("export", run_dir, folder / "run.jsonl.zst")
        assert await now.ended() == 0, str(now)
        story.figures = now.stdout()
        replay = ("replay", folder / "run.jsonl.zst", "--campaign", campaign, "--json")
        story.replayed = (await programs.run(*replay)).stdout()
        await hear_retained(broker.port, story.receipts)
        for task in listening:
            task.cancel()
        await service.stop()
        story.note_left = note_of(run_dir)
    yield story


@contextlib.asynccontextmanager
async def receiving(webhook: Webhook) -> AsyncIterator[None]:
    async with listening("/alerts", webhook.hear) as webhook.url:
        yield


async def simulate(programs: Programs, campaign: Path, url: str, folder: Path, story: Story) -> None:
    fails = [word for serial, at_h in FAILING.items() for word in ("--fail", f"{serial}@{at_h}")]
    how = ("--hours", str(HOURS), "--speed", str(SPEED), "--truth", folder / "truth.json", *fails)
    await programs.run("simulate", campaign, "--broker", url, *how)
    story.truth = json.loads((folder / "truth.json").read_bytes())


async def look(programs: Programs, service: Service, story: Story) -> None:
    """Every path once; the metrics and the state of one and the same instant."""

    async def same_instant() -> bool:
        before = json.loads((await service.get("/v1/state")).body)
        story.metrics = (await service.get("/metrics")).body.decode()
        story.state = json.loads((await service.get("/v1/state")).body)
        return all(before[key] == story.state[key] for key in ("figures", "alerts"))

    await service.accepted(story.truth["transport"]["tallies"] + story.truth["transport"]["errors"])
    await until(same_instant, lambda: "the figures do not come to rest", every_s=0.2)
    story.answers = {path: await service.get(path) for path in (*PATHS, "/nothing")}
    await until(
        lambda: all(story.webhook.about("chip failed", serial) for serial in FAILING),
        lambda: f"the webhook took only {story.webhook.taken}",
    )


async def judge(programs: Programs, service: Service, story: Story) -> None:
    """Enter a disposition by the command line, beside the running service."""
    words = (
        "--class",
        "not-relevant",
        "--who",
        "R. Tern",
        "--why",
        "contact of its socket lost, see lab note 12",
    )
    await programs.run("disposition", "--run", service.run_dir, "--serial", JUDGED, *words)

    async def is_known() -> bool:
        story.judged = await service.figures()
        return bool(story.judged["chips"]["not_relevant"])

    await until(is_known, lambda: "the service does not take the disposition up")
    await until(
        lambda: len(story.webhook.about("chip failed", JUDGED)) > 1, lambda: "its alert does not clear"
    )


async def watch_for_failure(service: Service, story: Story) -> None:
    async def shows() -> bool:
        return bool((await service.figures())["failures"])

    await until(shows, lambda: "no failure shows", every_s=0.2)
    story.seen_failing_ms = time.time_ns() // 1_000_000


async def read_stream(service: Service, story: Story) -> None:
    """The stream of events until the service ends it."""
    timeout = aiohttp.ClientTimeout(total=None, sock_read=30)
    async with (
        aiohttp.ClientSession(timeout=timeout, read_bufsize=2**24) as http,
        http.get(f"{service.url}/v1/stream") as answer,
    ):
        story.stream_headers = dict(answer.headers)
        async for line in answer.content:
            if line.startswith(b"data: "):
                story.stream.append(json.loads(line[6:]))
    story.stream_ended = True


async def hear_receipts(port: int, receipts: Receipts) -> None:
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("lifebound/+/receipt", qos=1)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            receipts.hear(message.topic.value.split("/")[1], message.payload)


async def hear_retained(port: int, receipts: Receipts) -> None:
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("lifebound/+/receipt", qos=1)
        async with asyncio.timeout(20):
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                if message.retain:
                    receipts.retained[message.topic.value.split("/")[1]] = json.loads(message.payload)
                if len(receipts.retained) == 2:
                    return


# ---------------------------------------------------------------- the figures


async def test_the_figures_equal_the_truth(story: Story) -> None:
    figures = json.loads(story.figures)
    assert {f["serial"] for f in figures["failures"]} == set(FAILING)
    equals_truth(figures, story.truth)
    assert story.truth["delivery"]["covered"]
    told = story.truth["transport"]["tallies"] + story.truth["transport"]["errors"]
    presences = 2 * 2  # each of two racks comes and goes once
    assert figures["intake"]["accepted"] == told + presences


async def test_http_and_the_run_directory_say_the_same(story: Story) -> None:
    """Only a running service knows how long a board has been silent; all else is the journal's."""
    live, recorded = story.judged, json.loads(story.figures)
    for document in (live, recorded):
        del document["boards"]
    assert live == recorded


async def test_a_replay_of_the_export_gives_the_same_bytes(story: Story) -> None:
    assert story.replayed == story.figures


async def test_a_failure_shows_in_the_live_figures_and_at_the_webhook(
    story: Story, request: pytest.FixtureRequest
) -> None:
    """How long it took is recorded with the result, and not judged."""
    assert {f["serial"] for f in story.state["figures"]["failures"]} == set(FAILING)
    recorded = request.node.user_properties
    for serial in FAILING:
        at_ms, alert = story.webhook.about("chip failed", serial)[0]
        assert alert["campaign"] == "tern-a1"
        assert alert["cleared_ms"] is None
        assert alert["reason"].startswith(f"lot {serial[0]}, oven-")
        recorded.append((f"ms_from_alert_to_webhook_{serial}", at_ms - alert["began_ms"]))
    assert story.seen_failing_ms is not None
    began_ms = min(story.webhook.about("chip failed", serial)[0][1]["began_ms"] for serial in FAILING)
    recorded.append(("ms_from_alert_to_figures", story.seen_failing_ms - began_ms))


async def test_the_webhook_is_tried_again_until_it_takes_each_alert_once(story: Story) -> None:
    assert story.webhook.refused == 2
    taken = [(alert["id"], alert["cleared_ms"]) for _, alert in story.webhook.taken]
    assert len(set(taken)) == len(taken)


async def test_a_disposition_of_the_command_line_reaches_the_running_service(story: Story) -> None:
    before, after = story.state["figures"], story.judged
    assert [f["disposition"] for f in before["failures"]] == [None] * 3
    assert {f["serial"]: f["disposition"] for f in after["failures"]} == {
        "A-007": None,
        JUDGED: "not-relevant",
        "C-050": None,
    }
    assert (before["chips"]["failed"], before["chips"]["not_relevant"]) == (3, 0)
    assert (after["chips"]["failed"], after["chips"]["not_relevant"]) == (2, 1)
    for mechanism in after["mechanisms"]:
        assert (mechanism["failures"], mechanism["all"]["failures"]) == (2, 3)
    cleared = [a["cleared_ms"] for _, a in story.webhook.about("chip failed", JUDGED)]
    assert cleared[0] is None
    assert cleared[1] is not None


# ---------------------------------------------------------------- what the racks are told


async def test_receipts_never_say_more_than_is_on_disk(story: Story) -> None:
    assert story.receipts.heard >= 4, "two racks, told at least twice"
    assert story.receipts.unfounded == []


async def test_the_retained_receipts_cover_all_that_is_journalled(story: Story) -> None:
    marks = {
        (rack, int(board), kind, boot, mark)
        for rack, receipt in story.receipts.retained.items()
        for boot, held in receipt["boots"].items()
        for kind, boards in held.items()
        for board, mark in boards.items()
    }
    last: dict[tuple[str, int, str, str], int] = {}
    for rack, board, kind, boot, number in story.receipts.on_disk:
        key = (rack, board, kind, boot)
        last[key] = max(number, last.get(key, -1))
    assert marks == {(*key, number) for key, number in last.items()}
    assert len([key for key in last if key[2] == "tally"]) == 12


# ---------------------------------------------------------------- HTTP


async def test_health_and_readiness(story: Story) -> None:
    assert (story.answers["/healthz"].status, story.answers["/healthz"].body) == (200, b"ok\n")
    assert (story.answers["/readyz"].status, story.answers["/readyz"].body) == (200, b"ready\n")
    assert story.answers["/nothing"].status == 404


@pytest.mark.parametrize("path", [*PATHS, "/nothing", "/v1/stream"])
async def test_every_answer_has_the_security_headers(story: Story, path: str) -> None:
    headers = story.stream_headers if path == "/v1/stream" else story.answers[path].headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["Content-Security-Policy"] == "default-src 'none'"
    assert headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/v1/figures", "application/json"),
        ("/v1/state", "application/json"),
        ("/metrics", "text/plain; version=0.0.4"),
        ("/v1/stream", "text/event-stream"),
    ],
)
async def test_content_types(story: Story, path: str, kind: str) -> None:
    headers = story.stream_headers if path == "/v1/stream" else story.answers[path].headers
    assert headers["Content-Type"].startswith(kind)


async def test_the_stream_gives_states_and_ends_with_the_service(story: Story) -> None:
    assert story.stream_ended
    assert len(story.stream) >= 4
    accepted = [state["figures"]["intake"]["accepted"] for state in story.stream]
    assert accepted == sorted(accepted)
    assert accepted[0] < accepted[-1]
    assert set(story.stream[-1]) == {"health", "alerts", "figures"}
    assert story.stream[-1]["figures"]["chips"] == story.judged["chips"]
    assert story.note_left == {}


# ---------------------------------------------------------------- metrics

Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]
S_PER_H = 3600
FIT = 1e-9 / S_PER_H  # failures per second


def samples_of(text: str) -> Samples:
    samples: Samples = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            key = (sample.name, tuple(sorted(sample.labels.items())))
            assert key not in samples, "a series twice"
            samples[key] = float(sample.value)
    return samples


def expected(state: Document) -> Samples:  # noqa: PLR0912  one branch a metric, written out on purpose
    """Every series, made from the figures document by hand."""
    figures = state["figures"]
    want: Samples = {}

    def put(name: str, value: float | None, **labels: Any) -> None:
        if value is not None:
            key = (f"lifebound_{name}", tuple(sorted((k, str(v)) for k, v in labels.items())))
            want[key] = float(value)

    put("broker_connected", 1)
    put("journal_writable", 1)
    put("intake_unacknowledged", state["health"]["unacknowledged"])
    put("clock_steps_total", state["health"]["clock_steps"])
    put("figures_timestamp_seconds", figures["as_of_ms"] / 1000)
    for kind in {alert["kind"] for alert in state["alerts"]}:
        opened = [a for a in state["alerts"] if a["kind"] == kind and a["cleared_ms"] is None]
        put("alerts_open", len(opened), kind=kind)
    for key in ("at_risk", "failed", "not_relevant", "strangers"):
        put("chips", figures["chips"][key], state=key)
    put("chips_reading", figures["chips"]["reading"])
    put("equipment_incidents", len(figures["incidents"]))
    put("credited_chip_seconds_total", figures["exposure"]["credited_h"] * S_PER_H)
    for reason, hours in figures["exposure"]["uncredited_h"].items():
        put("uncredited_chip_seconds_total", hours * S_PER_H, reason=reason)
    put("reads_total", figures["reads"]["total"])
    put("credited_reads_total", figures["reads"]["credited"])
    put("read_errors_total", figures["reads"]["errors"])
    put("read_errors_at_risk_total", figures["reads"]["errors_at_risk"])
    for m in figures["mechanisms"]:
        put("equivalent_chip_seconds_total", m["equivalent_h"] * S_PER_H, mechanism=m["name"])
        for which, view in (("after_disposition", m), ("all", m["all"])):
            labels = {"mechanism": m["name"], "failures": which}
            put("mechanism_failures", view["failures"], **labels)
            for bound in view["bounds"]:
                for side in ("upper", "lower"):
                    rate = bound[f"fit_{side}"] * FIT
                    put(f"failure_rate_{side}_per_second", rate, confidence=bound["confidence"], **labels)
            for bound in view["anytime"]:
                rate = bound["fit_upper"] * FIT
                put("failure_rate_anytime_upper_per_second", rate, confidence=bound["confidence"], **labels)
        for bound in (m["careful"] or {"bounds": []})["bounds"]:
            for kind, key in (("one_look", "fit_upper"), ("anytime", "fit_upper_anytime")):
                careful = {"mechanism": m["name"], "confidence": bound["confidence"], "bound": kind}
                put("failure_rate_careful_upper_per_second", bound[key] * FIT, **careful)
        for plan, words in (("pass_line", ("passed", "failed")), ("sequential", ("accept", "reject"))):
            for word in ("go on", *words):
                verdict = {"mechanism": m["name"], "plan": plan, "verdict": word}
                put("plan_verdict", m[plan]["verdict"] == word, **verdict)
    for total in figures["total"]:
        for kind, key in (("one_look", "weighted"), ("anytime", "anytime")):
            confidence = total["confidence"]
            put("total_failure_rate_upper_per_second", total[key] * FIT, confidence=confidence, bound=kind)
    put("target_forecast_ratio", figures["forecast"]["chance_anytime"], bound="anytime")
    put("target_forecast_ratio", figures["forecast"]["chance_fixed"], bound="one_look")
    for bound in figures["read_error"]:
        upper, confidence = bound["per_read_upper"], bound["confidence"]
        put("read_error_probability_upper_ratio", upper, confidence=confidence)
        anytime = bound["per_read_upper_anytime"]
        put("read_error_probability_anytime_upper_ratio", anytime, confidence=confidence)
    put("target_failure_rate_per_second", figures["target"]["fit"] * FIT)
    for kind, way in (("anytime", figures["target"]), ("one_look", figures["target"]["fixed"])):
        put("target_met", way["met"], bound=kind)
        for more, key in ((0, "hours_to_go"), (1, "hours_to_go_one_more")):
            to_go = way[key]
            seconds = None if to_go is None else to_go * S_PER_H
            put("target_stress_seconds_to_go", seconds, bound=kind, further_failures=more)
    put("lot_homogeneity_p_ratio", figures["pooling"]["p_value"])
    for which in ("least", "median", "most", "fleet"):
        put("read_coverage_ratio", figures["coverage"]["reads"][which], chip=which)
        put("word_read_coverage_ratio", figures["coverage"]["reads_word"][which], chip=which)
        for line in figures["coverage"]["life"]:
            put("life_coverage_ratio", line[which], mechanism=line["mechanism"], chip=which)
    for board in figures["boards"]:
        place = {"rack": board["rack"], "board": board["board"]}
        put("board_temperature_celsius", board["temp_c"], **place)
        put("board_supply_volts", board["supply_v"], **place)
        put("board_stressing", board["state"] == "stressing", **place)
        put("board_boots_total", board["boots"], **place)
        put("board_last_receive_timestamp_seconds", board["last_recv_ms"] / 1000, **place)
    intake = figures["intake"]
    for key in ("accepted", "duplicates", "conflicts", "late", "gaps", "strangers", "disagreements"):
        put(f"intake_{key}_total", intake[key])
    put("intake_faulty_tallies_total", intake["counter_faults"])
    for reason in Refusal:
        put("intake_invalid_total", intake["invalid_reasons"].get(reason, 0), reason=reason)
    for rack in figures["racks"]:
        put("rack_refused_messages_ratio", rack["refused"] / rack["judged"], rack=rack["rack"])
    put("intake_waiting", intake["waiting"])
    return want


async def test_each_metric_is_the_figures_number_in_base_units(story: Story) -> None:
    """Read back by prometheus_client's own parser, a general-purpose library."""
    got, want = samples_of(story.metrics), expected(story.state)
    assert set(got) == set(want), set(got) ^ set(want)
    for key, value in want.items():
        assert got[key] == pytest.approx(value, rel=1e-12), key


async def test_no_series_is_of_one_chip(story: Story) -> None:
    serials = {chip["serial"] for chip in story.truth["chips"]}
    got = samples_of(story.metrics)
    assert len(got) < len(serials) == 231
    assert not {value for _, labels in got for _, value in labels} & serials


@pytest.fixture(scope="module")
def promtool(tool: Callable[[str], str]) -> str:
    return tool("promtool")


async def test_promtool_finds_nothing_wrong_with_the_metrics(story: Story, promtool: str) -> None:
    """``promtool check metrics`` parses the exposition and holds names and units against Prometheus's conventions."""
    code, said = checked(promtool, story.metrics)
    assert (code, said) == (0, "")
    assert checked(promtool, story.metrics.replace("# HELP lifebound_chips ", "# HELP lifebound_x "))[0] != 0


def checked(promtool: str, text: str) -> tuple[int, str]:
    done = subprocess.run(
        [promtool, "check", "metrics"], input=text, capture_output=True, text=True, timeout=30, check=False
    )
    return done.returncode, done.stdout + done.stderr
