"""The wall clock of the host may be set: that neither hides nor invents silence of a board, and it is told.

Every clock here is played. The control is the same account judged by the wall clock alone, as a replay has to: there
the jumps do what they must not do in a service.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import Any

import msgspec
import pytest

from monitor.figures import Age
from monitor.intake.link import Address, Delivery
from monitor.journal import MemoryJournal, Run
from monitor.ledger import freeze, thaw
from monitor.rules.alerts import BOARD_SILENT, conditions
from monitor.service import service as service_module
from monitor.service.clock import Ages, Steps
from monitor.service.service import Service, Settings, make_service
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_snapshot import SMALL
from tests.service.plant import Broker, running

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
GAP_MS = 30_000  # of the campaign: three report intervals of 10 s
PLACE = ("oven-1", 1)
CAMPAIGN = campaign_of(SMALL)


@dataclass
class Host:
    """A host whose wall clock can be set, and a service on it that is fed by hand."""

    steady: int = 1_000_000
    wall: int = 1_800_000_000_000
    seq: int = 0
    service: Service = field(init=False)
    journal: MemoryJournal = field(init=False)

    async def start(self) -> None:
        self.journal = MemoryJournal(Run("run", 0, CAMPAIGN.source))
        await self.restart()

    async def restart(self) -> None:
        settings = Settings(Address("broker.invalid", 1883), "lifebound-test")
        self.service = await make_service(
            self.journal, settings, CAMPAIGN, lambda: self.wall, steady=lambda: self.steady
        )

    def goes_on(self, ms: int) -> None:
        self.steady += ms
        self.wall += ms

    def sets_its_clock(self, by_ms: int) -> None:
        self.wall += by_ms

    async def tally(self, *, boot: str = "b", seq: int | None = None) -> None:
        number = self.seq if seq is None else seq
        self.seq = number + 1
        await self.service.recorder.record([tally(number, boot)])

    async def presence(self, *, online: bool) -> None:
        payload = {"v": 1, "online": online, "boot": "b", "t_ms": 0, **({"boards": [1]} if online else {})}
        topic = "lifebound/oven-1/presence"
        await self.service.recorder.record([Delivery(topic, msgspec.json.encode(payload), 1, 1)])

    def state(self) -> str:
        """The board's state in the figures of the service."""
        recorder = self.service.recorder
        return recorder.account.figures(self.wall, recorder.ages.at(self.steady)).boards[0].state

    def by_the_wall(self) -> str:
        """The same by receive times alone."""
        return self.service.recorder.account.figures(self.wall).boards[0].state


def tally(seq: int, boot: str = "b") -> Delivery:
    payload: dict[str, Any] = {
        "v": 1,
        "boot": boot,
        "seq": seq,
        "t_ms": 0,
        "up_ms": 10_000 * (seq + 1),
        "temp_c": 125.0,
        "supply_v": 1.98,
        "reads": [1000 * (seq + 1)],
        "errors": [0],
    }
    return Delivery("lifebound/oven-1/1/tally", msgspec.json.encode(payload), 1, 1)


@pytest.fixture
async def host() -> Host:
    host = Host()
    await host.start()
    for _ in range(3):
        await host.tally()
        host.goes_on(10_000)
    assert host.state() == host.by_the_wall() == "stressing"
    return host


# ---------------------------------------------------------------- silence


async def test_a_clock_set_back_hides_no_silence(host: Host) -> None:
    host.sets_its_clock(-HOUR_MS)
    host.goes_on(GAP_MS - 10_000)
    assert host.state() == "stressing"
    host.goes_on(1)
    assert host.state() == "silent", "in time"
    assert host.by_the_wall() == "stressing", "which it would be for an hour more"


async def test_a_clock_set_forward_invents_no_silence(host: Host) -> None:
    host.sets_its_clock(DAY_MS)
    assert host.state() == "stressing"
    assert host.by_the_wall() == "silent"
    host.goes_on(GAP_MS - 10_000 + 1)
    assert host.state() == "silent", "but a real one is seen"


async def test_tallies_after_the_jump_are_heard_whatever_their_time(host: Host) -> None:
    """Set back to the very ms of the tally before: the receive times are the same, and the tally is new."""
    host.sets_its_clock(-10_000)
    last = host.service.recorder.account.ledger.boards[PLACE].last_recv_ms
    assert last == host.wall
    host.goes_on(GAP_MS - 10_000)
    host.sets_its_clock(-GAP_MS + 10_000)
    await host.tally()
    assert host.service.recorder.account.ledger.boards[PLACE].last_recv_ms == last
    host.goes_on(GAP_MS)
    assert host.state() == "stressing"
    host.goes_on(1)
    assert host.state() == "silent"


