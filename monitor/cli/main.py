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
from shared.shown import escape, sentence

DONE, NO, USAGE, UNAVAILABLE, INTERRUPTED = 0, 1, 2, 3, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. No error is shown but escaped: it may hold text from anywhere.

    0 done, 1 the answer is "no", 2 wrong usage or input, 3 could not reach or start something, 130 interrupted.
    """
    _steady_output()
    name = "lifebound"
    try:
        args = make_parser().parse_args(_without_nul(argv))
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
        print(sentence(f"{name}: {error}"), file=sys.stderr)
        return USAGE if isinstance(error, InputError) else UNAVAILABLE
    except OSError as error:
        if error.errno == errno.ENOSPC:
            print(
                f"{name}: the output cannot be written ({error.strerror}); make room and try again",
                file=sys.stderr,
            )
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return UNAVAILABLE
        if error.filename is None:
            raise
        named = escape(os.fsdecode(error.filename)) if isinstance(error.filename, str | bytes) else "a file"
        print(f"{name}: {named}: cannot be used ({error.strerror}); give another path", file=sys.stderr)
        return USAGE


def _without_nul(argv: Sequence[str] | None) -> Sequence[str] | None:
    """No system call takes it, and what then fails fails late. Raises InputError."""
    if argv is not None and any("\0" in word for word in argv):
        raise InputError("an argument holds a NUL character; leave it out")
    return argv


def _steady_output() -> None:
    """Output that cannot fail for want of a character, or of a place to go."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  open as long as the process
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
