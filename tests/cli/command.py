"""Run one command in this process, and say what it printed."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from monitor.cli.main import main


@dataclass(frozen=True)
class Outcome:
    """Exit code, standard output and standard error of a command."""

    code: int
    out: str
    err: str


def lifebound(capsys: pytest.CaptureFixture[str], *argv: object) -> Outcome:
    """Run ``lifebound ARGV``; what was printed before is dropped."""
    capsys.readouterr()
    try:
        code = main([str(word) for word in argv])
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    printed = capsys.readouterr()
    return Outcome(code, printed.out, printed.err)
