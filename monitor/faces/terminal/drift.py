"""Drift of parameters measured at read points, in words and tables."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.faces.terminal.layout import HEAD, PLAIN, TROUBLE, Line, Part, account, table
from monitor.faces.terminal.ranks import RANK_CAUTION, RANK_DETAIL
from monitor.faces.terminal.text import count, lower, nearest, percent, setting, upper
from monitor.figures.document import ExtrapolationLine, Figures, ParameterFigures

_MOST_NAMED = 8
PARAMETRIC = "outside its limits (parametric: not among the failures of the reads)"


def read_points(figures: Figures, width: int) -> Part:
    """The last read point of each parameter, and what stands out, for the screen."""
    lines: list[Line] = []
    for item in figures.drift:
        if not item.read_points:
            continue
        last = item.read_points[-1]
        lines.append(
            (
                f"{item.parameter} at {setting(last.read_point_h)} h: median {_value(item, last.median)}, "
                f"least margin {_value(item, last.least_margin)} ({last.worst_serial})",
                RANK_DETAIL,
                HEAD,
            )
        )
        lines += [(text, RANK_CAUTION, TROUBLE) for text in _trouble(item)]
        lines += [(f"  {_at_life(item, e)}", RANK_DETAIL, PLAIN) for e in item.extrapolations]
    return account("Drift", width, *lines)


def drift_text(item: ParameterFigures) -> Iterator[str]:
    """Everything about one parameter, as lines for the page."""
    yield f"limits {_limits(item)}; extrapolated by {item.mechanism}"
    head = ["read point", "chips", "median", "change", "least margin", "of chip", "shift past"]
    body = [
        [
            f"{setting(p.read_point_h)} h",
            f"{p.chips:,}",
            nearest(p.median, 5),
            "-" if p.median_change is None else nearest(p.median_change, 4),
            nearest(p.least_margin, 4),
            p.worst_serial,
            "-" if p.shift_beyond is None else nearest(p.shift_beyond),
        ]
        for p in item.read_points
    ]
    yield from table([head, *body], ">>>>><>")
    yield from _trouble(item)
    yield (
        f"at the end of the field life ({upper(item.life_stress_h, 4)} h of stress), one-sided prediction bound of one "
        f"more measurement at {percent(item.confidence)}:"
    )
    yield from (f"  {_at_life(item, e)}" for e in item.extrapolations)


def _trouble(item: ParameterFigures) -> Iterator[str]:
    if item.outside:
        named = _named([f"{line.serial} at {setting(line.read_point_h)} h" for line in item.outside])
        yield f"{item.parameter}: {count(len(item.outside), 'value')} {PARAMETRIC}: {named}"
    if item.shifted:
        named = _named([f"{line.serial} at {setting(line.read_point_h)} h" for line in item.shifted])
        yield f"{item.parameter}: {count(len(item.shifted), 'shift')} further than the other chips: {named}"
    if item.late:
        named = _named([f"{line.serial} at {setting(line.read_point_h)} h" for line in item.late])
        restress_h = max(line.restress_h for line in item.late)
        yield (
            f"{item.parameter}: {count(len(item.late), 'chip')} measured later after stress than the usual 96 h: "
            f"{named}; JESD22-A108 asks for up to {setting(restress_h)} h of stress again first (see the revision that "
            "applies)"
        )


def _at_life(item: ParameterFigures, e: ExtrapolationLine) -> str:
    why = f"{e.serial} ({', '.join(e.shown_for)})" if e.shown_for else e.serial
    if e.value is None or e.bound is None:
        return f"{e.model}: {why}: no prediction, {e.reason}"
    inside = "inside" if e.inside else "OUTSIDE"
    sure = "inside" if e.inside_with_confidence else "OUTSIDE"
    outward = upper if e.bound > e.value else lower
    bound = f"{outward(e.bound, 5)} {item.unit}"
    return f"{e.model}: {why}: {_value(item, e.value)}, {inside} the limits; bound {bound}, {sure}"


def _limits(item: ParameterFigures) -> str:
    low = "none" if item.low_limit is None else _value(item, item.low_limit)
    high = "none" if item.high_limit is None else _value(item, item.high_limit)
    return f"low {low}, high {high}"


def _value(item: ParameterFigures, value: float) -> str:
    return f"{nearest(value, 5)} {item.unit}"


def _named(names: list[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
