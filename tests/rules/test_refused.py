"""A rack whose messages are mostly refused: one alert that says why, which does not flap and outlives a restart."""

from __future__ import annotations

import msgspec
import pytest

from monitor.figures import Figures, build
from monitor.rules.alerts import REFUSED, conditions
from shared.entries import Refused
from tests.figures.bench import READS_PER_H, Bench
from tests.rules.test_alerts import Watch, begins_holds_and_clears, one

BROKEN = {"boot": "boot-1", "seq": 0}


def hear(bench: Bench, sound: int = 0, broken: int = 0) -> Bench:
    """So many sound tallies after those before, then so many that lack their fields."""
    first = bench.account.ledger.accepted
    bench.hours(first, first + sound - 1)
    for _ in range(broken):
        bench.send(1, "oven-1/1/tally", BROKEN)
    return bench


def figures_of(letters: str) -> Figures:
    """Figures of a rack that fared like this; nothing else of them is looked at."""
    return build(Bench().account.ledger, Refused(racks={"oven-1": letters}))


def alerted(letters: str, watch: Watch | None = None) -> bool:
    watch = watch or Watch()
    watch.look(figures_of(letters))
    return any(alert.kind == REFUSED for alert in watch.open.values())


def test_the_alert_says_how_many_why_and_what_to_do() -> None:
    bench = hear(Bench(), sound=3, broken=17)
    alert = one(Watch().look(bench.figures), REFUSED, "oven-1")
    assert alert.reason == (
        "17 of the latest 20 messages of oven-1 were refused, mostly: a field is missing or has a wrong value; "
        "latest: Object missing required field `temp_c`; no hours are credited for them; "
        "check the controller's software against the wire contract"
    )


def test_it_begins_once_holds_over_a_restart_and_clears() -> None:
    bench = hear(Bench(), sound=5)
    before = bench.figures
    during = [hear(bench, broken=9).figures, hear(bench, broken=5).figures, hear(bench, sound=14).figures]
    begins_holds_and_clears(before, during, hear(bench, sound=2).figures, REFUSED, "oven-1")


@pytest.mark.parametrize(
    ("letters", "expected"),
    [
        ("", False),
        ("f" * 9, False),  # too few to tell
        ("f" * 10, True),
        ("." * 10 + "f" * 10, False),  # half is not more than half
        ("." * 9 + "f" * 11, True),
        (".cjn" * 5, True),
        ("." * 20, False),
    ],
)
def test_it_begins_when_more_than_half_of_ten_are_refused(letters: str, expected: bool) -> None:
    assert alerted(letters) == expected


def test_it_does_not_flap() -> None:
    """Once begun it goes on until less than a quarter is refused."""
    watch = Watch()
    assert alerted("." * 9 + "f" * 11, watch)
    for refused in (10, 9, 10, 6, 5, 11, 5):
        assert alerted("." * (20 - refused) + "f" * refused, watch)
    assert len(watch.told) == 1
    assert not alerted("." * 16 + "f" * 4, watch)
    for refused in (5, 10, 9):
        assert not alerted("." * (20 - refused) + "f" * refused, watch)
    assert len(watch.told) == 2


def test_duplicates_and_strangers_raise_nothing() -> None:
    bench = hear(Bench(), sound=2)
    for _ in range(40):
        bench.hours(1, 1)
        bench.tally(0, 1, [READS_PER_H], board=7)
        bench.error(0, 1, socket=9)
    assert [condition for condition in conditions(bench.figures) if condition.kind == REFUSED] == []


def test_the_most_frequent_reason_is_told() -> None:
    figures = figures_of("." * 3 + "f" * 5 + "n" * 8 + "c" * 4)
    alert = one(Watch().look(figures), REFUSED, "oven-1")
    assert "17 of the latest 20 messages" in alert.reason
    assert "mostly: its numbers jump" in alert.reason


def test_what_is_counted_outlives_a_restart() -> None:
    bench = hear(Bench(), sound=4, broken=12)
    stored = msgspec.json.encode(bench.account.session.refused)
    after = build(Bench().account.ledger, msgspec.json.decode(stored, type=Refused))
    assert after.racks == bench.figures.racks
    assert alerted(bench.account.session.refused.racks["oven-1"])
