"""One published value held against ours.

``ours`` computes through lifebound's own functions; ``published`` is what the source prints, ``tolerance`` the absolute
difference its last digit allows (half a unit, unless ``note`` says why it is more).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

READ = "read"  # the digits were read in the source or in an open package that prints them
SECOND_HAND = "read second-hand"  # read in a text that cites the source
MEMORY = "from memory"  # the digits of the source as remembered; the computation is right, the quotation may not be
LIBRARY = "library run"  # printed by an open general-purpose library
MPMATH = "mpmath"  # computed with mpmath at 20 digits or more, nothing of ours in it

PROVENANCES = (READ, SECOND_HAND, MEMORY, LIBRARY, MPMATH)


@dataclass(frozen=True, slots=True)
class Check:
    """A claim of ours, the source's value for it, and how the source's value is known."""

    claim: str
    source: str
    provenance: str
    published: float
    tolerance: float
    ours: Callable[[], float]
    note: str = ""

    def __str__(self) -> str:
        return f"{self.source}: {self.claim}"
