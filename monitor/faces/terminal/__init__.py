"""The terminal view: the figures document as one screen, one line, or one page of plain text. Computes no figure.

``render`` (a screen), ``plain_line`` (a line for a pipe), ``summary`` (the account at the end) and ``intake_page``
(what came in) are pure; only ``live`` touches a terminal.
"""

from __future__ import annotations

from monitor.faces.terminal.intake import intake_page
from monitor.faces.terminal.lines import plain_line
from monitor.faces.terminal.page import summary
from monitor.faces.terminal.text import Link
from monitor.faces.terminal.view import render
from shared.shown import clean

__all__ = ["Link", "clean", "intake_page", "plain_line", "render", "summary"]
