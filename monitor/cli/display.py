"""The terminal of a command: the view where there is a terminal, plain progress lines where there is none."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.console import Console

from monitor.faces.terminal import Link, plain_line
from monitor.faces.terminal.live import Screen, has_terminal
from monitor.figures import Figures
from monitor.rules.alerts import Alert

LINE_EVERY_S = 5.0


class Display:
    """Shows figures as they come (not at all when ``quiet``); use it as a context manager."""

    def __init__(self, *, plain: bool, ascii_only: bool = False, quiet: bool = False) -> None:
        console = Console()
        no_screen = plain or quiet or not has_terminal(console)
        self._screen = None if no_screen else Screen(console, ascii_only=ascii_only or _ascii())
        self._quiet = quiet
        self._known: set[tuple[str, int | None]] = set()
        self._line_at = float("-inf")

    def __enter__(self) -> Self:
        if self._screen is not None:
            self._screen.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._screen is not None:
            self._screen.__exit__(kind, error, trace)

    def show(self, figures: Figures | None, alerts: Sequence[Alert], link: Link) -> None:
        """Redraw the view; or print a line when an alert is new or some seconds have passed."""
        if self._screen is not None:
            self._screen.show(figures, alerts, link)
        if self._screen is not None or self._quiet:
            return
        new = [alert for alert in alerts if (alert.id, alert.cleared_ms) not in self._known]
        now = time.monotonic()
        if new or now - self._line_at >= LINE_EVERY_S:
            self._known.update((alert.id, alert.cleared_ms) for alert in new)
            self._line_at = now
            print(plain_line(figures, new, link), flush=True)


def _ascii() -> bool:
    """Whether the terminal's encoding cannot show more than ASCII."""
    encoding = (sys.stdout.encoding or "ascii").lower()
    return "utf" not in encoding or os.environ.get("LIFEBOUND_ASCII", "") not in {"", "0"}
