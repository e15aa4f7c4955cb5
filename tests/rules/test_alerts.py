"""Alerts: each condition begins once and clears once, and a restart in between repeats nothing.

The figures are those of real folds of invented runs; where a state cannot be had from one (a board that is silent
while nothing arrives) the clock of the build is moved.
"""

from __future__ import annotations

import msgspec
import pytest

from monitor.figures import Figures, build
from monitor.rules.alerts import (
    BOARD_SILENT,
    CHIP_FAILED,
    EQUIPMENT,
    EXCURSION,
    NOT_READING,
    Alert,
    update,
)
from tests.figures.bench import READS_PER_H, START_MS, Bench

H_MS = 3_600_000


class Watch:
    """Keeps what is open, as the service does, and what was told in all."""

    def __init__(self) -> None:
        self.open: dict[str, Alert] = {}
        self.told: list[Alert] = []

    def look(self, figures: Figures, now_ms: int = START_MS) -> list[Alert]:
        """Look at figures; what is told now."""
        changes = update(self.open.values(), figures, now_ms)
        for alert in changes:
            if alert.cleared_ms is None:
                self.open[alert.id] = alert
            else:
                del self.open[alert.id]
        self.told += changes
        return changes

    def restart(self) -> None:
        """All that outlives a restart is what was open, and that only as JSON."""
        kept = msgspec.json.encode(list(self.open.values()))
        self.open = {alert.id: alert for alert in msgspec.json.decode(kept, type=list[Alert])}


def one(alerts: list[Alert], kind: str, subject: str) -> Alert:
    """The one alert there is, of this kind and subject."""
    (alert,) = alerts
    assert (alert.kind, alert.subject) == (kind, subject)
    return alert


def begins_holds_and_clears(
    before: Figures, during: list[Figures], after: Figures, kind: str, subject: str
) -> Alert:
    """Begins with the first of ``during``, is not told again, not even after a restart, and clears with ``after``."""
    watch = Watch()
    assert watch.look(before, 1) == []
    begun = one(watch.look(during[0], 2), kind, subject)
    assert (begun.began_ms, begun.cleared_ms) == (2, None)
    assert begun.reason
    for n, figures in enumerate(during):
        watch.restart()
        assert watch.look(figures, 3 + n) == []
    cleared = one(watch.look(after, 100), kind, subject)
    assert cleared == msgspec.structs.replace(begun, cleared_ms=100)
    watch.restart()
    assert watch.look(after, 101) == []
    assert watch.open == {}
    return begun


def quiet(hours: int = 2) -> Bench:
    bench = Bench()
    bench.hours(0, hours)
    return bench


def test_a_quiet_run_has_no_alert() -> None:
    assert Watch().look(Bench().figures) == []  # before the first message
    assert Watch().look(quiet().figures) == []


def test_a_failed_chip_waits_for_a_disposition() -> None:
    bench = quiet()
    before = bench.figures
    bench.error(0, 2.5, socket=3)
    told = bench.figures
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [0, 0, 4, 0])
    shown = bench.figures
    bench.judge(3, "B-1", "relevant", "charge-loss")
    alert = begins_holds_and_clears(before, [told, shown], bench.figures, CHIP_FAILED, "B-1")
    assert "lot B, oven-1 board 1 socket 3" in alert.reason
    assert "address 0x4d" in alert.reason


def test_a_failure_told_by_the_counters_alone_says_so() -> None:
    bench = quiet()
    bench.tally(3, 3, [3 * READS_PER_H] * 4, [0, 2, 0, 0])
    alert = one(Watch().look(bench.figures), CHIP_FAILED, "A-2")
    assert "told by the counters" in alert.reason


def test_an_incident_clears_when_the_last_of_its_chips_is_dispositioned() -> None:
    bench = quiet(1)
    for n in range(3):
        bench.error(n, 1.5, socket=n + 1)
    bench.tally(2, 2, [2 * READS_PER_H] * 4, [1, 1, 1, 0])
    watch = Watch()
    begun = watch.look(bench.figures, 1)
    assert sorted((a.kind, a.subject) for a in begun) == [
        (CHIP_FAILED, "A-1"),
        (CHIP_FAILED, "A-2"),
        (CHIP_FAILED, "B-1"),
        (EQUIPMENT, "oven-1 board 1"),
    ]
    for serial in ("A-1", "A-2"):
        bench.judge(3, serial, "not-relevant")
        watch.restart()
        one(watch.look(bench.figures, 2), CHIP_FAILED, serial)
    bench.judge(3, "B-1", "not-relevant")
    last = watch.look(bench.figures, 3)
    assert sorted((a.kind, a.cleared_ms) for a in last) == [(CHIP_FAILED, 3), (EQUIPMENT, 3)]
    assert watch.look(bench.figures, 4) == []
    assert watch.open == {}


