"""Fixtures of the tests with real faults: the library that makes them, built once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.shim import build


@pytest.fixture(scope="session")
def faultshim(tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built library."""
    return build(tool("gcc"), tmp_path_factory.mktemp("shim"))
