"""Limits of the wire contract and the few conversions everybody needs."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

CONTRACT_VERSION = 1
MAX_PAYLOAD_BYTES = 16 * 1024
MAX_SOCKETS = 256
MAX_BOARD = 9999
INT_MAX = 2**63 - 1
RESEND_AFTER_S = 20.0  # a rack with storage sends again what no receipt covered for this long
RECEIPT_EVERY_S = 5.0  # a receipt is published at most this often
RECEIPT_BOOTS = 4  # a receipt speaks of this many latest boots of a rack

MS_PER_S = 1000
MS_PER_H = 3_600_000
H_PER_YEAR = 8766.0  # 365.25 days

Counter = Annotated[int, Meta(ge=0, le=INT_MAX)]
Instant = Annotated[int, Meta(ge=-INT_MAX, le=INT_MAX)]
Positive = Annotated[int, Meta(ge=1, le=INT_MAX)]
BootId = Annotated[str, Meta(min_length=1, max_length=64)]
Word = Annotated[str, Meta(pattern=r"^[0-9a-fA-F]{1,64}(?!\n)$")]


def hours(ms: int) -> float:
    """Milliseconds as decimal hours (the one place where a duration becomes a float)."""
    return ms / MS_PER_H
