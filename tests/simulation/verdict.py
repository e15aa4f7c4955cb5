"""What must hold at the end of a simulation, whatever happened in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec

from monitor.figures.document import to_json
from monitor.journal import SqliteJournal
from monitor.rules.alerts import update
from monitor.service.account import Account, restore
from shared.entries import Received
from shared.messages import Presence, ReadError, Tally
from shared.topics import Topic
from simulator.scenario import Event, Scenario
from simulator.truth import Truth
from tests.simulation.story import START_MS

if TYPE_CHECKING:
    from tests.simulation.world import Identity, World

# What rests on receive times, on presence and on what was refused: it may differ from an undisturbed run.
_BY_RECEIVE_TIME = {
    "as_of_ms",
    "date",
    "date_one_more",
    "running_h",
    "last_recv_ms",
    "state",
    "reading",
    "overdue",
}
_OF_THE_INTAKE = {"intake", "racks"}
_FAULTLESS = ("conflicts", "late", "gaps", "invalid", "strangers", "counter_faults", "waiting")


async def judge(world: World, truth: Truth) -> None:
    """Note every promise that was broken."""
    account = world.account
    if account is None:
        world.fail("the monitor never ended cleanly")
        return
    _once(world)
    await _restored(world, account)
    _equals_undisturbed(world, account)
    if world.story.with_storage:
        _equals_truth(world, account, truth)
        _faultless(world, account)
    _alerts(world, account)
    _entered(world)


def _once(world: World) -> None:
    """Everything is in the journal exactly once: all that was sent, or (without storage) all that arrived."""
    wanted = world.sent if world.story.with_storage else world.arrived
    lost = sorted(wanted - world.durable.keys())
    if lost:
        world.fail(f"lost: {len(lost)} messages, the first {lost[0]}")
    if invented := sorted(world.durable.keys() - world.sent):
        world.fail(f"invented: {invented[:3]}")
    if twice := sorted(identity for identity, count in world.durable.items() if count > 1):
        world.fail(f"journalled twice: {len(twice)} messages, the first {twice[0]}")


async def _restored(world: World, account: Account) -> None:
    """The journal verifies, and gives the figures again, with the last snapshot and without it."""
    expected = to_json(account.figures())
    for snapshot in (None, world.files.seen):
        async with await SqliteJournal.open(world.folder) as journal:
            again = await restore(world.story.campaign, journal, snapshot)
        if to_json(again.figures()) != expected:
            how = "without a snapshot" if snapshot is None else "with the last snapshot"
            world.fail(f"restored {how} the figures are others: {_difference(again, account, _document)}")
    assert world.reader is not None
    checked = world.reader.execute("PRAGMA integrity_check").fetchall()
    if checked != [("ok",)]:
        world.fail(f"the journal's file is damaged: {checked[:2]}")


def _equals_undisturbed(world: World, account: Account) -> None:
    """The figures are those of the same messages, each once, in their order, with nothing in between."""
    counts = account.figures().intake
    if not world.story.with_storage and (counts.gaps or counts.late):
        return  # what never came was given up: then the order of what did come decides
    undisturbed = Account(world.story.campaign)
    undisturbed.recorded_sha256 = account.recorded_sha256
    for event in _in_order(world):
        if _identity(event) in world.durable:
            topic = Topic(event.rack, event.board, event.kind)
            undisturbed.admit(Received(START_MS + event.at_ms, topic, event.message))
    for entry in world.disposed():
        undisturbed.admit(entry)
    if _comparable(undisturbed) != _comparable(account):
        world.fail(
            f"the figures are not those of an undisturbed run: {_difference(account, undisturbed, _comparable)}"
        )


def _in_order(world: World) -> list[Event]:
    options = world.story.options
    calm = replace(options, faults=replace(options.faults, duplicates=0.0, reorders=0.0))
    events = [
        event
        for event in Scenario(world.story.setup, calm, START_MS).events()
        if not isinstance(event.message, Presence)
    ]
    if unknown := world.sent - {_identity(event) for event in events}:
        world.fail(f"the racks sent what the undisturbed ones would not: {sorted(unknown)[:2]}")
    return sorted(events, key=lambda event: event.at_ms)


def _identity(event: Event) -> Identity:
    message = event.message
    assert isinstance(message, Tally | ReadError)
    number = message.seq if isinstance(message, Tally) else message.n
    return event.rack, event.board, event.kind.value, message.boot, number


def _comparable(account: Account) -> Any:
    document = msgspec.to_builtins(account.figures())
    return _without({part: value for part, value in document.items() if part not in _OF_THE_INTAKE})


def _document(account: Account) -> Any:
    return msgspec.to_builtins(account.figures())


def _without(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without(each) for key, each in value.items() if key not in _BY_RECEIVE_TIME}
    if isinstance(value, list):
        return [_without(each) for each in value]
    return value


def _difference(a: Account, b: Account, pick: Callable[[Account], Any]) -> str:
    """The first few places in which two documents differ."""
    found: list[str] = []
    pair = pick(a), pick(b)

    def walk(path: str, x: Any, y: Any) -> None:
        if isinstance(x, dict) and isinstance(y, dict):
            for key in x:
                walk(f"{path}.{key}", x[key], y.get(key))
        elif isinstance(x, list) and isinstance(y, list) and len(x) == len(y):
            for number, (one, other) in enumerate(zip(x, y, strict=True)):
                walk(f"{path}[{number}]", one, other)
        elif x != y:
            found.append(f"{path[1:]} {x!r} and not {y!r}")

    walk("", *pair)
    return "; ".join(found[:6])


def _equals_truth(world: World, account: Account, truth: Truth) -> None:
    """Failures, reads and failed reads are what really happened."""
    figures = account.figures()
    failed = [chip for chip in truth.chips if chip.failed]
    told = sorted((f.serial, f.rack, f.board, f.socket, f.boot, f.up_ms, f.t_ms) for f in figures.failures)
    real = sorted((c.serial, c.rack, c.board, c.socket, c.boot, c.up_ms, c.t_ms) for c in failed)
    if told != real:
        world.fail(f"failures are told as {told}, and really were {real}")
    numbers = (figures.reads.total, figures.reads.errors, figures.chips.failed + figures.chips.not_relevant)
    really = (truth.totals.reads, truth.totals.errors, truth.totals.failed)
    if numbers != really:
        world.fail(f"reads, failed reads and failed chips are {numbers}, and really were {really}")


def _faultless(world: World, account: Account) -> None:
    """Nothing was given up or found wrong where nothing was lost or wrong."""
    intake = msgspec.to_builtins(account.figures().intake)
    if found := {name: intake[name] for name in _FAULTLESS if intake[name]}:
        world.fail(f"counted where there was none: {found}")
    if intake["accepted"] < len(world.sent):
        world.fail(f"accepted {intake['accepted']} of {len(world.sent)}")


def _alerts(world: World, account: Account) -> None:
    """The receiver was told of every condition that stands, and one id stands for one alert."""
    now_ms = world.wall_ms()
    for key, bodies in world.receiver.keys.items():
        if len(bodies) > 1:
            world.fail(f"alert {key} was told in {len(bodies)} ways")
    told = {(alert.kind, alert.subject) for alert in world.receiver.taken if alert.cleared_ms is None}
    for alert in update([], account.figures(now_ms), now_ms):
        if alert.kind == "chip failed" and (alert.kind, alert.subject) not in told:
            world.fail(f"nobody was told: {alert.kind} {alert.subject}")


def _entered(world: World) -> None:
    """What the clerk was told is entered is in the journal."""
    kept = [entry.disposition.serial for entry in world.disposed()]
    for serial in world.entered:
        if serial not in kept:
            world.fail(f"the disposition of {serial} is gone")
