"""The token of a run: only its hash is kept, for its owner alone, whole, and what is on disk holds at once."""

from __future__ import annotations

import hashlib
import hmac
import os
import stat
from pathlib import Path

import pytest

from monitor.campaign import Source
from monitor.journal import Run, SqliteJournal
from monitor.service import access
from monitor.service.access import FILE_NAME, TokenStore, make_token, revoke_token
from monitor.service.rundir import locked
from shared.errors import InputError
from tests.figures.bench import campaign_text


def test_only_the_hash_is_kept_and_only_its_owner_reads_it(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        token = make_token(tmp_path / "runs" / "new")
    finally:
        os.umask(before)
    folder = tmp_path / "runs" / "new"
    assert os.listdir(folder) == [FILE_NAME]
    path = folder / FILE_NAME
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert path.read_text() == f"{hashlib.sha256(token.encode()).hexdigest()}\n"
    assert len(token) >= 43, "256 bits in base64"
    assert TokenStore(folder).admits(token)


def test_a_new_token_revokes_the_one_before_and_a_revocation_every_one(tmp_path: Path) -> None:
    store = TokenStore(tmp_path)
    assert not store.exists()
    assert not revoke_token(tmp_path)
    first = make_token(tmp_path)
    assert store.admits(first)
    second = make_token(tmp_path)
    assert first != second
    assert [store.admits(t) for t in (first, second)] == [False, True]
    assert revoke_token(tmp_path)
    assert not store.exists()
    assert not store.admits(second)


def test_the_comparison_is_of_digests_in_constant_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_token(tmp_path)
    compared: list[tuple[str, str]] = []
    really = hmac.compare_digest

    def compare(a: str, b: str) -> bool:
        compared.append((a, b))
        return really(a, b)

    monkeypatch.setattr(access.hmac, "compare_digest", compare)
    assert not TokenStore(tmp_path).admits("guess")
    assert compared == [((tmp_path / FILE_NAME).read_text().strip(), hashlib.sha256(b"guess").hexdigest())]


@pytest.mark.parametrize(
    "content", [b"", b"\n", b"0" * 64, b"g" * 64 + b"\n", b"0" * 64 + b"\n0", b"0" * 65 + b"\n", b"\xff" * 65]
)
def test_a_damaged_file_admits_nobody(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    store = TokenStore(tmp_path)
    assert not store.exists()
    for guess in ("", "0", "\ud800", "0" * 64):
        assert not store.admits(guess)


def test_a_file_that_others_may_have_written_admits_nobody(tmp_path: Path) -> None:
    token = make_token(tmp_path)
    path = tmp_path / FILE_NAME
    for mode, admitted in ((0o620, False), (0o602, False), (0o640, True), (0o600, True)):
        path.chmod(mode)
        assert TokenStore(tmp_path).admits(token) is admitted, oct(mode)
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    assert not TokenStore(tmp_path).admits(token), "a link leads to what somebody else may have written"
    path.unlink()
    os.mkfifo(path)
    assert not TokenStore(tmp_path).admits(token), "and a pipe is not waited for"


def test_a_token_that_cannot_be_kept_leaves_the_one_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = make_token(tmp_path)

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(access.os, "fsync", full)
        with pytest.raises(InputError, match="cannot be kept there"):
            make_token(tmp_path)
    assert TokenStore(tmp_path).admits(token)
    assert TokenStore(tmp_path).admits(make_token(tmp_path)), "what the failed one left is no hindrance"


async def test_a_run_begins_privately_in_a_directory_that_holds_only_its_token(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o755)
    token = make_token(folder)
    with locked(folder):
        run = Run("run-1", 0, Source("bench.toml", campaign_text()))
        async with await SqliteJournal.create(folder, run):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert TokenStore(folder).admits(token)
