"""Was anything lost or invented? A run against what its racks really sent.

The simulation is played again from its seed and start, without a broker, a network or a disk between: that gives every
message that the racks sent, and, folded once in their order, the figures of an undisturbed run. The run that was
disturbed must hold each of these messages once and say the same, hours bit for bit.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from monitor.campaign import load
from monitor.cli.simulate import setup_of
from monitor.figures import to_json
from monitor.service.account import Account
from shared.entries import Received
from shared.messages import Presence, Tally, decode
from shared.topics import Topic
from simulator.behaviour import FailAt, Faults
from simulator.scenario import Options, Scenario, payload
from tests.service.running import Document, equals_truth, identities

COMPARED = (
    "chips",
    "exposure",
    "reads",
    "mechanisms",
    "read_error",
    "pooling",
    "coverage",
    "lots",
    "failures",
)
"""Parts of the figures that must be the same; the others tell of the monitor's clock or of repeated messages."""

_PASSING = {
    "reading",  # chips that are read at this moment
    "decided_h",  # hours of all boards at the message that decided: boards are not heard in a fixed order
}

Identity = tuple[str, int, str, str, int]


@dataclass(frozen=True)
class Ordered:
    """What the racks were told to do: the options of ``lifebound simulate``."""

    hours: float
    speed: float | None  # simulated seconds a second; None: as fast as it goes
    fails: tuple[str, ...] = ("A-007@0.5", "C-001@1.5")  # SERIAL@HOURS
    seed: int = 1

    def arguments(self) -> list[str]:
        """For the command line."""
        speed = "max" if self.speed is None else f"{self.speed:g}"
        fails = [word for fail in self.fails for word in ("--fail", fail)]
        return ["--hours", f"{self.hours:g}", "--speed", speed, "--seed", str(self.seed), *fails, "--json"]

    def options(self) -> Options:
        """For a scenario of our own."""
        fails = tuple(FailAt(serial, float(at)) for serial, _, at in (f.partition("@") for f in self.fails))
        return Options(seed=self.seed, hours=self.hours, faults=Faults(fail=fails))


@dataclass
class Verdict:
    """What came of a run. Sound: nothing lost, nothing counted twice, nothing wrong."""

    sent: int = 0  # different messages of the racks, without presence
    lost: int = 0
    doubled: int = 0
    duplicates: int = 0  # that arrived and were told as such
    wrong: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether all is well."""
        return not (self.lost or self.doubled or self.wrong)


@dataclass(frozen=True)
class Undisturbed:
    """Every message of the racks, and the figures of a run in which each arrived once, in order."""

    identities: set[Identity]
    figures: Document


def undisturbed(campaign_file: Path, ordered: Ordered, start_ms: int) -> Undisturbed:
    """Play the simulation that began at ``start_ms`` again, with nothing between racks and account."""
    campaign = load(campaign_file)
    scenario, account = Scenario(setup_of(campaign), ordered.options(), start_ms), Account(campaign)
    sent: set[Identity] = set()
    for event in scenario.events():
        topic = Topic(event.rack, event.board, event.kind)
        message = decode(event.kind, payload(event))
        account.admit(Received(start_ms + event.arrive_ms, topic, message))
        if not isinstance(message, Presence):
            number = message.seq if isinstance(message, Tally) else message.n
            sent.add((event.rack, event.board, event.kind.value, message.boot, number))
    return Undisturbed(sent, json.loads(to_json(account.figures())))


def verdict_on(
    run_dir: Path, figures: Document, truth: Document, expected: Undisturbed, *, receipts: bool = True
) -> Verdict:
    """Compare a run that has ended with the racks' truth and with the undisturbed one."""
    on_disk = identities(run_dir)
    different = set(on_disk)
    intake = figures["intake"]
    found = Verdict(
        sent=len(expected.identities),
        lost=len(expected.identities - different),
        doubled=len(on_disk) - len(different),
        duplicates=intake["duplicates"],
    )
    if invented := different - expected.identities:
        found.wrong.append(f"{len(invented)} messages that no rack sent")
    found.wrong += [
        f"{key} differs" for key in COMPARED if _lasting(figures[key]) != _lasting(expected.figures[key])
    ]
    try:
        equals_truth(figures, truth)
    except AssertionError as error:
        found.wrong.append(f"not the truth: {str(error).splitlines()[0] if str(error) else 'a number'}")
    if receipts and not truth["delivery"]["covered"]:
        found.wrong.append(f"{truth['delivery']['uncovered']} messages not covered by a receipt")
    return found


def _lasting(part: object) -> object:
    """A part of the figures without what tells of the present moment, or of the order in which boards were heard."""
    if isinstance(part, list):
        return [_lasting(each) for each in part]
    return {k: _lasting(v) for k, v in part.items() if k not in _PASSING} if isinstance(part, dict) else part


def truth_of(stdout: bytes) -> Document:
    """What ``lifebound simulate --json`` printed."""
    truth: Document = msgspec.json.decode(stdout)
    return truth
