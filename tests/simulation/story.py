"""What happens in one simulation, drawn from its seed: the campaign, the racks' own mishaps, and the faults around.

The campaign is played at ``SPEED`` times real time: a tally each 6 virtual seconds, about what racks send for real.
The reorder hold is at least twice the time after which a rack sends again what no receipt covers, as the contract
asks; outages may be much longer than the hold, and still nothing may be given up as long as a rack keeps it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal

from monitor.campaign import Campaign, Source, parse
from monitor.cli.simulate import setup_of
from shared.quantities import RESEND_AFTER_S
from simulator.behaviour import FailAt, Faults, Upset
from simulator.setup import Options, Setup

SPEED = 10.0
INTERVAL_S = 60
START_MS = 1_790_000_000_000
SETTLE_S = 4000.0  # a rack gives up when no receipt came for so long; far beyond every fault

Class = Literal["relevant", "not-relevant"]
Kind = Literal[
    "monitor killed",
    "monitor killed at a statement",
    "monitor killed while it restores",
    "monitor killed while it acknowledges",
    "monitor killed while it keeps a snapshot",
    "power lost",
    "monitor stopped",
    "broker killed",
    "broker killed, sessions lost",
    "broker restarted",
    "monitor cut off",
    "rack cut off",
    "monitor half open",
    "rack half open",
    "network down",
    "network slow",
    "queue full",
    "delivered twice",
    "disk full",
    "input/output error",
    "locked",
    "read-only",
    "false report",
    "disk slow",
    "clock set",
    "snapshot lost",
    "webhook down",
    "webhook slow",
]

_OFTEN: dict[Kind, int] = {
    "monitor killed": 6,
    "monitor killed at a statement": 8,
    "monitor killed while it restores": 4,
    "monitor killed while it acknowledges": 4,
    "monitor killed while it keeps a snapshot": 2,
    "power lost": 3,
    "monitor stopped": 2,
    "broker killed": 5,
    "broker killed, sessions lost": 4,
    "broker restarted": 3,
    "monitor cut off": 4,
    "rack cut off": 4,
    "monitor half open": 3,
    "rack half open": 3,
    "network down": 2,
    "network slow": 2,
    "queue full": 3,
    "delivered twice": 3,
    "disk full": 2,
    "input/output error": 3,
    "locked": 2,
    "read-only": 2,
    "false report": 3,
    "disk slow": 2,
    "clock set": 3,
    "snapshot lost": 2,
    "webhook down": 2,
    "webhook slow": 1,
}
LASTING = (
    "network down",
    "network slow",
    "queue full",
    "delivered twice",
    "disk full",
    "input/output error",
    "locked",
    "read-only",
    "false report",
    "disk slow",
    "webhook down",
    "webhook slow",
)  # each goes on for a while


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is made to happen at ``at_s`` (virtual); ``lasts_s`` is how long, or how long nobody is there."""

    at_s: float
    kind: Kind
    lasts_s: float
    seed: int  # of what is drawn when it happens


@dataclass(frozen=True, slots=True)
class Story:
    """One simulation before it is played."""

    seed: int
    campaign: Campaign
    setup: Setup
    options: Options
    with_storage: bool  # racks keep what they sent until a receipt covers it
    faults: tuple[Fault, ...]
    dispositions: tuple[tuple[float, str, Class], ...]  # (at_s, serial, class)
    snapshot_every_s: float
    look_every_s: float
    news_every_s: float
    save_every_s: float  # of the broker
    shuffle: bool

    @property
    def length_s(self) -> float:
        """Virtual seconds that the racks play."""
        return self.options.hours * 3600 / SPEED


def make_story(seed: int) -> Story:
    """Draw the story of a seed."""
    rng = random.Random(f"story {seed}")
    hold_s = rng.choice((2, 3, 6)) * RESEND_AFTER_S * SPEED
    campaign = _campaign(rng, hold_s)
    setup = setup_of(campaign)
    hours = rng.uniform(0.2, 0.7)
    with_storage = rng.random() < 0.85
    options = Options(rng.randrange(2**31), hours, _rack_faults(rng, setup, hours, hold_s), words=256)
    length_s = hours * 3600 / SPEED
    return Story(
        seed=seed,
        campaign=campaign,
        setup=setup,
        options=options,
        with_storage=with_storage,
        faults=_faults(rng, length_s),
        dispositions=tuple(
            (rng.uniform(0.3, 1.2) * length_s, order.serial, rng.choice(("relevant", "not-relevant")))
            for order in options.faults.fail
            if rng.random() < 0.6
        ),
        snapshot_every_s=rng.choice((10.0, 30.0, 90.0)),
        look_every_s=rng.uniform(20.0, 60.0),
        news_every_s=rng.choice((1.0, 5.0, 10.0)),
        save_every_s=rng.choice((1.0, 5.0, 60.0)),
        shuffle=rng.random() < 0.7,
    )


