"""The one module that touches a terminal: a full screen that is redrawn when, and only when, it has changed."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.console import Console, ConsoleDimensions, RenderableType
from rich.live import Live
from rich.text import Text

from monitor.faces.terminal.text import Link
from monitor.faces.terminal.view import render
from monitor.figures.document import Figures
from monitor.rules.alerts import Alert


def has_terminal(console: Console) -> bool:
    """Whether the console writes to a terminal that can show a screen."""
    return console.is_terminal and console.file.isatty() and not console.is_dumb_terminal


class Screen:
    """The terminal's other screen for the time of the ``with`` block; what was there before comes back after it.

    There is no thread behind it: nothing is drawn but by :meth:`update` and :meth:`show`.
    """

    def __init__(self, console: Console, *, ascii_only: bool = False) -> None:
        self._console = console
        self._ascii_only = ascii_only
        self._drawn: tuple[RenderableType, ConsoleDimensions] | None = None
        self._live = Live(
            Text(""),
            console=console,
            screen=True,
            auto_refresh=False,
            redirect_stdout=False,
            redirect_stderr=False,
            vertical_overflow="crop",
        )

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def update(self, renderable: RenderableType) -> bool:
        """Draw the renderable unless the same is drawn already at this size; whether it drew."""
        wanted = (renderable, self._console.size)
        if wanted == self._drawn:
            return False
        self._live.update(renderable, refresh=True)
        self._drawn = wanted
        return True

    def show(self, figures: Figures | None, alerts: Sequence[Alert], link: Link) -> bool:
        """Render for the terminal's present size and draw; whether anything had changed."""
        width, height = self._console.size
        return self.update(render(figures, alerts, link, width, height, ascii_only=self._ascii_only))
