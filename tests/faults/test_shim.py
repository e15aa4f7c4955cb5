"""The control of every test with a fault of disk or clock: the faults come about, where they are to, only there."""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.shim import Op, Shim

DAY_MS = 86_400_000
PROBE = """
import json, pathlib, sqlite3, sys, time
folder, errors = sys.argv[1], []
def attempt(work):
    try:
        work()
        errors.append(None)
    except OSError as error:
        errors.append(error.errno)
    except sqlite3.Error as error:
        errors.append(str(error))
db = sqlite3.connect(folder + "/some.db")
attempt(lambda: db.execute("CREATE TABLE t (x)").connection.commit())
attempt(lambda: pathlib.Path(folder, "some.txt").write_text("text"))
attempt(lambda: pathlib.Path(sys.argv[2]).write_text("text"))
print(json.dumps([errors, time.time(), time.monotonic()]))
"""


@pytest.mark.parametrize("error", [0, errno.ENOSPC, errno.EIO])
def test_the_shim_reaches_sqlite_and_files_and_nothing_else(
    faultshim: Path, tmp_path: Path, error: int
) -> None:
    folder, elsewhere = tmp_path / "run", tmp_path / "elsewhere"
    folder.mkdir()
    shim = Shim(faultshim, folder, tmp_path / "control")
    if error:
        shim.refuse(error, [Op.WRITE])
    command = [sys.executable, "-c", PROBE, str(folder), str(elsewhere)]
    found = subprocess.run(
        command, env=shim.environment(), capture_output=True, check=True, timeout=30, text=True
    )
    (in_sqlite, in_file, outside), *_ = json.loads(found.stdout)
    assert outside is None
    assert elsewhere.read_text() == "text"
    assert in_file == (error or None)
    assert bool(in_sqlite) == bool(error)
    assert shim.refused >= (2 if error else 0)
    assert shim.seen(Op.WRITE) > 2
    assert shim.seen(Op.SYNC) > 0 or error


def test_the_shim_moves_the_wall_clock_alone(faultshim: Path, tmp_path: Path) -> None:
    shim = Shim(faultshim, tmp_path / "run", tmp_path / "control")
    code = "import time, json; print(json.dumps([time.time(), time.monotonic()]))"
    seen = []
    for jump_ms in (0, DAY_MS):
        shim.shift_clock(jump_ms)
        command = [sys.executable, "-c", code]
        found = subprocess.run(command, env=shim.environment(), capture_output=True, check=True, timeout=30)
        seen.append(json.loads(found.stdout))
    (wall, steady), (wall_later, steady_later) = seen
    assert 86_400 - 60 < wall_later - wall < 86_400 + 60
    assert 0 < steady_later - steady < 60
