"""The whole screen: the state first, then failures, boards, hours, claims, coverage, target, and the rest."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType

from monitor.faces.terminal import accounts, claims, evidence
from monitor.faces.terminal.boards import boards
from monitor.faces.terminal.drift import read_points
from monitor.faces.terminal.layout import fit
from monitor.faces.terminal.state import state
from monitor.faces.terminal.text import Link, scrub, scrub_link
from monitor.figures.document import Figures
from monitor.rules.alerts import Alert


def render(
    figures: Figures | None,
    alerts: Sequence[Alert],
    link: Link,
    width: int,
    height: int,
    *,
    ascii_only: bool = False,
) -> RenderableType:
    """The screen in at most ``width`` cells by ``height`` lines. Pure.

    Every string of the arguments is cleaned first. What there is no room for is left out, the least important
    first, and counted in the last line.
    """
    width, height = max(width, 1), max(height, 1)
    link = scrub_link(link, ascii_only=ascii_only)
    figures = scrub(figures, ascii_only=ascii_only)
    alerts = scrub(list(alerts), ascii_only=ascii_only)
    parts = [state(figures, link, width, height, alerts)]
    if figures is not None:
        parts += [
            accounts.failures(figures, width),
            boards(figures, width, height, stale=link.stale),
            accounts.hours(figures, width),
            claims.claims(figures, width),
            claims.coverage(figures, width),
            claims.target(figures, width),
            evidence.plans(figures, width),
            accounts.reads(figures, width),
        ]
    parts.append(accounts.alerts(alerts, width))
    if figures is not None:
        parts += [
            accounts.lots(figures, width),
            accounts.intake(figures, width),
            accounts.campaign(figures, width),
            read_points(figures, width),
            evidence.cautions(figures, width),
            claims.claims_by_lot(figures, width),
        ]
    return fit(parts, width, height)
