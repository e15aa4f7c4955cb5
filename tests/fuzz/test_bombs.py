"""Files that are small and unpack to much, or that never end: refused in bounded memory, and in the end at all.

Each is read by a process of its own that may use only so much memory and processor time: what is not bounded is
ended by the system, and the test sees no sentence.
"""

from __future__ import annotations

import json
import os
import resource
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.campaign import Source, load
from monitor.campaign.parse import MAX_CAMPAIGN_BYTES
from monitor.campaign.readpoints import COLUMNS, read_points_from_csv
from monitor.journal import Run
from monitor.journal.exchange import MAX_LINE_BYTES, archived_campaign, last_line, open_writer
from shared.entries import Refused
from tests.campaign.files import EXAMPLE, with_chips_file

MEMORY_BYTES = (
    1024 * 1024 * 1024
)  # of address space; a command that only says what is wrong with a file takes a third
PROCESSOR_S = 100  # for all of them; one alone that is not bounded takes hours
_BLOCK = 128 * 1024  # what a block of a compressed frame unpacks to at the most

_READ_ALL = """
import contextlib, io, json, sys
from monitor.cli.main import main
for argv in json.load(sys.stdin):
    said = io.StringIO()
    with contextlib.redirect_stderr(said):
        code = main(argv)
    print(json.dumps([code, said.getvalue()]), flush=True)
"""


def bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR_S, PROCESSOR_S))


def refused(command: str, paths: dict[str, Path]) -> dict[str, str]:
    """What a command says of each file on standard error, by a bounded process; each must end with exit code 2."""
    done = subprocess.run(
        [sys.executable, "-c", _READ_ALL],
        input=json.dumps([[command, str(path)] for path in paths.values()]).encode(),
        capture_output=True,
        preexec_fn=bounded,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        timeout=110,
        check=False,
    )
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == len(paths), (list(paths)[len(told)], done.returncode, done.stderr[-2000:])
    for code, said in told:
        assert code == 2
        assert said.startswith(f"lifebound {command}: ")
        assert len(said) < 100_000
    return {name: said for name, (_, said) in zip(paths, told, strict=True)}


def frame(byte: bytes, blocks: int, *, claim: int | None = None, window: int = 0x38) -> bytes:
    """A compressed frame of ``blocks`` times 128 KiB of one byte, four bytes each (RFC 8878, section 3.1.1)."""
    head = struct.pack("<I", 0xFD2FB528)
    head += bytes([0x00, window]) if claim is None else bytes([0xC0, window]) + struct.pack("<Q", claim)

    def block(size: int, last: int) -> bytes:
        return struct.pack("<I", size << 3 | 1 << 1 | last)[:3] + byte

    return head + block(_BLOCK, 0) * (blocks - 1) + block(_BLOCK, 1)


FRAMES = {
    "one line": (frame(b"x", 80_000), f"longer than {MAX_LINE_BYTES} bytes"),
    "empty lines": (frame(b"\n", 80_000), "empty lines"),
    "blanks": (frame(b" ", 80_000), f"longer than {MAX_LINE_BYTES} bytes"),
    "nested": (frame(b"{", 80_000), f"longer than {MAX_LINE_BYTES} bytes"),
    "claims": (frame(b"x", 2, claim=10 * 2**30), "cannot be read"),
    "window": (frame(b"x", 2, window=0xA0), "cannot be read"),
    "magic": (b"\x28\xb5\x2f\xfd" * 1000, "cannot be read"),
}


def test_recorded_runs_that_unpack_to_ten_gigabytes_or_never_end(tmp_path: Path) -> None:
    paths = {}
    for name, (content, _) in FRAMES.items():
        paths[name] = tmp_path / f"{name}.jsonl.zst"
        paths[name].write_bytes(content)
        assert len(content) < 400_000
    paths["good lines"] = tmp_path / "good lines.jsonl.zst"
    line = b'{"t_recv_ms":1,"topic":"x","payload":' + b" " * 900_000 + b"1}\n"
    with open_writer(paths["good lines"]) as out:
        for _ in range(200):
            out.write(line)
    assert paths["good lines"].stat().st_size < 100_000
    paths["endless"] = tmp_path / "endless.jsonl"
    with paths["endless"].open("wb") as file:
        file.truncate(20 * 2**30)  # zeros that take no room
    said = refused("replay", paths)
    assert "it unpacks to more than 1000 times its size" in said.pop("good lines")
    assert f"longer than {MAX_LINE_BYTES} bytes" in said.pop("endless")
    for name, sentence in said.items():
        assert FRAMES[name][1] in sentence, name


HEADER = b"rack,board,socket,serial,lot\n"
MEASURED = ",".join(COLUMNS).encode() + b"\n"
MANY = {
    "short rows": b"a\n" * 2_000_000,
    "empty rows": b"\n" * 4_000_000,
    "one row": b"," * 4_000_000,
    "one cell": b"a" * 4_000_000,
    "quote": b'"' + b"a,\n" * 1_000_000,
    "quotes": b'"\n",,,,' * 500_000,
    "nul": b"\0" * 4_000_000,
}


