"""What came in on every face of the terminal, and in the metrics: every count is there, and the page explains it."""

from __future__ import annotations

from prometheus_client.parser import text_string_to_metric_families

from monitor.faces.metrics import exposition
from monitor.faces.state import Health
from monitor.faces.terminal import intake_page, plain_line, render, summary
from monitor.faces.terminal.accounts import INTAKE_COUNTS, intake_name
from monitor.faces.terminal.intake import MEANINGS, WIDTH
from monitor.figures.document import Figures
from shared.errors import Refusal
from tests.faces.terminal import samples
from tests.figures.test_intake import troubled

HEALTH = Health(run="run", now_ms=0, ready=True, broker=None, storage=None)
KINDS = [name for name in INTAKE_COUNTS if name not in {"accepted", "waiting"}]


def figures_with_trouble() -> Figures:
    """A number of its own for each count."""
    return samples.sound(
        intake=samples.sound().intake.__class__(90001, 11, 12, 13, 14, 15, 16, 17, 18, 19, {"json": 15}, [])
    )


def test_every_count_is_on_every_face() -> None:
    figures = figures_with_trouble()
    faces = {
        "view": str(render(figures, [], samples.link(), 100, 60)),
        "summary": summary(figures),
        "line": plain_line(figures, [], samples.link()),
        "page": intake_page(figures),
    }
    for face, text in faces.items():
        words = " ".join(text.split())
        for name in KINDS:
            assert f"{intake_name(name)} {getattr(figures.intake, name)}" in words, (face, name)


def test_the_plain_line_is_silent_about_what_is_zero() -> None:
    quiet = samples.sound(intake=samples.sound().intake.__class__(5, 0, 0, 0, 0, 0, 0, 0, 3, 0, {}, []))
    assert "intake" not in plain_line(quiet, [], samples.link())


def test_every_count_is_in_the_metrics_from_the_start() -> None:
    text = exposition(samples.sound(), [], HEALTH).decode()
    found = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    for name in (*KINDS, "accepted"):
        if name not in {"counter_faults", "invalid"}:
            key = (f"lifebound_intake_{name}_total",)
            assert found[key] == getattr(samples.sound().intake, name)
    assert ("lifebound_intake_faulty_tallies_total",) in found
    assert {key[1] for key in found if key[0] == "lifebound_intake_invalid_total"} == set(Refusal)


def test_invalid_messages_without_a_reason_are_counted_too() -> None:
    more = samples.sound(
        intake=samples.sound().intake.__class__(5, 0, 0, 0, 0, 7, 0, 0, 0, 0, {"json": 3}, [])
    )
    text = exposition(more, [], HEALTH).decode()
    assert 'lifebound_intake_invalid_total{reason="json"} 3.0' in text
    assert 'lifebound_intake_invalid_total{reason="unknown"} 4.0' in text


def test_the_page_explains_each_count_and_shows_the_latest_of_each_kind() -> None:
    text = intake_page(troubled().figures)
    assert set(MEANINGS) == set(INTAKE_COUNTS)
    lines = text.splitlines()
    assert max(map(len, lines)) <= WIDTH
    flat = " ".join(text.split())
    for meaning in MEANINGS.values():
        assert meaning in flat
    for line in (
        "bench: what came in, as of 2026-06-01 07:00:00 UTC",
        "oven-1: 2 of the latest 11 messages refused",
        "  mostly: contradicts an earlier message of the same number; latest: Object",
        "Latest duplicates",
        "  2026-06-01 01:00:00 UTC  lifebound/oven-7/1/tally",
        "    the campaign names no rack oven-7",
        "Latest gaps",
        "  2026-06-01 05:00:00 UTC  oven-1 board 1, boot boot-1, number 3",
        "    seq 2 before it never came",
        "  stranger at oven-7 board 1",
    ):
        assert line in lines, line
    for kind in ("conflicts", "late tallies", "invalid messages", "messages of strangers", "counter faults"):
        assert f"Latest {kind}" in lines


def test_the_page_of_a_quiet_run_has_no_lists() -> None:
    text = intake_page(samples.sound(intake=samples.sound().intake.__class__(*[0] * 10, {}, [])))
    assert "Latest" not in text


def test_the_summary_tells_where_the_latest_are() -> None:
    assert "lifebound figures --intake" in summary(troubled().figures)
    assert "lifebound figures --intake" not in summary(samples.sound())
