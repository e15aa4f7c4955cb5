"""The wheel holds everything the commands read: installed alone, without the repository, the demo must run."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("monitor", "simulator", "shared")
READ_AT_RUN_TIME = ("*.py", "*.sql", "*.toml", "*.yaml", "py.typed")


def test_the_wheel_holds_what_the_packages_hold(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "--no-index"]
    done = subprocess.run(
        [*command, "--quiet", "--wheel-dir", str(tmp_path / "wheel"), str(copied(tmp_path / "source"))],
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = (tmp_path / "wheel").glob("lifebound-*.whl")
    there = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        str(path.relative_to(ROOT))
        for package in PACKAGES
        for pattern in READ_AT_RUN_TIME
        for path in (ROOT / package).rglob(pattern)
    }
    assert len(wanted) > 100
    assert wanted - there == set()


def copied(folder: Path) -> Path:
    """The sources alone, so that a build leaves nothing in the repository."""
    for name in (*PACKAGES, "pyproject.toml", "README.md"):
        source = ROOT / name
        paths = (
            [p for p in source.rglob("*") if p.is_file() and p.suffix != ".pyc"]
            if source.is_dir()
            else [source]
        )
        for path in paths:
            target = folder / path.relative_to(ROOT)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    return folder
