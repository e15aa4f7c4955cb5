"""Many rounds for real, and the table: ``python -m tests.soak --rounds 50 --seed 1``.

Each round is a campaign with mosquitto, the service and simulated racks as processes, disturbed by five faults drawn
from the list in ``injections``. What counts as lost or counted twice is in ``tests/faults/verdict.py``, messages in
flight in ``observer``. Two controls come first and are not in the table: a round without faults, which must be sound,
and one that really loses messages, which the measure must see. Exit code 1 when anything was lost, counted twice or
wrong.
"""

from __future__ import annotations

import argparse
import asyncio
import shutil
import sys
import tempfile
import traceback
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

from tests.faults.crash import judge, record
from tests.faults.shim import build
from tests.faults.verdict import Verdict
from tests.soak.injections import INJECTIONS
from tests.soak.rounds import Tools, control_with_a_loss, control_without_faults, plan, run_round
from tests.soak.table import Outcome, table

_RECORDED_BATCHES = 60


def main() -> int:
    """Run what the command line asks for."""
    args = _arguments()
    folder = Path(tempfile.mkdtemp(prefix="lifebound-soak-"))
    tools = Tools(_found("mosquitto"), build(_found("gcc"), folder))
    if args.controls and not _controls_hold(folder, tools):
        return 1
    numbers = [args.round] if args.round else range(1, args.rounds + 1)
    outcomes = [_run(args.seed, number, folder, tools) for number in numbers]
    crashes, whole = _power_cuts(args.seed, args.images, folder, tools) if args.images else ("", True)
    text = f"{table(outcomes, INJECTIONS)}\n{crashes}"
    print(f"\n{text}")
    if args.out:
        Path(args.out).write_text(text)
    sound = whole and all(outcome.verdict.sound for outcome in outcomes)
    if sound:
        shutil.rmtree(folder)
    else:
        print(f"what is left of the rounds that failed: {folder}", file=sys.stderr)
    return 0 if sound else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--round", type=int, help="only this round of the seed")
    parser.add_argument("--images", type=int, default=2000, help="crash images of the journal (0: none)")
    parser.add_argument("--no-controls", dest="controls", action="store_false")
    parser.add_argument("--out", help="write the table to this file as well")
    return parser.parse_args()


def _found(name: str) -> str:
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin")
    if path is None:
        sys.exit(f"{name} is not installed")
    return path


def _controls_hold(folder: Path, tools: Tools) -> bool:
    calm = _played("control without faults", control_without_faults(folder / "calm", tools), folder / "calm")
    loss = _played(
        "control with a loss", control_with_a_loss(folder / "loss", tools), folder / "loss", keep=False
    )
    if not calm.verdict.sound:
        print("the control without faults is not sound: the measure is of no use", file=sys.stderr)
    if not loss.verdict.lost:
        print("the control with a loss shows none: the measure is blind", file=sys.stderr)
    return calm.verdict.sound and loss.verdict.lost > 0


def _run(seed: int, number: int, folder: Path, tools: Tools) -> Outcome:
    planned = plan(seed, number)
    where = folder / f"round-{number}"
    outcome = _played("", run_round(planned, where, tools), where, number=number)
    if not outcome.verdict.sound:
        print(
            f"  planned: {', '.join(planned.faults)}\n  again: python -m tests.soak --seed {seed} --round {number}"
        )
    return outcome


def _played(
    name: str, work: Coroutine[Any, Any, Outcome], where: Path, *, number: int = 0, keep: bool = True
) -> Outcome:
    """Run one round and say how it went; a part that broke down is a verdict too. Folders of sound rounds go."""
    try:
        outcome = asyncio.run(work)
    except AssertionError:
        outcome = Outcome(number, [], Verdict(wrong=[traceback.format_exc()]), 0.0)
    print(f"{name}: {outcome}" if name else outcome, flush=True)
    if where.exists() and (outcome.verdict.sound or not keep):
        shutil.rmtree(where)
    return outcome


def _power_cuts(seed: int, images: int, folder: Path, tools: Tools) -> tuple[str, bool]:
    """Images of power cuts and kills made from recorded journals; the words on them, and whether all were whole."""
    quarter, image = images // 4, folder / "image"
    steady = judge(
        record(tools.faultshim, folder, _RECORDED_BATCHES), image, seed, quarter, images - 2 * quarter
    )
    failing = judge(
        record(tools.faultshim, folder, _RECORDED_BATCHES, failing_syncs=True), image, seed, 0, quarter
    )
    loose = judge(record(tools.faultshim, folder, _RECORDED_BATCHES, "OFF"), image, seed, 0, images // 10)
    losses = steady.losses + failing.losses
    text = (
        f"\n{steady.images + failing.images:,} images of the journal after a kill or a power cut (unsynced writes "
        f"lost, kept or torn in any combination; {steady.checkpoints:,} in mid-checkpoint, {failing.images:,} of a "
        f"disk whose fsync fails now and then): {steady.acknowledged + failing.acknowledged:,} acknowledged commits, "
        f"{len(losses):,} images with a loss. Control with synchronous=OFF: {len(loose.losses):,} of "
        f"{loose.images:,} images with a loss.\n"
    )
    for loss in losses:
        print(loss, file=sys.stderr)
    return text, not losses and bool(loose.losses)


if __name__ == "__main__":
    sys.exit(main())
