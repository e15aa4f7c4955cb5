"""Reading of one TOML table: every key is asked for once, and what is wrong is noted instead of raised."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypeVar

from monitor.campaign.model import Problem

T = TypeVar("T")
_MISSING = object()
_MOST_EXPONENT = 40
_MOST_DIGITS = 100
_MOST_BITS = 256
_MOST_UNKNOWN = 20  # keys told one by one; whoever has more has another kind of file


def show(value: Any) -> str:
    """A found value as short, printable text."""
    text = "".join(c if c.isprintable() else "?" for c in _text(value))
    return text if len(text) <= 60 else text[:57] + "..."


def _text(value: Any) -> str:
    """A TOML value about as the file writes it."""
    match value:
        case str():
            return f'"{value}"'
        case bool():
            return str(value).lower()
        case dict():
            return "a table"
        case list():
            return "[" + ", ".join(_text(item) for item in value) + "]"
        case int() if value.bit_length() > _MOST_BITS:  # Python refuses to write out thousands of digits
            return "a number of very many digits"
    return str(value)


class TableReader:
    """Reads the keys of ``table`` (found at ``where`` in the file) and appends to ``problems``."""

    def __init__(self, table: Any, where: str, problems: list[Problem]) -> None:
        self.where = where
        self.problems = problems
        self._asked: list[str] = []
        self._wrong: set[str] = set()
        if not isinstance(table, dict):
            self.complain("", f"found {show(table)}", "a table is needed here")
            table = {}
        self.table: dict[str, Any] = table

    def path(self, key: str) -> str:
        """The full name of ``key``, as the user would look for it."""
        return ".".join(part for part in (self.where, key) if part)

    def complain(self, key: str, found: str, allowed: str) -> None:
        """Note a problem."""
        self._wrong.add(key)
        self.problems.append(Problem(self.path(key), found, allowed))

    def sound(self, *keys: str) -> bool:
        """Whether nothing is noted against ``keys``: only then is it worth comparing their values."""
        return self._wrong.isdisjoint(keys)

    def has(self, key: str) -> bool:
        """Whether the file gives ``key``."""
        return key in self.table

    def raw(self, key: str, default: Any, allowed: str) -> Any:
        """The value as TOML gives it; missing without a default is a problem."""
        self._asked.append(key)
        value = self.table.get(key, _MISSING)
        if value is _MISSING:
            if default is _MISSING:
                self.complain(key, "missing", allowed)
                return _MISSING
            return default
        return value

    def decimal(
        self,
        key: str,
        allowed: str,
        ok: Callable[[Decimal], bool],
        *,
        default: Decimal | object = _MISSING,
        fallback: Decimal = Decimal(1),
    ) -> Decimal:
        """A number as the decimal written. ``fallback`` stands in after a problem, so that reading goes on."""
        value = self.raw(key, default, allowed)
        if value is _MISSING:
            return fallback
        number = as_decimal(value)
        if number is None or not ok(number):
            strange = number is None and isinstance(value, Decimal | int) and not isinstance(value, bool)
            self.complain(
                key, f"found {show(value)}", f"{allowed} (of ordinary size)" if strange else allowed
            )
            return fallback
        return number

    def integer(
        self, key: str, allowed: str, ok: Callable[[int], bool], *, default: int | object = _MISSING
    ) -> int:
        """A whole number; 1 stands in after a problem."""
        value = self.raw(key, default, allowed)
        if value is _MISSING:
            return 1
        if not isinstance(value, int) or isinstance(value, bool) or not ok(value):
            self.complain(key, f"found {show(value)}", allowed)
            return 1
        return value

    def decimal_or_none(self, key: str, allowed: str, ok: Callable[[Decimal], bool]) -> Decimal | None:
        """A number that may be left out; None also stands in after a problem."""
        number = self.decimal(key, allowed, ok) if self._given(key) else None
        return number if self.sound(key) else None

    def integer_or_none(self, key: str, allowed: str, ok: Callable[[int], bool]) -> int | None:
        """A whole number that may be left out; None also stands in after a problem."""
        number = self.integer(key, allowed, ok) if self._given(key) else None
        return number if self.sound(key) else None

    def _given(self, key: str) -> bool:
        self._asked.append(key)
        return self.has(key)

    def text(
        self, key: str, allowed: str, ok: Callable[[str], bool], *, default: str | object = _MISSING
    ) -> str:
        """A string; an empty one stands in after a problem."""
        value = self.raw(key, default, allowed)
        if value is _MISSING:
            return ""
        if not isinstance(value, str) or not (ok(value) or value == default):
            self.complain(key, f"found {show(value)}", allowed)
            return ""
        return value

    def numbers(
        self, key: str, allowed: str, ok: Callable[[list[Decimal]], bool], *, default: list[Decimal]
    ) -> list[Decimal]:
        """A list of numbers."""
        value = self.raw(key, default, allowed)
        items = [as_decimal(item) for item in value] if isinstance(value, list) else [None]
        found = [item for item in items if item is not None]
        if len(found) != len(items) or not ok(found):
            self.complain(key, f"found {show(value)}", allowed)
            return default
        return found

    def tables(self, key: str, allowed: str, most: int) -> list[TableReader]:
        """An array of at most ``most`` tables, each with its own reader; counted from 1 in messages."""
        value = self.raw(key, [], allowed)
        if not isinstance(value, list):
            self.complain(key, f"found {show(value)}", allowed)
            return []
        if len(value) > most:
            self.complain(key, f"{len(value)} tables", f"at most {most} are supported")
            return []
        return [TableReader(item, f"{self.path(key)}[{i}]", self.problems) for i, item in enumerate(value, 1)]

    def child(self, key: str) -> TableReader:
        """The table at ``key``; a missing one reads as empty, so that each of its missing keys is named."""
        return TableReader(self.raw(key, {}, ""), self.path(key), self.problems)

    def finish(self) -> None:
        """Note every key that nobody asked for."""
        unknown = [key for key in self.table if key not in self._asked]
        for key in unknown[:_MOST_UNKNOWN]:
            near = difflib.get_close_matches(key[:100], self._asked, n=1)
            hint = (
                f'did you mean "{near[0]}"?'
                if near
                else "known keys: " + ", ".join(dict.fromkeys(self._asked))
            )
            self.complain(show(key).strip('"'), "unknown key", hint)
        if len(unknown) > _MOST_UNKNOWN:
            self.complain("", f"{len(unknown) - _MOST_UNKNOWN} more unknown keys", "correct these first")


def as_decimal(value: Any) -> Decimal | None:
    """A TOML number of a size that a quantity can have (0, or from 1e-40 up to 1e40 either side of it), or None.

    Beyond, products of two quantities would leave what a double holds, and exact fractions would grow without end.
    """
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return None
    if isinstance(value, int) and value.bit_length() > _MOST_BITS:
        return None
    number = Decimal(value)
    if not number.is_finite():
        return None
    if not number:
        return Decimal(0)
    fits = abs(number.adjusted()) <= _MOST_EXPONENT and len(number.as_tuple().digits) <= _MOST_DIGITS
    return number if fits else None
