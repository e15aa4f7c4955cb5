"""A simulation put together from its seed: racks that send messages in order of time, and the known truth.

The same setup, options and start give the same messages and truth, byte for byte.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator

import numpy as np

from shared.messages import Presence, ReadError, Tally, encode
from shared.topics import Kind, Topic, format_topic
from simulator.behaviour import PRESETS, FailAt, Faults, Life, Rate, Upset, preset
from simulator.board import Board, Clock
from simulator.faults import Cut, Event, cut_off, disturb, lose
from simulator.plan import Boot, RackPlan, boot_at, make_plan
from simulator.setup import Chip, Mechanism, Options, Setup
from simulator.truth import Book, Delivery, Totals, Transport, Truth

__all__ = [
    "PRESETS",
    "Chip",
    "Event",
    "FailAt",
    "Faults",
    "Life",
    "Mechanism",
    "Options",
    "Rack",
    "Rate",
    "Scenario",
    "Setup",
    "Truth",
    "Upset",
    "preset",
]

SOFTWARE = "simulated rack 1"


class Rack:
    """One simulated rack. ``events`` may be taken once; ``book`` notes what was taken."""

    def __init__(self, setup: Setup, options: Options, plan: RackPlan, start_ms: int) -> None:
        self.name = plan.rack
        self.plan = plan
        self.book = Book()
        self.clock = Clock(start_ms, plan.jumps)
        self._setup = setup
        self._options = options
        self.boards = {board.board: Board(setup, options, board, self.clock) for board in plan.boards}

    def events(self) -> Iterator[Event]:
        """Every message of the rack in order of arrival, with all that happens to messages on the way."""
        faults = self._options.faults
        rng = np.random.default_rng(self.plan.rng_key)
        events: Iterator[Event] = heapq.merge(
            self._boots(), *(board.events() for board in self.boards.values()), key=lambda event: event.at_ms
        )
        if faults.losses:
            events = lose(events, faults.losses, rng, self._lost)
        if faults.duplicates or faults.reorders:
            delay_ms = max(round(faults.delay_s * 1000), 1)
            events = disturb(events, faults.duplicates, faults.reorders, delay_ms, rng)
        for event in cut_off(events, self._cuts()):
            self.book.note(event)
            yield event

    def presence(self, boot: Boot, at_ms: int, *, online: bool, connected_ms: int | None = None) -> Presence:
        """What the rack says of itself at ``at_ms``; a will carries the time of connecting."""
        t_ms = self.clock.utc_ms(at_ms if connected_ms is None else connected_ms)
        if not online:
            return Presence(v=1, online=False, boot=boot.id, t_ms=t_ms)
        return Presence(
            v=1,
            online=True,
            boot=boot.id,
            t_ms=t_ms,
            boards=sorted(self.boards),
            software=SOFTWARE,
        )

    def farewell(self, at_ms: int) -> Event:
        """The presence of a clean stop."""
        boot = boot_at(self.plan.boots, at_ms)
        return self._event(at_ms, self.presence(boot, at_ms, online=False))

    def _event(self, at_ms: int, presence: Presence) -> Event:
        return Event(at_ms, at_ms, self.name, 0, Kind.PRESENCE, presence)

    def _boots(self) -> Iterator[Event]:
        """Presence at the start of each boot, and the will at the end of each but the last."""
        for boot in self.plan.boots:
            yield self._event(boot.start_ms, self.presence(boot, boot.start_ms, online=True))
            if boot is not self.plan.boots[-1]:
                will = self.presence(boot, boot.end_ms, online=False, connected_ms=boot.start_ms)
                yield self._event(boot.end_ms, will)

    def _cuts(self) -> list[Cut]:
        cuts = []
        connected_ms = 0
        for window in self.plan.cuts:
            before = boot_at(self.plan.boots, window.from_ms)
            after = boot_at(self.plan.boots, window.to_ms)
            since = max(before.start_ms, connected_ms)
            will = self.presence(before, window.from_ms, online=False, connected_ms=since)
            back = self.presence(after, window.to_ms, online=True)
            cuts.append(
                Cut(
                    window.from_ms,
                    window.to_ms,
                    self._event(window.from_ms, will),
                    self._event(window.to_ms, back),
                )
            )
            connected_ms = window.to_ms
        return cuts

    def _lost(self, _event: Event) -> None:
        self.book.lost += 1


class Scenario:
    """A whole simulation: take each rack's events, or all of them in order of arrival, then ask for the truth."""

    def __init__(self, setup: Setup, options: Options, start_ms: int) -> None:
        self.setup = setup
        self.options = options
        self.start_ms = start_ms
        self._plan = make_plan(setup, options, start_ms)
        self.racks = [Rack(setup, options, plan, start_ms) for plan in self._plan.racks]

    def events(self) -> Iterator[Event]:
        """The messages of all racks in order of arrival."""
        return heapq.merge(*(rack.events() for rack in self.racks), key=lambda event: event.arrive_ms)

    def topic(self, event: Event) -> str:
        """The topic that an event is published on."""
        return format_topic(self.setup.prefix, Topic(event.rack, event.board, event.kind))

    def truth(self, delivery: Delivery | None = None) -> Truth:
        """The truth of what has been taken so far."""
        racks = {rack.name: rack for rack in self.racks}
        chips = []
        for chip in self.setup.chips:
            rack = racks[chip.rack]
            boots = tuple(boot.id for boot in rack.plan.boots)
            chips.append(rack.book.chip(chip, boots, rack.boards[chip.board].firsts.get(chip.socket)))
        books = [rack.book for rack in self.racks]
        return Truth(
            campaign_id=self.setup.campaign_id,
            seed=self.options.seed,
            start_ms=self.start_ms,
            chips=chips,
            totals=Totals(
                reads=sum(chip.reads for chip in chips),
                errors=sum(chip.errors for chip in chips),
                failed=sum(chip.failed for chip in chips),
            ),
            injected=list(self._plan.injected),
            transport=Transport(
                tallies=sum(book.tallies for book in books),
                errors=sum(book.errors for book in books),
                duplicates=sum(book.duplicates for book in books),
                moved=sum(book.moved for book in books),
                lost=sum(book.lost for book in books),
            ),
            delivery=delivery,
        )


def payload(event: Event) -> bytes:
    """The bytes of an event's message on the wire."""
    message: Presence | Tally | ReadError = event.message
    return encode(message)
