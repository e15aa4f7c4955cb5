"""``lifebound check``: is the campaign file right, and what could it claim; is a recorded run sound (``check_run``)."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path

import msgspec

from monitor.campaign import load
from monitor.cli import check_run
from monitor.faces.terminal.evidence import energy
from monitor.faces.terminal.text import lower, percent, upper
from monitor.figures import Prospect, prospect
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Print the summary of a valid campaign; a wrong one raises with every problem. A run is checked as such."""
    path = Path(args.path)
    if path.is_dir() or path.name.endswith((".jsonl", ".jsonl.zst")):
        return check_run.run(path, args.head, json=args.json)
    if args.head is not None:
        raise InputError(
            f"{path}: --head goes with a run directory or an exported run, not with a campaign file"
        )
    summary = prospect(load(path))
    print(msgspec.json.encode(summary).decode() if args.json else explain(summary))
    return 0


def explain(p: Prospect) -> str:
    """The summary as text."""
    return "\n".join([*_head(p), "", *_lives(p), "", *_bounds(p), "", *_verdict(p)]).rstrip()


def _head(p: Prospect) -> list[str]:
    lots = ", ".join(f"{lot.lot} {lot.chips}" for lot in p.lots)
    points = f", read points {', '.join(f'{h:g}' for h in p.read_points_h)} h" if p.read_points_h else ""
    lines = [
        f"{p.campaign}: {p.title}" if p.title else p.campaign,
        f"  file         sha256 {p.sha256}",
        f"  chips        {p.chips} on {p.boards} boards in {p.racks} racks; lots {lots}",
        f"  stress       {p.temp_c:g} C ({p.temp_low_c:g} to {p.temp_high_c:g}), "
        f"{p.supply_v:g} V ({p.supply_low_v:g} to {p.supply_high_v:g}), self-heating {p.self_heating_c:g} C",
        f"  planned      {p.planned_hours:g} h{points}",
        f"  reading      {p.read_rate_hz:g} reads/s a chip, a tally every {p.report_interval_s:g} s",
        f"  field life   {p.life_years:g} years and {p.field_reads:.4g} reads a chip",
    ]
    lines += [
        f"  in use       {u.share:.3g} of the time at {u.temp_c:g} C, {u.supply_v:g} V, "
        f"self-heating {u.self_heating_c:g} C"
        for u in p.use
    ]
    return lines


def _lives(p: Prospect) -> list[str]:
    lines = [
        "  Stress that stands for one field life of a chip, and what the planned hours cover:",
        f"    {'reads':<22}{p.reads_stress_h:>12.4g} h   covered {lower(p.planned_read_coverage)} times"
        + (" (spread over the macro)" if p.words else "")
        + (" (NOT of one word, as the field asks)" if p.reads_on == "word" and not p.words else ""),
    ]
    if p.words and p.planned_word_coverage is not None:
        asked = ", which is what the field asks" if p.reads_on == "word" else ""
        lines.append(
            f"    {'reads of one word':<22}{p.reads_stress_h * p.words:>12.4g} h   covered "
            f"{lower(p.planned_word_coverage)} times (all on one of {p.words} words{asked})"
        )
    for m in p.mechanisms:
        ea_ev, factor, doubt = m.ea_ev, m.acceleration, ""
        if m.careful is not None:
            worst = max(m.careful.bounds, key=lambda bound: bound.confidence)
            ea_ev, factor, doubt = worst.ea_ev, worst.acceleration, f", the worst of it, {energy(m.careful)}"
        terms = f"Ea {ea_ev:.4g} eV{doubt}"
        terms += f", gamma {m.gamma_per_v:g} /V" if m.gamma_per_v else ""
        terms += f", exponent {m.voltage_exponent:g}" if m.voltage_exponent else ""
        lines.append(
            f"    {m.name:<22}{m.life_stress_h:>12.4g} h   covered {lower(m.planned_life_coverage)} times"
        )
        lines.append(f"    {'':<22}acceleration {factor:.4g} ({terms})")
    return lines


def _bounds(p: Prospect) -> list[str]:
    lines = [
        "  Upper bounds on the failure rate at the planned end with no failure:",
        f"    {'mechanism':<22}{'confidence':>10}{'one look':>18}{'any time':>16}",
    ]
    for m in p.mechanisms:
        if m.careful is not None:
            lines += [
                _bound_line(m.name, b.confidence, b.fit_upper, b.fit_upper_anytime) for b in m.careful.bounds
            ]
        name = m.name if m.careful is None else f"  if Ea is {m.ea_ev:g} eV"
        lines += [_bound_line(name, b.confidence, b.fit_upper, b.fit_upper_anytime) for b in m.planned]
    return [*lines, *_rules(p)]


def _bound_line(name: str, confidence: float, look: float | None, always: float | None) -> str:
    return f"    {name:<22}{percent(confidence):>10}{_fit(look):>18}{_fit(always):>16}"


def _rules(p: Prospect) -> list[str]:
    """The plans declared, in hours of stress of all chips."""
    lines = []
    for m in p.mechanisms:
        if m.pass_line_h is not None:
            hours = ", ".join(f"{upper(h, 4)} h with {r}" for r, h in enumerate(m.pass_line_h))
            lines.append(f"    {m.name}: pass line at {percent(p.target.confidence)}, by failures: {hours}")
        if m.sequential is not None:
            s = m.sequential
            lines.append(
                f"    {m.name}: sequential plan against {s.good_fit:.4g} FIT as good: accepts at "
                f"{upper(s.accept_h, 4)} h without a failure,"
            )
            lines.append(
                f"      ends at {upper(s.end_h, 4)} h or {s.end_failures} failures; risks run "
                f"{s.exact_producer_risk:.1%} and {s.exact_consumer_risk:.1%}"
            )
    return ["", "  Plans declared, in hours of stress with every chip credited:", *lines] if lines else []


def _verdict(p: Prospect) -> list[str]:
    t = p.target
    word = "within" if t.reachable else "NOT within"
    return [
        f"  Target {p.target_fit:g} FIT at {percent(t.confidence)}, each mechanism for itself, with no failure: "
        f"{word} the planned hours;",
        f"  any time {upper(t.hours_anytime)} h, one look {upper(t.hours)} h of stress are needed.",
        *(
            line
            for warning in p.warnings
            for line in textwrap.wrap(f"  warning: {warning}", 108, subsequent_indent="    ")
        ),
    ]


def _fit(value: float | None) -> str:
    return f"{upper(value)} FIT"