def _campaign(rng: random.Random, hold_s: float) -> Campaign:
    text = f"""
[campaign]
id = "simulated"
planned_hours = 10
confidence = [0.60, 0.90]
target_fit = 50
[stress]
temp_c = 125.0
temp_tol_minus_c = 2.0
temp_tol_plus_c = 5.0
supply_v = 1.98
supply_tol_v = 0.04
read_rate_hz = 1000
report_interval_s = {INTERVAL_S}
max_gap_s = {3 * INTERVAL_S}
reorder_hold_s = {hold_s}
[use]
life_years = 10
reads_per_day = 100
supply_v = 1.80
[[use.profile]]
share = 1.0
temp_c = 55.0
[[mechanism]]
name = "charge-loss"
ea_ev = 0.9
"""
    sockets = rng.randint(1, 3)
    for rack in range(1, rng.randint(1, 2) + 1):
        for board in range(1, rng.randint(1, 2) + 1):
            text += f"""
[[chips]]
rack = "oven-{rack}"
board = {board}
sockets = "1-{sockets}"
lot = "L{board}"
serial = "S{rack}{board}-{{n}}"
"""
    return parse(Source("simulated.toml", text))


def _rack_faults(rng: random.Random, setup: Setup, hours: float, hold_s: float) -> Faults:
    upsets = []
    for rack in setup.racks:
        if rng.random() < 0.3:
            upsets.append(Upset("reboot", rack, rng.uniform(0.1, 0.9) * hours, rng.uniform(0.001, 0.05)))
        if rng.random() < 0.3:  # longer than the hold, at times
            lasts_h = rng.uniform(0.1, 2.0) * hold_s / 3600
            upsets.append(Upset("outage", rack, rng.uniform(0.1, 0.8) * hours, lasts_h))
        if rng.random() < 0.3:
            upsets.append(
                Upset("clock-jump", rack, rng.uniform(0.1, 0.9) * hours, amount=rng.uniform(-7200, 7200))
            )
    failing = [chip.serial for chip in setup.chips if rng.random() < 0.3] or [setup.chips[0].serial]
    return Faults(
        fail=tuple(
            FailAt(serial, rng.uniform(0.05, 0.95) * hours, rng.choice(("hard", "soft", "burst")))
            for serial in failing
        ),
        upsets=tuple(upsets),
        duplicates=rng.choice((0.0, 0.05, 0.2)),
        reorders=rng.choice((0.0, 0.0, 0.05, 0.2)),
        delay_s=rng.uniform(5.0, min(150.0, hold_s / 3)),
        ramp_h=0.0,
    )


def _faults(rng: random.Random, length_s: float) -> tuple[Fault, ...]:
    kinds, weights = list(_OFTEN), list(_OFTEN.values())
    found = []
    for _ in range(rng.randint(2, 9)):
        at_s = rng.uniform(0.0, 0.97) * length_s
        for kind in rng.choices(
            kinds, weights, k=rng.choice((1, 1, 1, 2, 3))
        ):  # some at nearly the same time
            lasts_s = rng.choice((0.2, 2.0, 15.0, 60.0)) * rng.uniform(0.2, 2.0)
            if rng.random() < 0.08:
                lasts_s = rng.uniform(100.0, 700.0)
            found.append(Fault(at_s + rng.uniform(0, 3.0), kind, lasts_s, rng.randrange(2**31)))
    if rng.random() < 0.3:
        found += _new_sessions(rng, length_s)
    return tuple(sorted(found, key=lambda fault: fault.at_s))


def _new_sessions(rng: random.Random, length_s: float) -> list[Fault]:
    """A broker that comes back late, without its sessions; racks with a backlog and the monitor find it so."""
    at_s, lasts_s = rng.uniform(0.0, 0.8) * length_s, rng.uniform(30.0, 200.0)
    slow_s = at_s + lasts_s - 0.1
    return [
        Fault(at_s, "broker killed, sessions lost", lasts_s, rng.randrange(2**31)),
        Fault(slow_s, "network slow", rng.uniform(5.0, 20.0), rng.randrange(2**31)),
    ]
