"""Drawn input that means ill: texts, numbers, bytes, and messages that are almost right."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import strategies as st

TRICKS = (
    "\x1b[2J\x1b[H",  # clear the screen
    "\x1b]52;c;ZWNobyBoaQ==\x07",  # write to the clipboard
    "\x1b]0;title\x1b\\",
    "\x9b31m",  # the same as one character
    "a\rb",
    "\x07\x08\x00\x7f",
    "one\ntwo",
    "\u202egnp.exe\u202c",  # written backwards
    "\u2066\u200b\ufeff\u2028\u2029",
    "[/red][link=http://x]",
    "=1+1",
    "@SUM(A1)",
    "{0}{n:099}%s%n",
    "\U000e0041\ufe0f",
    "Z" * 300,
    "\u0300" * 80,
    "",
    " ",
)
texts = st.sampled_from(TRICKS) | st.text(max_size=20) | st.text(alphabet="abc-._/1 ", max_size=12)
numbers = st.sampled_from(
    [
        0,
        -0.0,
        -1,
        1,
        255,
        256,
        257,
        2**53,
        2**63 - 1,
        2**63,
        2**64,
        10**30,
        -(2**63),
        1e308,
        -1e308,
        5e-324,
        1.0,
        0.5,
    ]
) | st.integers(-3, 3)
scalars = st.none() | st.booleans() | numbers | texts
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
_ODDITIES = (
    b"NaN", b"Infinity", b"-Infinity", b"1e400", b"-0", b"1.0", b"9" * 5000, b'"\\ud800"', b"\xff", b"\xef\xbb\xbf",
    b"\x00", b"[" * 3000, b'{"a":' * 3000, b"{}", b"null", b",", b'"', b"\\", b"\n", b"//", b'"v":1,',
)  # fmt: skip


@st.composite
def spliced(draw: st.DrawFn, whole: bytes) -> bytes:
    """``whole`` with a few pieces of it dropped, doubled, or replaced by something odd."""
    data = whole
    for _ in range(draw(st.integers(0, 3))):
        start = draw(st.integers(0, len(data)))
        end = min(len(data), start + draw(st.integers(0, 8)))
        piece = draw(st.sampled_from([b"", data[start:end] * 2, *_ODDITIES]) | st.binary(max_size=6))
        data = data[:start] + piece + data[end:]
    return data


def _fields(**fields: Any) -> dict[str, Any]:
    return {"v": 1, "boot": "boot-1", "t_ms": 1_780_272_000_000, **fields}


GOOD: dict[str, dict[str, Any]] = {
    "presence": _fields(online=True, boards=[1], software="rack 1.0"),
    "tally": _fields(
        seq=3, up_ms=3_600_000, temp_c=125.0, supply_v=1.98, reads=[3_600_000] * 4, errors=[0, 0, 0, 0]
    ),
    "error": _fields(n=0, up_ms=9, socket=1, address=77, expected="ff", observed="fe", read_index=4, count=1),
}


@st.composite
def payloads(draw: st.DrawFn, kind: str) -> bytes:
    """A payload of ``kind``: almost right, or any bytes."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=60))
    members = list(GOOD[kind].items())
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(members) - 1))
        match draw(st.sampled_from(["drop", "retype", "double", "strange", "swap"])):
            case "drop" if len(members) > 1:
                members.pop(at)
            case "retype":
                members[at] = (members[at][0], draw(values))
            case "double":
                members.append((members[at][0], draw(values)))
            case "strange":
                members.append((draw(texts), draw(values)))
            case _:
                members.append(members.pop(at))
    text = ",".join(f"{json.dumps(key)}:{json.dumps(value)}" for key, value in members)
    return draw(spliced(f"{{{text}}}".encode()))


topics = st.sampled_from(
    [f"lifebound/oven-1/{rest}" for rest in ("presence", "1/tally", "1/error", "2/tally", "receipt")]
) | st.lists(
    texts | st.sampled_from(["lifebound", "oven-1", "1", "01", "9999", "10000", "tally", "+", "#"]),
    max_size=5,
).map("/".join)
