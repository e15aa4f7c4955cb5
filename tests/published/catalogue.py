"""All published checks: every module of this folder that has a list ``CHECKS``, in the order of their names."""

from __future__ import annotations

import importlib
from pathlib import Path

from tests.published.check import Check

_NOT_TOPICS = {"__init__", "catalogue", "check", "table"}


def topics() -> dict[str, list[Check]]:
    """The checks by topic (the module's first docstring line)."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.py"))
    found: dict[str, list[Check]] = {}
    for name in names:
        if name in _NOT_TOPICS or name.startswith("test_"):
            continue
        module = importlib.import_module(f"tests.published.{name}")
        found[(module.__doc__ or name).splitlines()[0].rstrip(".")] = module.CHECKS
    return found
