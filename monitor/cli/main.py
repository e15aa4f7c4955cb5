"""Entry point: parse, run the command, and turn what was raised on purpose into a sentence and an exit code."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module

from monitor.cli.parser import make_parser
from shared.errors import InputError, LifeboundError

DONE, NO, USAGE, UNAVAILABLE, INTERRUPTED = 0, 1, 2, 3, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code.

    0 done, 1 the answer is "no", 2 wrong usage or input, 3 could not reach or start something, 130 interrupted.
    """
    _steady_output()
    name = "lifebound"
    try:
        args = make_parser().parse_args(argv)
        name = f"lifebound {args.command}"
        run: Callable[..., int] = import_module(f"monitor.cli.{args.command}").run
        code = run(args)
        sys.stdout.flush()
        return code
    except BrokenPipeError:  # the reader of our output went away: nothing more to say
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        return INTERRUPTED
    except LifeboundError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return USAGE if isinstance(error, InputError) else UNAVAILABLE
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        print(
            f"{name}: the output cannot be written ({error.strerror}); make room and try again",
            file=sys.stderr,
        )
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return UNAVAILABLE


def _steady_output() -> None:
    """Output that cannot fail for want of a character, or of a place to go."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  open as long as the process
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
