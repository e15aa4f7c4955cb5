"""How hard the fuzz tests try: the same few examples in every run, or (LIFEBOUND_FUZZ=deep) many and new ones."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, TypeVar

from hypothesis import HealthCheck, settings

from shared.errors import LifeboundError
from shared.shown import sentence

T = TypeVar("T")

DEEP = os.environ.get("LIFEBOUND_FUZZ") == "deep"
_TIMES = 100


def effort(examples: int) -> settings:
    """The settings of a test that takes so many examples in an ordinary run."""
    return settings(
        max_examples=examples * (_TIMES if DEEP else 1),
        derandomize=not DEEP,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )


def attempt(call: Callable[..., T], *args: Any) -> T | None:
    """What ``call`` returns, or None where it raises on purpose; anything else that it raises goes through.

    What is raised on purpose is a sentence that is printed as lines of printable characters, and not a book.
    """
    try:
        return call(*args)
    except LifeboundError as error:
        _check_sentence(str(error))
        return None


def _check_sentence(text: str) -> None:
    shown = sentence(text)
    assert shown.strip()
    assert len(shown) < 100_000
    assert all(line.isprintable() for line in shown.split("\n"))
    assert all(line.startswith("  ") for line in shown.split("\n")[1:])