def test_a_second_incident_of_a_board_is_another_alert() -> None:
    bench = Bench(chips=[{"rack": "r", "board": 1, "sockets": "1-6", "lot": "A", "serial": "A-{n}"}])
    for seq in (0, 1):
        bench.tally(seq, seq, [seq * READS_PER_H] * 6, rack="r")
    for n in range(6):
        bench.error(n, 1.5 + n // 3, socket=n + 1, rack="r")
    found = {a.subject for a in Watch().look(bench.figures) if a.kind == EQUIPMENT}
    assert found == {"r board 1", "r board 1 #2"}


def test_a_silent_board() -> None:
    """Three hours are allowed between two tallies; a millisecond more by the service's clock is silence."""
    bench = quiet()

    def at(hour: float) -> Figures:
        return build(
            bench.account.ledger, bench.account.session.refused, now_ms=START_MS + round(hour * H_MS)
        )

    before, during = at(5), [at(5.001), at(9)]
    bench.tally(3, 9, [9 * READS_PER_H] * 4)
    bench.tally(4, 10, [10 * READS_PER_H] * 4)
    begins_holds_and_clears(before, during, at(10), BOARD_SILENT, "oven-1 board 1")


def test_a_rack_that_says_it_goes_offline() -> None:
    bench = quiet()
    before = bench.figures
    bench.presence(2.5, online=False)
    during = bench.figures
    bench.presence(2.6, online=True)
    bench.tally(3, 3, [3 * READS_PER_H] * 4)
    alert = begins_holds_and_clears(before, [during], bench.figures, BOARD_SILENT, "oven-1 board 1")
    assert "offline" in alert.reason


def test_a_board_never_seen_is_silent_once_others_have_run_longer_than_a_gap_may_last() -> None:
    chips = [{"rack": "oven-1", "board": b, "sockets": "1", "lot": "A", "serial": "A-{n}"} for b in (1, 2)]
    bench = Bench(chips=chips)
    bench.hours(0, 3, chips=1)
    watch = Watch()
    assert watch.look(bench.figures) == []  # three hours are allowed
    bench.hours(4, 4, chips=1)
    one(watch.look(bench.figures), BOARD_SILENT, "oven-1 board 2")


@pytest.mark.parametrize(
    ("conditions", "words"),
    [
        ({"temp_c": 131.0}, "131 °C, allowed 123 to 130 °C"),
        ({"temp_c": None}, "no reading, allowed 123 to 130 °C"),
        ({"supply_v": 2.1}, "2.1 V, allowed 1.94 to 2.02 V"),
        ({"supply_v": None}, "no reading, allowed 1.94 to 2.02 V"),
    ],
)
def test_an_excursion(conditions: dict[str, float | None], words: str) -> None:
    (quantity,) = ({"temp_c": "temperature", "supply_v": "supply"}[key] for key in conditions)
    bench = quiet()
    before = bench.figures
    bench.hours(3, 3, **conditions)
    first = bench.figures
    bench.hours(4, 4, **conditions)
    second = bench.figures
    bench.hours(5, 6)
    subject = f"oven-1 board 1 {quantity}"
    alert = begins_holds_and_clears(before, [first, second], bench.figures, EXCURSION, subject)
    assert words in alert.reason


def test_an_excursion_goes_on_through_a_gap_and_a_counter_fault() -> None:
    """Whatever the first reason an interval is not credited for, the oven is still out of limits."""
    bench, watch = quiet(), Watch()
    bench.hours(3, 3, temp_c=140.0)
    watch.look(bench.figures, 3)
    bench.tally(9, 9, [9 * READS_PER_H] * 4, temp_c=140.0)  # six hours later: unwitnessed
    watch.look(bench.figures, 9)
    bench.tally(10, 10, [READS_PER_H] * 4, temp_c=140.0)  # counters fell
    watch.look(bench.figures, 10)
    bench.tally(11, 11, [2 * READS_PER_H] * 4, temp_c=125.0)
    watch.look(bench.figures, 11)
    told = [(a.subject, a.began_ms, a.cleared_ms) for a in watch.told if a.kind == EXCURSION]
    assert told == [("oven-1 board 1 temperature", 3, None), ("oven-1 board 1 temperature", 3, 11)]


def test_a_chip_that_is_not_read() -> None:
    bench = quiet()
    before = bench.figures
    stopped = 2 * READS_PER_H
    during = []
    for seq in (3, 4):
        bench.tally(seq, seq, [seq * READS_PER_H, stopped, seq * READS_PER_H, seq * READS_PER_H])
        during.append(bench.figures)
    bench.tally(5, 5, [5 * READS_PER_H, stopped + READS_PER_H, 5 * READS_PER_H, 5 * READS_PER_H])
    alert = begins_holds_and_clears(before, during, bench.figures, NOT_READING, "A-2")
    assert "oven-1 board 1 socket 2" in alert.reason


def not_reading_run() -> tuple[Bench, Watch]:
    """Chip A-2 is not read, and the alert of it is open."""
    bench, watch = quiet(), Watch()
    bench.tally(3, 3, [3 * READS_PER_H, 2 * READS_PER_H, 3 * READS_PER_H, 3 * READS_PER_H])
    one(watch.look(bench.figures), NOT_READING, "A-2")
    return bench, watch


def test_while_nothing_is_known_an_alert_stays_open() -> None:
    """A rack goes offline and comes back with a new boot: only its first interval tells whether the chip is read."""
    bench, watch = not_reading_run()
    bench.presence(3.5, online=False)
    one(watch.look(bench.figures, 1), BOARD_SILENT, "oven-1 board 1")  # and no word of the chip
    bench.tally(0, 4, [0] * 4, boot="boot-2")
    one(watch.look(bench.figures, 2), BOARD_SILENT, "oven-1 board 1")  # cleared
    watch.restart()
    assert bench.figures.boards[0].state == "starting"
    assert watch.look(bench.figures, 3) == []
    bench.tally(1, 5, [READS_PER_H] * 4, boot="boot-2")
    assert one(watch.look(bench.figures, 4), NOT_READING, "A-2").cleared_ms == 4


def test_an_excursion_hides_whether_a_chip_is_read_so_its_alert_stays_open() -> None:
    bench, watch = not_reading_run()
    bench.hours(4, 4, temp_c=140.0)
    one(watch.look(bench.figures), EXCURSION, "oven-1 board 1 temperature")
    assert NOT_READING in {a.kind for a in watch.open.values()}
    bench.hours(5, 6)
    assert {(a.kind, a.cleared_ms is None) for a in watch.look(bench.figures, 9)} == {
        (EXCURSION, False),
        (NOT_READING, False),
    }


def test_an_excursion_stays_open_while_the_board_is_silent() -> None:
    bench, watch = quiet(), Watch()
    bench.hours(3, 3, temp_c=140.0)
    one(watch.look(bench.figures), EXCURSION, "oven-1 board 1 temperature")
    refused = bench.account.session.refused
    silent = build(bench.account.ledger, refused, now_ms=START_MS + 9 * H_MS)
    assert silent.boards[0].state == "silent"
    one(watch.look(silent, 1), BOARD_SILENT, "oven-1 board 1")
    assert {a.kind for a in watch.open.values()} == {EXCURSION, BOARD_SILENT}


def test_a_chip_that_fails_while_it_is_not_read_has_one_open_alert_less() -> None:
    bench, watch = not_reading_run()
    bench.error(0, 3.5, socket=2)
    changes = {(a.kind, a.cleared_ms is None) for a in watch.look(bench.figures, 1)}
    assert changes == {(NOT_READING, False), (CHIP_FAILED, True)}


def test_a_condition_that_comes_back_is_a_new_alert_with_an_id_of_its_own() -> None:
    bench, watch = quiet(), Watch()
    for seq, temp_c in ((3, 140.0), (4, 125.0), (5, 125.0), (6, 140.0)):
        bench.hours(seq, seq, temp_c=temp_c)
        watch.look(bench.figures, seq)
    begun = [a for a in watch.told if a.cleared_ms is None]
    assert [a.began_ms for a in begun] == [3, 6]
    assert len({a.id for a in begun}) == 2
    assert len(watch.told) == 3


def test_every_alert_of_one_look_has_an_id_of_its_own() -> None:
    bench = quiet(1)
    for n in range(4):
        bench.error(n, 1.5, socket=n + 1)
    changes = update([], bench.figures, 7)
    assert len(changes) == 5
    assert len({a.id for a in changes}) == 5
    assert all(" " not in a.id for a in changes)


def test_a_board_of_which_only_late_tallies_come_is_silent() -> None:
    """A damaged seq far ahead makes everything after it late: tallies arrive, and none of them counts."""
    bench, watch = quiet(), Watch()
    bench.tally(10**9, 3, [3 * READS_PER_H] * 4)
    bench.hours(4, 12)
    figures = bench.figures
    assert figures.intake.late > 0
    assert figures.boards[0].state == "silent"
    assert figures.chips.reading == 0
    one(watch.look(figures), BOARD_SILENT, "oven-1 board 1")


def test_a_controller_that_boots_again_and_again_is_silent() -> None:
    bench, watch = quiet(), Watch()
    for hour in range(3, 14):
        bench.tally(0, hour, [0] * 4, boot=f"boot at {hour}")
    assert bench.figures.boards[0].boots == 12
    one(watch.look(bench.figures), BOARD_SILENT, "oven-1 board 1")
