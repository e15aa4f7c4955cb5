"""When a chip has failed, and at which instant its account stops.

Two witnesses count failed reads: the error messages (sum of ``count``) and the tallies (advance of the errors
counter). The first to reach the criterion fails the chip, for good. The **instant** is that of the message at
which the sum, in the order of ``n``, reaches the criterion; without such a message it is the tally before the one
that shows the failure. The interval that contains the instant is judged as a whole and credited up to the instant;
a message that comes after the tally moves the instant within that one interval, so messages and tallies give the
same account in either order. Where the two name different intervals they disagree: the counters stand if theirs is
the earlier interval or was folded first, nothing credited is taken back, and the disagreement is counted.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass, field

from shared.messages import ReadError

FROM_BOOT = 0  # up_ms of the "tally before" the first tally of a boot


@dataclass(frozen=True, slots=True, order=True)
class Sighting:
    """An error message of one chip, ordered by boot and ``n``."""

    boot_order: int
    n: int
    boot: str = field(compare=False)
    message: ReadError = field(compare=False)


@dataclass(slots=True)
class Slice:
    """The interval that holds the instant: what of it has been entered, so that a better instant can correct it.

    ``reads`` is the counter at its start and ``advance`` its whole advance (None where no reads are counted).
    """

    start_ms: int
    end_ms: int
    reason: int
    fixed: tuple[int, ...]
    reads: int
    advance: int | None
    creditable: bool
    entered_ms: int = 0
    entered_reads: int = 0


@dataclass(slots=True)
class Failure:
    """A failed chip.

    ``pending`` while the interval of a message's instant is still to come; afterwards ``slice`` is that interval,
    or None where the account closed at the last folded tally. ``counters_agree`` when the counters reach the
    criterion in it too.
    """

    boot: str
    boot_order: int
    up_ms: int
    t_ms: int
    by_message: bool
    pending: bool
    counters_agree: bool = False
    seen: ReadError | None = None
    slice: Slice | None = None

    def move_to(self, sighting: Sighting) -> None:
        """Take the instant from an error message."""
        self.boot, self.boot_order = sighting.boot, sighting.boot_order
        self.up_ms, self.t_ms = sighting.message.up_ms, sighting.message.t_ms
        self.by_message, self.seen = True, sighting.message


@dataclass(slots=True)
class Witness:
    """What has been seen of one chip's failed reads."""

    sightings: list[Sighting] = field(default_factory=list)
    counted: int = 0  # failed reads by the tallies
    clean_until_ms: dict[str, int] = field(
        default_factory=dict
    )  # per boot, what was folded before they sufficed
    failure: Failure | None = None
    told: Sighting | None = None  # the message that reaches the criterion, by the messages known so far
    disagrees: bool = False

    def add(self, sighting: Sighting) -> None:
        """Take an error message into account."""
        bisect.insort(self.sightings, sighting)

    def reached(self, failed_reads: int) -> Sighting | None:
        """The message at which the sum of counts reaches the criterion.

        Messages behind it are dropped: one that arrives later can only move the instant forward, so memory stays
        bounded by the criterion however often the chip fails.
        """
        total = 0
        for i, sighting in enumerate(self.sightings):
            total += sighting.message.count
            if total >= failed_reads:
                del self.sightings[i + 1 :]
                return sighting
        return None
