"""Try mutations, each in a copy of the tree, and say which the tests caught."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.mutations.catalogue import Mutation

ROOT = Path(__file__).resolve().parents[2]
AT_ONCE = 2
BOUND_S = 600
_COPIED = ("monitor", "simulator", "shared", "config", "tests", "pyproject.toml", "README.md")
_LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc")


def mutated(mutation: Mutation, root: Path = ROOT) -> str:
    """The text of the mutation's file, broken. Raises ValueError unless the text to replace stands there once."""
    text = (root / mutation.file).read_text(encoding="utf-8")
    found = text.count(mutation.old)
    if found != 1:
        raise ValueError(f"{mutation.name}: its text stands {found} times in {mutation.file}")
    return text.replace(mutation.old, mutation.new)


def run_tests(tests: Iterable[str], mutation: Mutation | None = None) -> tuple[str, str]:
    """How tests fared in a copy of the tree, broken or not: "passed", "failed", "broken" or "timed out", and why."""
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy = Path(folder)
        for name in _COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=_LEFT_OUT)
            else:
                shutil.copy(source, copy / name)
        if mutation is not None:
            (copy / mutation.file).write_text(mutated(mutation, copy), encoding="utf-8")
        return _pytest(copy, tests)


def _pytest(copy: Path, tests: Iterable[str]) -> tuple[str, str]:
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header", *tests]
    try:
        done = subprocess.run(
            command,
            cwd=copy,
            env=os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            timeout=BOUND_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "timed out", f"after {BOUND_S} s"
    lines = done.stdout.strip().splitlines() or done.stderr.strip().splitlines() or [""]
    told = next((line for line in reversed(lines) if line.startswith(("FAILED", "ERROR"))), lines[-1])
    return {0: "passed", 1: "failed"}.get(done.returncode, "broken"), told


def try_all(mutations: Sequence[Mutation]) -> int:
    """Try each, two at a time, and print what became of it; 1 when one survived or could not be tried, else 0.

    Tests that fail without any mutation can tell nothing: each set is run on the unbroken tree first.
    """
    sets = list(dict.fromkeys(mutation.tests for mutation in mutations))
    with ThreadPoolExecutor(AT_ONCE) as pool:
        controls = dict(zip(sets, pool.map(run_tests, sets), strict=True))
        for tests, (fared, told) in controls.items():
            print(f"{'unbroken':<32}{fared}: {', '.join(tests)}: {told}", flush=True)
        sound = {tests for tests, (fared, _) in controls.items() if fared == "passed"}
        outcomes = list(pool.map(_try, (mutation for mutation in mutations if mutation.tests in sound)))
    print(f"{outcomes.count(True)} of {len(mutations)} mutations were caught")
    return 0 if outcomes.count(True) == len(mutations) else 1


def _try(mutation: Mutation) -> bool:
    try:
        fared, told = run_tests(mutation.tests, mutation)
    except ValueError as error:
        fared, told = "broken", str(error)
    word = {"passed": "SURVIVED", "failed": "caught"}.get(fared, fared.upper())
    print(f"{mutation.name:<32}{word}: {told}", flush=True)
    return fared == "failed"
