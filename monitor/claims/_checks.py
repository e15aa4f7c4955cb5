"""Refusals of arguments out of range, worded alike: the argument's name, what it must be, what was got."""

from __future__ import annotations

import math


def finite(name: str, value: float) -> None:
    """Refuse NaN and infinities."""
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number; got {value!r}")


def positive(name: str, value: float) -> None:
    """Refuse everything but finite numbers above zero."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name} must be a finite number above 0; got {value!r}")


def not_negative(name: str, value: float) -> None:
    """Refuse everything but finite numbers from zero up."""
    if not 0 <= value < math.inf:
        raise ValueError(f"{name} must be a finite number, 0 or more; got {value!r}")


def count(name: str, value: int) -> None:
    """Refuse everything but whole numbers from zero up."""
    if not 0 <= value < math.inf or value != int(value):
        raise ValueError(f"{name} must be a whole number, 0 or more; got {value!r}")


def confidence_level(value: float) -> None:
    """Refuse a confidence outside the open interval from 0 to 1."""
    open_share("confidence", value)


def open_share(name: str, value: float) -> None:
    """Refuse everything outside the open interval from 0 to 1."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must lie between 0 and 1, both excluded; got {value!r}")
