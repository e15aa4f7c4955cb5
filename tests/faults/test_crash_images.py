"""Power cuts: whatever of its unsynced writes a disk keeps, every acknowledged batch is in the journal, whole.

The images are made from the real system calls of a real journal at work (commits, checkpoints, a clean restart). With
``synchronous=OFF`` the same check finds losses; so it can see one.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.journal import FILE_NAME
from tests.faults.crash import Recording, judge, record
from tests.faults.shim import Op


@pytest.fixture(scope="module")
def recording(faultshim: Path, tmp_path_factory: pytest.TempPathFactory) -> Recording:
    return record(faultshim, tmp_path_factory.mktemp("recording"), batches=36)


def test_every_acknowledged_batch_outlives_the_crash(recording: Recording, tmp_path: Path) -> None:
    findings = judge(recording, tmp_path / "image", seed=1, kills=60, powercuts=180)
    assert findings.losses == []
    assert findings.acknowledged > 1000, "the images held something"
    assert findings.unacknowledged > 10, "some crashes fell between commit and acknowledgement"
    assert findings.checkpoints > 10, "and some into a checkpoint"


def test_the_recording_shows_real_checkpoints_and_syncs(recording: Recording) -> None:
    to_database = [e for e in recording.effects if e.path.endswith(FILE_NAME)]
    assert sum(e.op is Op.WRITE for e in to_database) > 40
    assert sum(e.op is Op.SYNC for e in recording.effects) > recording.batches


def test_without_synchronous_commits_the_same_check_finds_losses(faultshim: Path, tmp_path: Path) -> None:
    loose = record(faultshim, tmp_path, batches=20, synchronous="OFF")
    findings = judge(loose, tmp_path / "image", seed=1, kills=0, powercuts=40)
    assert len(findings.losses) > 10
    killed = judge(loose, tmp_path / "image", seed=1, kills=40, powercuts=0)
    assert killed.losses == [], "a kill alone loses nothing: the system lives on"


def test_what_was_acknowledged_after_a_failed_fsync_outlives_the_crash(
    faultshim: Path, tmp_path: Path
) -> None:
    """A commit whose fsync failed may be found in the file afterwards; that alone does not make it durable."""
    recording = record(faultshim, tmp_path, batches=24, failing_syncs=True)
    assert recording.refused > 5
    findings = judge(recording, tmp_path / "image", seed=1, kills=20, powercuts=120)
    assert findings.losses == []
