"""The racks' messages against the contract, and the truth against a recount that shares no code with it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from shared.errors import InputError
from shared.messages import Presence, ReadError, Tally, decode, encode
from shared.quantities import MS_PER_H
from shared.topics import parse_topic
from simulator.scenario import (
    Event,
    FailAt,
    Faults,
    Life,
    Options,
    Rate,
    Scenario,
    Setup,
    Truth,
    Upset,
    preset,
)
from simulator.truth import Book

START_MS = 1_790_000_000_000
SLOW = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
MakeSetup = Callable[..., Setup]
Stream = tuple[str, int, str]  # rack, board, boot


def simulate(setup: Setup, options: Options) -> tuple[list[Event], Truth]:
    scenario = Scenario(setup, options, START_MS)
    return list(scenario.events()), scenario.truth()


def tallies(events: list[Event]) -> dict[Stream, list[Tally]]:
    """Per board and boot, the tallies by ``seq``, each once."""
    found: dict[Stream, dict[int, Tally]] = defaultdict(dict)
    for event in events:
        if isinstance(event.message, Tally):
            found[event.rack, event.board, event.message.boot][event.message.seq] = event.message
    return {stream: [by_seq[seq] for seq in sorted(by_seq)] for stream, by_seq in found.items()}


def errors(events: list[Event]) -> dict[Stream, list[ReadError]]:
    """Per board and boot, the error messages by ``n``, each once."""
    found: dict[Stream, dict[int, ReadError]] = defaultdict(dict)
    for event in events:
        if isinstance(event.message, ReadError):
            found[event.rack, event.board, event.message.boot][event.message.n] = event.message
    return {stream: [by_n[n] for n in sorted(by_n)] for stream, by_n in found.items()}


def options_of(setup: Setup, name: str, seed: int, hours: float) -> Options:
    return Options(seed=seed, hours=hours, faults=preset(name, setup, hours), words=4096)


CASES = given(
    seed=st.integers(0, 2**32),
    name=st.sampled_from(["quiet", "demo", "harsh"]),
    shape=st.sampled_from([(1, 1, 1, 0), (2, 2, 4, 1), (1, 3, 6, 0)]),
    interval_s=st.sampled_from([10.0, 60.0, 600.0]),
)


def number(value: int | None) -> int:
    assert value is not None
    return value


@CASES
@SLOW
def test_truth_agrees_with_a_recount_of_the_messages(
    make_setup: MakeSetup, seed: int, name: str, shape: tuple[int, int, int, int], interval_s: float
) -> None:
    setup = make_setup(*shape[:3], empty=shape[3], interval_s=interval_s)
    assert_truth(setup, options_of(setup, name, seed, 400 * interval_s / 3600))


def assert_truth(setup: Setup, options: Options) -> None:
    """The truth against a plain recount."""
    events, truth = simulate(setup, options)
    by_stream, told = tallies(events), errors(events)
    for chip in truth.chips:
        place = chip.socket - 1
        reads = reads_all = failed_reads = 0
        stopped = False
        first_told: ReadError | None = None
        boots = boots_of(events, chip.rack)
        for boot in boots:
            shown = by_stream.get((chip.rack, chip.board, boot), [])
            failed_reads += number(shown[-1].errors[place]) if shown else 0
            for a, b in pairwise(shown):
                ra, rb = number(a.reads[place]), number(b.reads[place])
                assert rb - ra >= 0
                reads_all += rb - ra
                if not stopped and chip.boot == boot and number(chip.read_index) <= rb:
                    reads += max(number(chip.read_index) - ra, 0)
                    stopped = True
                elif not stopped:
                    reads += rb - ra
            stopped = stopped or chip.boot == boot
            own = [e for e in told.get((chip.rack, chip.board, boot), []) if e.socket == chip.socket]
            first_told = first_told or (own[0] if own else None)
        assert (chip.reads, chip.reads_all, chip.errors) == (reads, reads_all, failed_reads)
        assert chip.failed == (failed_reads > 0 or first_told is not None)
        if first_told is None:
            assert (chip.failed, chip.cause, chip.boot) == (False, None, None)
        else:
            first = (first_told.boot, first_told.up_ms, first_told.read_index, first_told.t_ms)
            assert (chip.boot, chip.up_ms, chip.read_index, chip.t_ms) == first
    assert truth.totals.reads == sum(chip.reads for chip in truth.chips)
    assert truth.totals.errors == sum(chip.errors for chip in truth.chips)
    assert truth.totals.failed == sum(chip.failed for chip in truth.chips)
    fates = Counter(event.fate for event in events)
    assert (truth.transport.duplicates, truth.transport.moved) == (fates["copy"], fates["moved"])
    assert truth.transport.tallies == sum(map(len, by_stream.values()))
    assert truth.transport.errors == sum(map(len, told.values()))


def boots_of(events: list[Event], rack: str) -> list[str]:
    """The boots of a rack in the order of their beginning."""
    starts: dict[str, int] = {}
    for event in events:
        if event.rack == rack:
            starts[event.message.boot] = min(starts.get(event.message.boot, event.at_ms), event.at_ms)
    return sorted(starts, key=lambda boot: starts[boot])


@CASES
@SLOW
def test_messages_keep_the_contract(
    make_setup: MakeSetup, seed: int, name: str, shape: tuple[int, int, int, int], interval_s: float
) -> None:
    setup = make_setup(*shape[:3], empty=shape[3], interval_s=interval_s)
    assert_contract(setup, options_of(setup, name, seed, 400 * interval_s / 3600))


def assert_contract(setup: Setup, options: Options) -> None:
    """Every message decodes, is numbered without holes, and its counters and instants agree with the others."""
    scenario = Scenario(setup, options, START_MS)
    events = list(scenario.events())
    for event in events:
        topic = parse_topic(setup.prefix, scenario.topic(event))
        assert topic is not None
        assert (topic.rack, topic.board, topic.kind) == (event.rack, event.board, event.kind)
        assert decode(event.kind, encode(event.message)) == event.message
    by_stream = tallies(events)
    for (rack, board, _), shown in by_stream.items():
        assert [tally.seq for tally in shown] == list(range(len(shown)))
        occupied = {chip.socket for chip in setup.on_board(rack, board)}
        for tally in shown:
            assert len(tally.reads) == setup.sockets_per_board
            assert {n for n, reads in enumerate(tally.reads, 1) if reads is not None} == occupied
        for a, b in pairwise(shown):
            assert 0 < b.up_ms - a.up_ms <= setup.report_interval_ms * 1.01
    for stream, told in errors(events).items():
        assert [error.n for error in told] == list(range(len(told)))
        assert all(a.up_ms <= b.up_ms for a, b in pairwise(told))
        assert_told_within_intervals(by_stream.get(stream, []), told)


def assert_told_within_intervals(shown: list[Tally], told: list[ReadError]) -> None:
    """Each failed read lies in its interval, and over an interval messages and counters tell the same number."""
    counted: Counter[tuple[int, int]] = Counter()
    ends = [tally.up_ms for tally in shown]
    for error in told:
        place = error.socket - 1
        index = int(np.searchsorted(ends, error.up_ms))  # the first tally at or after the failed read
        low = number(shown[index - 1].reads[place]) if index else 0
        assert low < error.read_index
        if index < len(shown):  # else: after the last tally of a boot, nothing counts it
            assert error.read_index <= number(shown[index].reads[place])
            counted[index, place] += error.count
    for index, tally in enumerate(shown):
        for place, failed in enumerate(tally.errors):
            before = shown[index - 1].errors[place] if index else 0
            assert counted[index, place] == (failed or 0) - (before or 0)


KINDS = [
    "contact-fail",
    "contact-stop",
    "socket-stop",
    "reboot",
    "outage",
    "clock-jump",
    "excursion",
    "droop",
]
HOURS = st.floats(0, 0.019, allow_subnormal=False)
UPSETS = st.lists(
    st.builds(
        Upset,
        kind=st.sampled_from(KINDS),
        rack=st.just("oven-1"),
        at_h=HOURS,
        hours=st.floats(0, 0.005, allow_subnormal=False),
        board=st.just(1),
        socket=st.integers(1, 3),
        amount=st.floats(-5, 5, allow_subnormal=False),
    ),
    max_size=6,
).map(tuple)
FAILURES = st.lists(
    st.builds(
        FailAt,
        serial=st.sampled_from(["A-001", "A-002", "A-003"]),
        at_h=HOURS,
        cause=st.sampled_from(["soft", "hard", "burst", "wear-out"]),
    ),
    max_size=4,
).map(tuple)


@given(
    upsets=UPSETS,
    fail=FAILURES,
    words=st.sampled_from([1, 7, 256]),
    rate_hz=st.sampled_from([1.0, 30.0, 5000.0]),
)
@settings(SLOW, max_examples=150)
def test_any_mix_of_upsets_keeps_contract_and_truth(
    make_setup: MakeSetup, upsets: tuple[Upset, ...], fail: tuple[FailAt, ...], words: int, rate_hz: float
) -> None:
    """Small and dense: 72 s at two tallies a second, where everything overlaps."""
    setup = make_setup(1, 1, 3, rate_hz=rate_hz, interval_s=0.5)
    options = Options(5, 0.02, Faults(fail=fail, upsets=upsets), words=words)
    assert_truth(setup, options)
    assert_contract(setup, options)


@pytest.mark.parametrize("name", ["quiet", "demo", "harsh"])
def test_the_same_options_give_the_same_bytes(make_setup: MakeSetup, name: str) -> None:
    setup = make_setup()

    def run(seed: int, start_ms: int = START_MS) -> tuple[list[bytes], bytes]:
        scenario = Scenario(setup, options_of(setup, name, seed, 2.0), start_ms)
        lines = [
            b"%d %s %s" % (event.arrive_ms, scenario.topic(event).encode(), encode(event.message))
            for event in scenario.events()
        ]
        return lines, msgspec.json.encode(scenario.truth())

    assert run(5) == run(5)
    assert run(5)[0] != run(6)[0]
    boots = {line.split(b'"boot":"')[1][:16] for line in run(5)[0]}
    later = {line.split(b'"boot":"')[1][:16] for line in run(5, START_MS + 1)[0]}
    assert not boots & later, "another simulation is another boot"


def test_messages_come_in_order_of_time_and_of_arrival(make_setup: MakeSetup) -> None:
    setup = make_setup()
    events, _ = simulate(setup, options_of(setup, "harsh", 1, 4.0))
    arrivals = [event.arrive_ms for event in events]
    assert arrivals == sorted(arrivals)
    quiet, _ = simulate(setup, options_of(setup, "quiet", 1, 4.0))
    assert [event.at_ms for event in quiet] == sorted(event.at_ms for event in quiet)


def test_a_quiet_campaign_has_neither_failures_nor_upsets(make_setup: MakeSetup) -> None:
    setup = make_setup()
    events, truth = simulate(setup, options_of(setup, "quiet", 9, 3.0))
    assert (truth.totals.errors, truth.totals.failed, truth.injected) == (0, 0, [])
    for shown in tallies(events).values():
        assert len(shown) == 3 * 360
        for a, b in pairwise(shown):
            nominal = setup.read_rate_hz * (b.up_ms - a.up_ms) / 1000
            for ra, rb in zip(a.reads, b.reads, strict=True):
                assert abs((number(rb) - number(ra)) / nominal - 1) <= 0.01
        soak = [tally for tally in shown if tally.up_ms > 0.25 * MS_PER_H]
        assert all(123.0 <= (tally.temp_c or 0) <= 130.0 for tally in soak)
        assert all(abs((tally.supply_v or 0) - 1.98) <= 0.04 for tally in shown)
        assert (shown[0].temp_c or 0) < 30.0, "it starts cold"
        assert len({tally.temp_c for tally in soak}) > 10, "it is noisy"


def test_sensors_are_written_as_decimals(make_setup: MakeSetup) -> None:
    events, _ = simulate(make_setup(), Options(seed=2, hours=0.5))
    for event in events:
        if isinstance(event.message, Tally):
            assert event.message.temp_c == round(event.message.temp_c or 0, 2)
            assert event.message.supply_v == round(event.message.supply_v or 0, 3)


# --- what is ordered happens -----------------------------------------------------------------------------------


def ordered(setup: Setup, *upsets: Upset, hours: float = 4.0, **faults: object) -> tuple[list[Event], Truth]:
    return simulate(setup, Options(seed=11, hours=hours, faults=Faults(upsets=upsets, **faults)))  # type: ignore[arg-type]


@pytest.mark.parametrize("cause", ["infant", "random", "wear-out", "soft", "hard", "burst"])
def test_a_chip_fails_when_it_is_told_to(make_setup: MakeSetup, cause: str) -> None:
    order = FailAt("A-007", 3.2, cause, "gate-oxide")  # type: ignore[arg-type]
    events, truth = ordered(make_setup(), fail=(order,))
    chip = next(chip for chip in truth.chips if chip.serial == "A-007")
    assert (chip.failed, chip.cause, chip.mechanism) == (True, cause, "gate-oxide")
    assert abs(number(chip.up_ms) - 3.2 * MS_PER_H) <= 2
    assert number(chip.t_ms) == START_MS + number(chip.up_ms)
    assert truth.totals.failed == 1
    told = [event for event in events if event.kind.value == "error"]
    assert told[0].at_ms - number(chip.up_ms) <= 1000, "told at once"
    messages = [event.message for event in told if isinstance(event.message, ReadError)]
    assert sum(message.count for message in messages) == chip.errors
    if cause == "soft":
        assert chip.errors == 1
    elif cause == "burst":
        assert 8 <= chip.errors < 200
    else:
        # every read of one address of 65536, at 2e5 reads a second, for the 0.8 h that are left
        assert chip.errors == pytest.approx(0.8 * 3600 * 2e5 / 65536, rel=0.01)
        assert len({message.address for message in messages}) == 1
        assert messages[0].count == 1, "it was sent before the second read of that address"
    assert [(item.kind, item.socket) for item in truth.injected] == [(cause, chip.socket)]


def test_a_bad_cell_stays_bad_over_a_reboot_and_the_chip_fails_once(make_setup: MakeSetup) -> None:
    reboot = Upset("reboot", "oven-1", 2.0, 0.01)
    events, truth = ordered(make_setup(1, 1, 2), reboot, fail=(FailAt("A-001", 1.0),))
    boots = boots_of(events, "oven-1")
    assert len(boots) == 2
    assert {error.boot for told in errors(events).values() for error in told} == set(boots)
    again = next(e for e in events if isinstance(e.message, ReadError) and e.message.boot == boots[1])
    assert isinstance(again.message, ReadError)
    assert again.message.up_ms < 1000, (
        "65536 addresses at 2e5 reads a second come round in a third of a second"
    )
    assert again.at_ms - (2.01 * MS_PER_H + again.message.up_ms) <= 1000, "told at once, as in the first boot"
    assert truth.chips[0].boot == boots[0]
    assert truth.chips[0].reads < truth.chips[1].reads < truth.chips[1].reads_all + 1


def test_a_burst_does_not_survive_a_reboot(make_setup: MakeSetup) -> None:
    """At 10 reads a second its 8 reads or more take 0.8 s, of which the reboot leaves 0.2 s."""
    reboot = Upset("reboot", "oven-1", 2.0, 0.001)
    burst = FailAt("A-001", 2.0 - 0.2 / 3600, "burst")
    setup = make_setup(1, 1, 1, rate_hz=10.0)
    events, truth = ordered(setup, reboot, hours=4.5, fail=(burst,))
    assert truth.chips[0].reads_all > 140_000, "the counter of the second boot passes where the burst was"
    assert {error.boot for told in errors(events).values() for error in told} == {
        boots_of(events, "oven-1")[0]
    }


def test_the_first_tally_of_a_boot_may_come_second(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 1, 1)
    events, truth = ordered(setup, hours=0.1)
    shown = [event for event in events if event.kind.value == "tally"]
    book = Book()
    for event in [shown[1], shown[0], shown[3], shown[2], shown[0]._replace(fate="copy")]:
        book.note(event)
    boot = shown[0].message.boot
    chip = book.chip(setup.chips[0], (boot,), None)
    (tallied,) = tallies(events).values()
    assert chip.reads == number(tallied[3].reads[0]) - number(tallied[0].reads[0])
    assert (book.tallies, book.duplicates) == (4, 1)
    assert truth.totals.failed == 0


def test_a_reboot_starts_every_counter_at_zero(make_setup: MakeSetup) -> None:
    events, truth = ordered(make_setup(1, 1, 2), Upset("reboot", "oven-1", 2.0, 0.1))
    first, second = tallies(events).values()
    assert (first[0].seq, second[0].seq) == (0, 0)
    assert second[0].up_ms < 10_100
    assert number(second[0].reads[0]) < number(first[-1].reads[0])
    said = [event.message.online for event in events if isinstance(event.message, Presence)]
    assert said == [True, False, True]
    gap_h = (second[0].t_ms - second[0].up_ms - first[-1].t_ms) / MS_PER_H
    assert gap_h == pytest.approx(0.1, abs=0.003)
    assert truth.injected[0].words == "the controller was down, then started a new boot"


def test_a_board_without_contact_fails_every_read_of_every_chip(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 2, 20)
    events, truth = ordered(setup, Upset("contact-fail", "oven-1", 1.0, 0.5, board=2))
    assert {chip.board for chip in truth.chips if chip.failed} == {2}
    assert {chip.cause for chip in truth.chips if chip.failed} == {"contact"}
    for chip in truth.chips[20:]:
        assert chip.errors == pytest.approx(0.5 * 3600 * 2e5, rel=0.01)
    starts = [number(chip.up_ms) for chip in truth.chips if chip.failed]
    assert len(starts) == 20
    assert max(starts) - min(starts) < 1000
    sent = [event.at_ms for event in events if event.kind.value == "error"]
    assert len(sent) > 20 * 180
    assert all(sent[n + 10] - sent[n] >= 1000 for n in range(len(sent) - 10)), "at most ten a second"


def test_a_full_board_on_a_short_interval_still_sends_ten_messages_a_second(make_setup: MakeSetup) -> None:
    """256 sockets cannot each tell of every 10 s: then counts of several intervals are summed."""
    setup = make_setup(1, 1, 256)
    events, truth = ordered(setup, Upset("contact-fail", "oven-1", 0.1, 0.1, board=1), hours=0.3)
    sent = [event.at_ms for event in events if event.kind.value == "error"]
    assert all(sent[n + 10] - sent[n] >= 1000 for n in range(len(sent) - 10))
    counts: Counter[int] = Counter()
    for told in errors(events).values():
        assert all(a.up_ms <= b.up_ms for a, b in pairwise(told))
        for error in told:
            counts[error.socket] += error.count
    assert counts == {chip.socket: chip.errors for chip in truth.chips}
    assert all(len(encode(event.message)) <= 16 * 1024 for event in events)


def advance_in(shown: list[Tally], place: int, from_h: float, to_h: float) -> int:
    within = [number(t.reads[place]) for t in shown if from_h * MS_PER_H < t.up_ms <= to_h * MS_PER_H]
    return within[-1] - within[0]


def test_a_socket_or_a_board_silently_stops_being_read(make_setup: MakeSetup) -> None:
    events, truth = ordered(
        make_setup(1, 2, 3),
        Upset("socket-stop", "oven-1", 1.0, 1.0, board=1, socket=2),
        Upset("contact-stop", "oven-1", 1.0, 1.0, board=2),
    )
    one, two = (shown for _, shown in sorted(tallies(events).items()))
    assert advance_in(one, 1, 1.0, 2.0) == advance_in(two, 0, 1.0, 2.0) == advance_in(two, 2, 1.0, 2.0) == 0
    assert advance_in(one, 0, 1.0, 2.0) > 0.98 * 3600 * 2e5
    assert advance_in(one, 1, 2.0, 3.0) > 0.98 * 3600 * 2e5
    assert truth.totals.failed == 0


def test_a_chip_that_is_not_read_shows_its_failure_only_when_it_is_read_again(make_setup: MakeSetup) -> None:
    stop = Upset("socket-stop", "oven-1", 1.0, 1.0, board=1, socket=1)
    _, truth = ordered(make_setup(1, 1, 2), stop, fail=(FailAt("A-001", 1.5),))
    assert number(truth.chips[0].up_ms) / MS_PER_H == pytest.approx(2.0, abs=0.003)


def test_sensors_are_lost_and_supply_and_temperature_leave_their_range(make_setup: MakeSetup) -> None:
    events, _ = ordered(
        make_setup(1, 1, 1),
        Upset("temp-lost", "oven-1", 0.5, 0.1, board=1),
        Upset("supply-lost", "oven-1", 0.7, 0.1, board=1),
        Upset("droop", "oven-1", 1.0, 0.5, board=1, amount=0.1),
        Upset("excursion", "oven-1", 2.0, 0.5, amount=11.0),
    )
    (shown,) = tallies(events).values()

    def within(from_h: float, to_h: float) -> list[Tally]:
        return [tally for tally in shown if from_h * MS_PER_H < tally.up_ms <= to_h * MS_PER_H]

    assert [t for t in shown if t.temp_c is None] == within(0.5, 0.6)
    assert [t for t in shown if t.supply_v is None] == within(0.7, 0.8)
    low = [t for t in shown if t.supply_v is not None and t.supply_v < 1.98 - 0.04]
    assert low == within(1.0, 1.5)
    hot = [t for t in shown if t.temp_c is not None and t.temp_c > 130.0]
    assert set(map(id, within(2.05, 2.45))) <= set(map(id, hot)) <= set(map(id, within(2.0, 2.5)))


def test_an_outage_delays_but_loses_nothing(make_setup: MakeSetup) -> None:
    setup = make_setup(2, 1, 2)
    calm, _ = ordered(setup)
    events, _ = ordered(setup, Upset("outage", "oven-2", 1.0, 0.5))
    assert tallies(events) == tallies(calm)
    late = [event for event in events if event.arrive_ms > event.at_ms]
    assert {(event.rack, event.arrive_ms) for event in late} == {("oven-2", round(1.5 * MS_PER_H))}
    assert len(late) == pytest.approx(180, abs=1)
    own = [event for event in events if event.rack == "oven-2" and event.kind.value == "tally"]
    assert [event.at_ms for event in own] == sorted(event.at_ms for event in own), "oldest first"


def test_the_wall_clock_jumps_but_up_ms_does_not(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 1, 1)
    calm, _ = ordered(setup)
    events, _ = ordered(setup, Upset("clock-jump", "oven-1", 1.0, amount=-1800.0))
    (before,), (after,) = tallies(calm).values(), tallies(events).values()
    assert [t.up_ms for t in after] == [t.up_ms for t in before]
    jumps = [b.t_ms - a.t_ms for a, b in zip(before, after, strict=True)]
    assert set(jumps) == {0, -1_800_000}
    assert jumps.index(-1_800_000) == pytest.approx(360, abs=1)


def test_losses_happen_only_when_asked_for_and_are_told(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 1, 2)
    everything, calm = ordered(setup)
    events, truth = ordered(setup, losses=0.1)
    assert calm.transport.lost == 0
    assert len(events) + truth.transport.lost == len(everything)
    assert truth.transport.lost == pytest.approx(144, abs=60)
    (shown,) = tallies(events).values()
    assert truth.chips[0].reads == number(shown[-1].reads[0]) - number(shown[0].reads[0])


def test_failures_over_the_fleet_follow_the_ordered_lives(make_setup: MakeSetup) -> None:
    """Oracle: scipy.stats.weibull_min; 600 chips, all of which fail within the campaign."""
    setup = make_setup(3, 10, 20, rate_hz=10.0, interval_s=36_000.0)
    life = Life("wear-out", 4.0, 30.0 * 100.0, mechanism="gate-oxide")  # accelerated 30 times
    _, truth = simulate(setup, Options(seed=4, hours=300.0, faults=Faults(lives=(life,)), words=64))
    assert {(chip.cause, chip.mechanism) for chip in truth.chips} == {("wear-out", "gate-oxide")}
    hours = [number(chip.up_ms) / MS_PER_H for chip in truth.chips]
    assert stats.kstest(hours, stats.weibull_min(4.0, scale=100.0).cdf).pvalue > 1e-3


def test_a_weak_share_of_the_chips_is_weak(make_setup: MakeSetup) -> None:
    """Oracle: the 1e-6 tails of scipy.stats.binom."""
    setup = make_setup(3, 10, 20, rate_hz=10.0, interval_s=3600.0)
    life = Life("infant", 0.4, 1e-3, share=0.1, mechanism="gate-oxide")
    _, truth = simulate(setup, Options(seed=4, hours=3.0, faults=Faults(lives=(life,)), words=64))
    low, high = stats.binom(600, 0.1).ppf([1e-6, 1 - 1e-6])
    assert low <= truth.totals.failed <= high


def test_rates_give_upsets_of_every_kind(make_setup: MakeSetup) -> None:
    setup = make_setup(interval_s=600.0)
    _, truth = simulate(setup, options_of(setup, "harsh", 0, 100.0))
    told = Counter(item.kind for item in truth.injected)
    assert {"excursion", "outage", "clock-jump", "droop", "temp-lost", "supply-lost", "soft"} <= set(told)
    _, busy = simulate(setup, Options(1, 100.0, Faults(rates=(Rate("droop", 0.5, 0.1, 0.1),))))
    assert abs(sum(item.kind == "droop" for item in busy.injected) - 200) < 5 * 200**0.5  # Poisson


def test_the_demo_shows_one_of_each(make_setup: MakeSetup) -> None:
    setup = make_setup(2, 6, 20, interval_s=60.0)
    _, truth = simulate(setup, options_of(setup, "demo", 7, 24.0))
    told = Counter(item.kind for item in truth.injected)
    singles = {"infant", "soft", "wear-out", "socket-stop", "contact-fail", "reboot", "excursion", "outage"}
    assert told == dict.fromkeys(singles, 1)
    causes = Counter(chip.cause for chip in truth.chips if chip.failed)
    assert causes == {"infant": 1, "soft": 1, "wear-out": 1, "contact": 20}
    assert truth.transport.duplicates > 0
    assert truth.transport.moved > 0
    assert truth.transport.lost == 0


def test_orders_for_what_is_not_there_are_refused(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 1, 2)
    for upset in (
        Upset("outage", "oven-9", 1.0),
        Upset("droop", "oven-1", 1.0, board=7),
        Upset("socket-stop", "oven-1", 1.0, board=1, socket=9),
    ):
        with pytest.raises(InputError, match=upset.kind):
            ordered(setup, upset)
    with pytest.raises(InputError, match="at least 0"):
        ordered(setup, Upset("outage", "oven-1", -1.0))
    with pytest.raises(InputError, match="hour 9"):
        ordered(setup, fail=(FailAt("A-001", 9.0),))
    with pytest.raises(InputError, match="B-404"):
        ordered(setup, fail=(FailAt("B-404", 1.0),))
    with pytest.raises(InputError, match="contact"):
        ordered(setup, fail=(FailAt("A-001", 1.0, "contact"),))
    with pytest.raises(InputError, match="quiet, demo, harsh"):
        preset("wild", setup, 1.0)
    with pytest.raises(InputError, match="share"):
        Faults(duplicates=1.5)


def test_a_setup_that_no_rack_could_be_is_refused(make_setup: MakeSetup) -> None:
    setup = make_setup(1, 1, 2)
    chips = setup.chips
    with pytest.raises(InputError, match="share a serial"):
        replace(setup, chips=(chips[0], chips[0]))
    with pytest.raises(InputError, match="socket 2 of 1"):
        replace(setup, sockets_per_board=1)
    with pytest.raises(InputError, match="no chips"):
        replace(setup, chips=())
    with pytest.raises(InputError, match="no place"):
        replace(setup, chips=(replace(chips[0], rack="Oven 1"),))
    with pytest.raises(InputError, match="hours"):
        Options(seed=1, hours=0.0)
