"""The version of this software, as installed."""

from __future__ import annotations

from functools import cache
from importlib.metadata import PackageNotFoundError, version


@cache
def software() -> str:
    """Name and version."""
    try:
        return f"lifebound {version('lifebound')}"
    except PackageNotFoundError:
        return "lifebound (not installed)"
