"""Text from outside that may be shown: on a screen, in a sentence, in a log, in JSON that somebody looks at.

A terminal obeys control characters, follows bidirectional overrides, and fails on lone surrogates. ``clean`` takes
them out where only the sense is wanted; ``escape`` and ``plain_json`` spell them out where nothing may be lost.
"""

from __future__ import annotations

import json
import re
import unicodedata

_STRING_SEQUENCE = r"(?:\x1b[\]PX^_]|[\x9d\x90\x98\x9e\x9f])[^\x07\x1b\x9c]*(?:\x07|\x1b\\|\x9c)"
_CONTROL_SEQUENCE = r"(?:\x1b\[|\x9b)[0-?]*[ -/]*[@-~]"
_SHORT_SEQUENCE = r"\x1b[ -/]*[0-Z\\^-~]"
_ESCAPES = re.compile("|".join((_STRING_SEQUENCE, _CONTROL_SEQUENCE, _SHORT_SEQUENCE)))
# Control, format (all bidi controls and joiners), lone surrogate, private use and unassigned characters.
_UNPRINTABLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})
_SPACES = frozenset({"Zs", "Zl", "Zp"})
_NOT_PLAIN = re.compile(r"[^ -~]")
_BREAKS = re.compile(r"\n(?!  \S)")  # a problem of many stands on a line of its own, under the first
_ELLIPSIS = "..."
_LONGEST = 200_000  # characters of a sentence; a thousand problems told in full are fewer


def clean(text: str) -> str:
    """The text as one safe line: no control characters, escape sequences, bidi controls or lone surrogates."""
    kept = (_printable(char) for char in _ESCAPES.sub("", text))
    return " ".join("".join(kept).split())


def _printable(char: str) -> str:
    if " " <= char <= "~":
        return char
    category = unicodedata.category(char)
    if category in _SPACES or char in "\t\n\r\v\f\x85":
        return " "
    return "" if category in _UNPRINTABLE or _is_variation_selector(char) else char


def _is_variation_selector(char: str) -> bool:
    """They change the width of the character before them, differently in each terminal."""
    return "\ufe00" <= char <= "\ufe0f" or "\U000e0100" <= char <= "\U000e01ef"


def escape(text: str) -> str:
    """The text with everything a terminal might obey spelled out (``\\x1b``), so that it still says what it was."""
    return "".join(map(_spelled, text))


def printable(text: str | bytes | memoryview, most: int) -> str:
    """The text in at most ``most`` characters of printable ASCII; every other character is escaped.

    No control character, escape sequence or surrogate is left, and a second time changes nothing. Bytes that are not
    UTF-8 are escaped one by one. What is cut ends in dots.
    """
    if isinstance(text, str):
        start, whole = text[: most + 1], len(text) <= most
    else:
        start = bytes(text[: most + 1]).decode("utf-8", "backslashreplace")
        whole = len(text) <= most
    if not (start.isascii() and start.isprintable()):
        start = "".join(c if " " <= c <= "~" else c.encode("unicode_escape").decode() for c in start)
    return start if whole and len(start) <= most else start[: most - len(_ELLIPSIS)] + _ELLIPSIS


def sentence(text: str) -> str:
    """An error in words, safe to print: as ``escape``, but lines that begin with two blanks stay lines.

    A line break out of a name or a value would begin a line that looks like one of ours.
    """
    cut = text if len(text) <= _LONGEST else text[:_LONGEST] + " ..."
    return "\n".join(map(escape, _BREAKS.sub("\\\\n", cut).split("\n")))


def plain_json(text: str) -> str:
    """JSON text in ASCII with every control character spelled out; it means the same."""
    return _NOT_PLAIN.sub(lambda match: _json_spelled(match[0]), text)


def _spelled(char: str) -> str:
    if " " <= char <= "~":
        return char
    shown = unicodedata.category(char) not in _UNPRINTABLE | {"Zl", "Zp"} and not _is_variation_selector(char)
    return char if shown else char.encode("unicode_escape").decode()


def _json_spelled(char: str) -> str:
    return json.dumps(char)[1:-1] if char != "\x7f" else "\\u007f"
