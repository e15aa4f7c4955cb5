"""``lifebound simulate``: racks that publish over MQTT, or write a run file without waiting."""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import msgspec

from monitor.campaign import Campaign, load
from monitor.cli.broker import Embedded, parse_broker
from monitor.intake.link import Address
from monitor.journal import Run
from monitor.journal.exchange import last_line
from monitor.ledger import Weights
from monitor.service.clock import wall_ms
from shared.entries import Refused
from shared.errors import InputError
from simulator.behaviour import FailAt, preset
from simulator.publish import Broker, publish
from simulator.runfile import write_run, write_truth
from simulator.setup import Chip, Mechanism, Options, Setup
from simulator.truth import Truth

GIVE_UP_S = 20.0  # without a broker at the start; one that is lost later is waited for


def run(args: argparse.Namespace) -> int:
    """Simulate, and say what really happened; 1 when receipts did not cover it, 130 when it was cut short."""
    stopped = False
    campaign = load(Path(args.campaign))
    setup = setup_of(campaign)
    options = _options(args, setup)
    if args.out:
        if not args.out.endswith((".jsonl", ".jsonl.zst")):
            raise InputError(f"--out {args.out}: the name must end in .jsonl or .jsonl.zst")
        with _written("--out", args.out):
            started_ms = wall_ms()
            end = last_line(Refused(), Run(f"simulated {started_ms}", started_ms, campaign.source))
            truth = write_run(setup, options, args.out, started_ms, end)
    else:
        truth, stopped = asyncio.run(_publish(args, setup, options))
    if args.truth:
        with _written("--truth", args.truth):
            write_truth(truth, args.truth)
    if args.json:
        print(msgspec.json.encode(truth).decode())
    else:
        _say(truth)
    if stopped:
        return 130
    return 1 if truth.delivery is not None and truth.delivery.uncovered and not args.no_receipts else 0


@contextmanager
def _written(option: str, path: str) -> Iterator[None]:
    """Say which file cannot be written, and stop. Raises InputError."""
    try:
        yield
    except OSError as error:
        raise InputError(f"{option} {path}: cannot be written ({error.strerror or error})") from error


def setup_of(campaign: Campaign) -> Setup:
    """The campaign as its racks know it."""
    stress = campaign.stress
    weights = Weights(campaign)
    return Setup(
        campaign_id=campaign.id,
        prefix=campaign.prefix,
        chips=tuple(Chip(c.serial, c.lot, c.rack, c.board, c.socket) for c in campaign.chips),
        mechanisms=tuple(
            Mechanism(m.name, factor)
            for m, factor in zip(weights.mechanisms, weights.at_set_point, strict=True)
        ),
        temp_c=float(stress.temp_c),
        temp_tol_minus_c=float(stress.temp_tol_minus_c),
        temp_tol_plus_c=float(stress.temp_tol_plus_c),
        supply_v=float(stress.supply_v),
        supply_tol_v=float(stress.supply_tol_v),
        read_rate_hz=float(stress.read_rate_hz),
        report_interval_s=float(stress.report_interval_s),
        sockets_per_board=max(chip.socket for chip in campaign.chips),
    )


def _options(args: argparse.Namespace, setup: Setup) -> Options:
    faults = preset(args.preset, setup, args.hours)
    ordered = tuple(_fail_at(text, setup) for text in args.fail)
    return Options(seed=args.seed, hours=args.hours, faults=replace(faults, fail=faults.fail + ordered))


def _fail_at(text: str, setup: Setup) -> FailAt:
    serial, _, at = text.rpartition("@")
    try:
        at_h = float(at)
    except ValueError:
        at_h = -1.0
    if serial not in {chip.serial for chip in setup.chips} or not at_h >= 0:
        raise InputError(f"--fail {text}: use SERIAL@HOURS with a serial of the campaign, as in A-007@2.5")
    return FailAt(serial, at_h)


async def _publish(args: argparse.Namespace, setup: Setup, options: Options) -> tuple[Truth, bool]:
    address = parse_broker(args.broker)
    if isinstance(address, Embedded):
        raise InputError("--broker embedded: a simulator brings no broker; give the URL of one that runs")
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    truth = await publish(
        setup,
        options,
        _broker(address),
        args.speed,
        stop,
        await_receipts=not args.no_receipts,
        start_ms=wall_ms(),
        give_up_s=GIVE_UP_S,
    )
    return truth, stop.is_set()


def _broker(address: Address) -> Broker:
    return Broker(
        host=address.host,
        port=address.port,
        username=address.username,
        password=address.password,
        tls=address.tls,
        version=address.version,
    )


def _say(truth: Truth) -> None:
    totals, transport = truth.totals, truth.transport
    print(
        f"{transport.tallies} tallies and {transport.errors} error messages of {len(truth.chips)} chips; "
        f"{totals.failed} chips failed, {totals.errors} failed reads, {totals.reads} reads"
    )
    for injected in truth.injected:
        print(f"  {injected.words}")
    delivery = truth.delivery
    if delivery is not None and not delivery.covered:
        print(f"{delivery.uncovered} messages were not covered by a receipt", file=sys.stderr)
