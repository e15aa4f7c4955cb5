"""The terminal view: the figures document as one screen, one line, or one page of plain text. Computes no figure.

``render`` (a screen), ``plain_line`` (a line for a pipe) and ``summary`` (the account at the end) are pure; only
``live`` touches a terminal.
"""

from __future__ import annotations

from monitor.faces.terminal.lines import plain_line
from monitor.faces.terminal.page import summary
from monitor.faces.terminal.text import Link, clean
from monitor.faces.terminal.view import render

__all__ = ["Link", "clean", "plain_line", "render", "summary"]
