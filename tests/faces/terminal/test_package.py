"""The view shows and computes nothing: what its modules may import."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import monitor.faces.terminal

FOLDER = Path(monitor.faces.terminal.__file__).parent
OURS = ("monitor.faces.terminal", "monitor.figures", "monitor.rules", "shared")
PLAIN = {
    "__future__", "collections", "dataclasses", "datetime", "decimal", "math", "msgspec", "re", "types", "typing",
    "unicodedata",
}  # fmt: skip
RICH = {"rich.cells", "rich.console", "rich.text"}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.py")), ids=lambda path: path.stem)
def test_a_module_imports_nothing_that_computes_or_waits(path: Path) -> None:
    allowed = RICH | ({"rich.live"} if path.stem == "live" else set())
    for name in imported(path):
        assert name.startswith(OURS) or name in allowed or name.split(".")[0] in PLAIN, name


def test_the_package_is_not_empty() -> None:
    assert {path.stem for path in FOLDER.glob("*.py")} >= {"text", "layout", "view", "live", "page", "lines"}