def test_chips_of_millions_of_lines(tmp_path: Path) -> None:
    paths = {}
    for name, content in MANY.items():
        folder = tmp_path / name
        folder.mkdir()
        (folder / "chips.csv").write_bytes(HEADER + content)
        paths[name] = folder / "c.toml"
    (tmp_path / "endless").mkdir()
    paths["endless"] = tmp_path / "endless" / "c.toml"
    with (tmp_path / "endless" / "chips.csv").open("wb") as file:
        file.truncate(20 * 2**30)
    for path in paths.values():
        path.write_text(with_chips_file())
    said = refused("check", paths)
    assert "larger than" in said.pop("endless")
    assert all("chips.csv line" in sentence for sentence in said.values())


def test_measurements_of_millions_of_lines() -> None:
    for content in MANY.values():
        found = read_points_from_csv("rp.csv", (MEASURED + content).decode(), {"A-1"})
        assert 1 <= len(found.problems) <= 1100
        assert not found.readings


DEEP = 500_000
TOML = {
    "brackets": "a = " + "[" * DEEP,
    "tables": "a = " + "{a=" * (DEEP // 2),
    "key": ".".join("a" * DEEP) + " = 1",
    "header": "[" + ".".join("a" * DEEP) + "]",
    "quoted key": ".".join(['"a,."'] * (DEEP // 6)) + " = 1",
    "spaced key": " . ".join("a" * (DEEP // 4)) + " = 1",
    "keys": "".join(f"k{i:x}=1\n" for i in range(30_000)),
    "blocks": "[[chips]]\n" * 40_000,
    "sockets": '[[chips]]\nrack="a"\nboard=1\nlot="A"\nserial="A{n}"\nsockets="'
    + ",".join(["1-256"] * 150_000)
    + '"',
    "width": '[[chips]]\nrack="a"\nboard=1\nlot="A"\nserial="A{n:0999999999}"\nsockets="1-999999999"',
    "widths": '[[chips]]\nrack="a"\nboard=1\nlot="A"\nsockets="1"\nserial="' + "{n:099}" * 100_000 + '"',
    "digits": "a = " + "9" * 900_000,
    "exponent": "a = 1e" + "9" * 900_000,
    "mechanisms": "".join(f'[[mechanism]]\nname="m{i}"\nea_ev=0.7\n' for i in range(8_000)),
    "profile": EXAMPLE + "".join("[[use.profile]]\nshare=1e-30\ntemp_c=1\n" for _ in range(8_000)),
    "points": f"[campaign]\nread_points_h = {list(range(1, 120_000))}",
    "title": '[campaign]\ntitle = "' + "x" * 900_000 + '"',
    "name": 'chips_file = "' + "x" * 900_000 + '"',
    "chips": "".join(
        f'[[chips]]\nrack="r"\nboard={i}\nlot="A"\nserial="A{{n}}"\nsockets="1-256"\n' for i in range(1, 1000)
    ),
}


def test_campaigns_made_to_take_for_ever(tmp_path: Path) -> None:
    paths = {}
    for name, text in TOML.items():
        paths[name] = tmp_path / f"{name}.toml"
        paths[name].write_text(text)
        assert paths[name].stat().st_size <= MAX_CAMPAIGN_BYTES
    for name, said in refused("check", paths).items():
        assert f"{name}.toml: " in said


@pytest.mark.parametrize("name", ["c.toml", "run.jsonl", "run.jsonl.zst", "rp.csv", "chips.csv"])
@pytest.mark.parametrize("kind", ["fifo", "directory", "loop", "device"])
def test_what_is_no_regular_file_keeps_nobody_waiting(tmp_path: Path, name: str, kind: str) -> None:
    path = tmp_path / name
    match kind:
        case "fifo":
            os.mkfifo(path)
        case "directory":
            path.mkdir()
        case "loop":
            path.symlink_to(path)
        case "device":
            path.symlink_to("/dev/zero")
    if name == "chips.csv":
        (tmp_path / "c.toml").write_text(with_chips_file())
        with pytest.raises(Exception, match=r"chips_file"):
            load(tmp_path / "c.toml")
        return
    with pytest.raises(Exception, match=r"cannot be read|no such run|no run is recorded"):
        read_any(path, name)


def read_any(path: Path, name: str) -> None:
    """Read a file as the command that takes it would."""
    if name.startswith("run"):
        archived_campaign(path)
    else:
        load(path)


def test_an_archive_may_hold_a_campaign_of_many_chips(tmp_path: Path) -> None:
    """Its last line is longer than any other may be; a bound that refused it would make archives worthless."""
    rows = "".join(f'oven-1,{1 + n // 256},{1 + n % 256},"A-{n:06}",A\n' for n in range(90_000))
    source = Source("many.toml", with_chips_file(), "rack,board,socket,serial,lot\n" + rows)
    path = tmp_path / "many.jsonl.zst"
    with open_writer(path) as out:
        out.write(last_line(Refused(), Run("r", 0, source)))
    assert archived_campaign(path) == source
    assert len(source.chips_csv or "") > 2 * MAX_LINE_BYTES
