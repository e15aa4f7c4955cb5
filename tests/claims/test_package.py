"""The package keeps its dependency rule: numpy, scipy and the standard library, and nothing of ours outside it.

Source: the rule in the package's own docstring; no number is checked here.
"""

from __future__ import annotations

import ast
import dataclasses
import sys
from pathlib import Path

import pytest

from monitor import claims

MODULES = sorted(Path(claims.__file__).parent.glob("*.py"))
WITH_A_CLOCK_OR_IO = {
    "asyncio",
    "datetime",
    "io",
    "logging",
    "os",
    "pathlib",
    "socket",
    "sqlite3",
    "subprocess",
    "time",
}


def imported(source: str) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "." * node.level)
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_nothing_of_ours_no_clock_no_io(path: Path) -> None:
    roots = {
        name.partition(".")[0]
        for name in imported(path.read_text(encoding="utf-8"))
        if name != "monitor.claims" and not name.startswith("monitor.claims.")
    }
    assert roots <= ({"numpy", "scipy"} | sys.stdlib_module_names) - WITH_A_CLOCK_OR_IO


def test_public_names_are_there() -> None:
    assert [name for name in claims.__all__ if not hasattr(claims, name)] == []
    assert len(set(claims.__all__)) == len(claims.__all__)


def test_results_are_frozen_and_slotted() -> None:
    public = [getattr(claims, name) for name in claims.__all__]
    facts = [kind for kind in public if isinstance(kind, type)]
    assert len(facts) == 20
    for kind in facts:
        assert dataclasses.is_dataclass(kind)
        assert kind.__dataclass_params__.frozen
        assert "__slots__" in vars(kind)