async def test_a_board_that_only_boots_again_is_silent_in_time_too(host: Host) -> None:
    """Tallies come, but none that follows another; the hold for reordering stands on top."""
    limits = host.service.recorder.account.ledger.limits
    host.sets_its_clock(-DAY_MS)
    elapsed_ms = 10_000
    for boot in range((limits.max_gap_ms + limits.hold_ms) // 10_000):
        assert host.state() != "silent", elapsed_ms
        await host.tally(boot=f"c{boot}", seq=0)
        host.goes_on(10_000)
        elapsed_ms += 10_000
    assert elapsed_ms > limits.max_gap_ms + limits.hold_ms
    assert host.state() == "silent"
    assert host.by_the_wall() != "silent"


async def test_offline_is_what_the_rack_said_last_and_not_what_bears_the_later_time(host: Host) -> None:
    await host.tally()
    host.sets_its_clock(-HOUR_MS)
    await host.presence(online=False)
    assert host.state() == host.by_the_wall() == "offline"
    host.sets_its_clock(-HOUR_MS)
    await host.tally()
    assert host.state() == "stressing"
    ledger = host.service.recorder.account.ledger
    thawed = thaw(CAMPAIGN, freeze(ledger))
    assert thawed is not None
    assert thawed.racks["oven-1"].presence_arrival == ledger.racks["oven-1"].presence_arrival == 5
    assert thawed.boards[PLACE].last_arrival == ledger.boards[PLACE].last_arrival == 6


# ---------------------------------------------------------------- over a restart


@pytest.mark.parametrize(
    ("away_ms", "set_by_ms", "then"),
    [
        (1_000, 0, "stressing"),
        (GAP_MS, 0, "silent"),
        (1_000, -DAY_MS, "stressing"),
        (GAP_MS, -DAY_MS, "stressing"),  # it cannot know better yet ...
    ],
)
async def test_after_a_restart_ages_begin_by_the_wall_clock_but_never_in_the_future(
    host: Host, away_ms: int, set_by_ms: int, then: str
) -> None:
    host.goes_on(away_ms)
    host.sets_its_clock(set_by_ms)
    host.steady = 17  # another boot of the host
    await host.restart()
    assert host.state() == then
    host.goes_on(GAP_MS + 1)
    assert host.state() == "silent", "... but does in time"


@pytest.mark.parametrize("set_by_ms", [-HOUR_MS, DAY_MS])
async def test_a_board_never_seen_is_missed_in_time_since_the_run_began(set_by_ms: int) -> None:
    host = Host()
    await host.start()
    assert host.service.recorder.ages.at(0) == {}

    def silent() -> bool:
        recorder = host.service.recorder
        figures = recorder.account.figures(host.wall, recorder.ages.at(host.steady))
        assert figures.boards[0].state == "never seen"
        return BOARD_SILENT in {condition.kind for condition in conditions(figures) if condition.holds}

    host.goes_on(DAY_MS)
    assert not silent(), "before its first entry no run has begun"
    await host.presence(online=True)
    host.sets_its_clock(set_by_ms)
    await host.presence(online=True)
    host.goes_on(GAP_MS)
    assert not silent()
    host.goes_on(1)
    assert silent()
    await host.restart()
    host.goes_on(1)
    assert silent() == (set_by_ms > 0), "of what was before the start only the wall clock tells"
    host.goes_on(GAP_MS)
    assert silent()


async def test_ages_tell_any_tally_and_one_that_closes_an_interval_apart(host: Host) -> None:
    ages: Ages = host.service.recorder.ages
    assert ages.at(host.steady) == {PLACE: Age(10_000, 10_000)}
    await host.tally(boot="c", seq=0)
    host.goes_on(5)
    assert ages.at(host.steady) == {PLACE: Age(5, 10_005)}


# ---------------------------------------------------------------- told


def test_a_step_is_what_the_steady_clock_does_not_see() -> None:
    steps = Steps()
    seen = [
        steps.look(wall, steady)
        for wall, steady in (
            (10_000, 0),
            (11_000, 1_000),
            (73_000, 61_000),  # a look that came late, and a clock that was slowed or hurried a little
            (3_673_000, 61_000),
            (3_674_000, 62_000),
            (74_000, 62_000),
        )
    ]
    assert seen == [None, None, None, 3_600_000, None, -3_600_000]
    assert (steps.count, steps.last_ms) == (2, -3_600_000)


async def test_the_service_tells_that_the_clock_was_set_and_silence_stays_what_it_is(
    host: Host, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(service_module, "LOOK_EVERY_S", 0.001)
    monkeypatch.setattr(service_module, "LOOK_LEAST_OFTEN_S", 0.0)
    service = host.service
    broker = Broker()
    service.connect = broker.connect
    with caplog.at_level(logging.WARNING):
        async with running(service) as until:
            host.sets_its_clock(DAY_MS)
            await until(lambda: service.state().health.clock_steps == 1)
            assert service.state().health.clock_step_ms == DAY_MS
            assert not [a for a in service.state().alerts if a.kind == BOARD_SILENT]
            host.sets_its_clock(-2 * DAY_MS)
            host.goes_on(GAP_MS)
            await until(lambda: bool([a for a in service.state().alerts if a.kind == BOARD_SILENT]))
            assert service.state().health.clock_steps == 2
    told = [r.getMessage() for r in caplog.records if "clock" in r.getMessage()]
    assert told == [
        "the clock of this machine was set by +86400 s; hours are not affected",
        "the clock of this machine was set by -172800 s; hours are not affected",
    ]
