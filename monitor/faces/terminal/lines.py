"""Output without a terminal: one plain line of progress. No control characters, no colour."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.faces.terminal import accounts, claims
from monitor.faces.terminal.state import attached, freshness, service_trouble, stale_word, standing
from monitor.faces.terminal.text import (
    Link,
    capital,
    credited,
    duration,
    instant,
    lower,
    percent,
    scrub,
    scrub_link,
    setting,
)
from monitor.figures.document import Anytime, Figures, FixedLook, MechanismFigures
from monitor.rules.alerts import Alert

MOST_ALERTS_IN_FULL = 3  # of one kind in one line


def plain_line(figures: Figures | None, alerts_new: Sequence[Alert], link: Link) -> str:
    """The state, hours, failures, bounds and coverage in one line, after any new alerts. Pure."""
    link, figures = scrub_link(link), scrub(figures)
    told = _told(scrub(list(alerts_new)))
    stale = stale_word(link)
    if figures is None:
        wrong = [text] if (text := service_trouble(link)) else []
        return " ".join([*told, f"{stale}{capital(freshness(link, None))}", *wrong])
    age = "" if link.age_s is None else f", {duration(link.age_s)} old"
    if link.state == "replay":
        age = ", recorded data"
    stamp = "No data yet" if figures.as_of_ms is None else f"{instant(figures.as_of_ms)} UTC{age}"
    state = next(standing(figures, past=bool(stale)))
    facts = f"{_hours(figures)}; {_failures(figures)}; {_bounds(figures)}; {_coverage(figures)}."
    trouble = ", ".join(f"{name} {number}" for name, number in accounts.intake_trouble(figures))
    facts = f"{facts[:-1]}; intake: {trouble}." if trouble else facts
    cut = [f"{capital(attached(link))}."] if link.state in ("lost", "connecting") else []
    cut += [text] if (text := service_trouble(link)) else []
    return " ".join([f"{stamp}:", *told, f"{stale}{state}", *cut, facts])


def _told(alerts: Sequence[Alert]) -> list[str]:
    """New alerts in words; many of one kind are told as one, so that a line stays a line."""
    groups: dict[tuple[str, bool], list[Alert]] = {}
    for alert in alerts:
        groups.setdefault((alert.kind, alert.cleared_ms is None), []).append(alert)
    told = []
    for (kind, begins), group in groups.items():
        if len(group) <= MOST_ALERTS_IN_FULL:
            told += [f"ALERT {accounts.alert_text(alert)}." for alert in group]
        else:
            first = ", ".join(alert.subject for alert in group[:MOST_ALERTS_IN_FULL])
            more = len(group) - MOST_ALERTS_IN_FULL
            told.append(
                f"ALERT {kind}{'' if begins else ' cleared'}, {len(group)} times: {first} and {more} more."
            )
    return told


def _hours(figures: Figures) -> str:
    lost = ", ".join(f"{reason} {shown}" for reason, shown in accounts.not_credited(figures) if shown != "0")
    return f"{credited(figures.exposure.credited_h)} chip-hours credited, not credited: {lost or 'none'}"


def _failures(figures: Figures) -> str:
    return f"failed {figures.chips.failed:,}, not relevant {figures.chips.not_relevant:,}"


def _bounds(figures: Figures) -> str:
    """The bounds of the mechanism that limits the target, at the target's confidence."""
    aim = figures.target
    met = f"target {setting(aim.fit)} FIT {'met' if aim.met else 'NOT met'}"
    for item in figures.mechanisms:
        if item.name == aim.mechanism:
            any_time, one_look = _claimed(item, aim.confidence)
            at = f"{item.name} at {percent(aim.confidence)}"
            doubt = f" ({claims.LOTS_DIFFER})" if claims.lots_differ(figures) else ""
            doubt += " (WHAT IF: another campaign file)" if claims.is_what_if(figures) else ""
            return f"{at}: any time at most {any_time}, one look at most {one_look}{doubt}; {met}"
    return met


def _claimed(item: MechanismFigures, confidence: float) -> tuple[str, str]:
    """The any-time and the one-look bound that are claimed: the careful ones where there are any."""
    if item.careful is None:
        return _bound(item.anytime, confidence), _bound(item.bounds, confidence)
    for bound in item.careful.bounds:
        if bound.confidence == confidence:
            return claims.fit(bound.fit_upper_anytime), claims.fit(bound.fit_upper)
    return "not stated", "not stated"


def _bound(bounds: Sequence[Anytime] | Sequence[FixedLook], confidence: float) -> str:
    return next(
        (claims.fit(item.fit_upper) for item in bounds if item.confidence == confidence), "not stated"
    )


def _coverage(figures: Figures) -> str:
    lives = [
        ("reads", figures.coverage.reads.least),
        *((c.mechanism, c.least) for c in figures.coverage.life),
    ]
    return "least coverage in lives: " + ", ".join(f"{name} {lower(least)}" for name, least in lives)
