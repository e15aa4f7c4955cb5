"""What a run's journal holds, entry by entry, each with its receive time.

Accepted messages come from the racks; dispositions and measurements at read points are entered by a person.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from shared.errors import Refusal
from shared.messages import Message
from shared.quantities import Counter, Instant
from shared.shown import printable
from shared.topics import Topic


class Disposition(msgspec.Struct, frozen=True, kw_only=True, rename={"cls": "class"}, omit_defaults=True):
    """A person's signed judgement of a failed chip; the last one of a chip stands, earlier ones stay readable."""

    serial: Annotated[str, Meta(min_length=1, max_length=64)]
    cls: Literal["relevant", "not-relevant"]
    mechanism: Annotated[str, Meta(max_length=64)] | None = None
    who: Annotated[str, Meta(min_length=1, max_length=200)]
    why: Annotated[str, Meta(min_length=1, max_length=4000)]
    when_ms: Instant


class Received(msgspec.Struct, frozen=True):
    """An accepted message, as it came in."""

    t_recv_ms: int
    topic: Topic
    message: Message


class Disposed(msgspec.Struct, frozen=True):
    """A disposition, as it was entered."""

    t_recv_ms: int
    disposition: Disposition


class Readout(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One value measured on one chip at a read point, with the limits of its parameter."""

    serial: Annotated[str, Meta(min_length=1, max_length=64)]
    read_point_h: Annotated[float, Meta(ge=0)]
    parameter: Annotated[str, Meta(min_length=1, max_length=64)]
    unit: Annotated[str, Meta(min_length=1, max_length=16)]
    value: float
    low_limit: float | None = None
    high_limit: float | None = None
    removed_ms: Instant | None = None  # end of the stress before it
    measured_ms: Instant | None = None


class ReadPointFile(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Measurements entered from one file, or a part of it; a later value of the same place stands for an earlier one.

    ``mechanism`` says by whose acceleration they are extrapolated.
    """

    file: Annotated[str, Meta(min_length=1, max_length=255)]
    sha256: Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
    mechanism: Annotated[str, Meta(max_length=64)]
    who: Annotated[str, Meta(min_length=1, max_length=200)]
    when_ms: Instant
    readouts: tuple[Readout, ...]


class Measured(msgspec.Struct, frozen=True):
    """Measurements at a read point, as they were entered."""

    t_recv_ms: int
    readpoint: ReadPointFile


Entered = Disposed | Measured
"""What a person enters: no message, so no session judges it."""

Entry = Received | Disposed | Measured


class Noted(msgspec.Struct, frozen=True, omit_defaults=True):
    """A refused message, kept for inspection. Make it with :func:`note`, which makes its text harmless."""

    t_recv_ms: int
    topic: str
    detail: str = ""
    excerpt: str = ""


class Refused(msgspec.Struct, kw_only=True):
    """Counts of the messages that were refused, and the places of strangers; an export ends with them.

    ``invalid_reasons`` splits ``invalid`` by the class of the refusal, as far as it is known. ``noted`` has the
    latest ``NOTED`` messages of each kind ("duplicate", "conflict", "stranger", "invalid"), oldest first. ``racks``
    has for each rack of the campaign the verdicts of its latest ``JUDGED`` messages, a letter each
    (``ACCEPTED_LETTER``, or one of ``REFUSED_LETTERS``), oldest first, and ``rack_details`` what was wrong with the
    latest refused one; a duplicate and what the campaign does not name speak neither for a rack nor against it.
    """

    duplicates: Counter = 0
    conflicts: Counter = 0
    invalid: Counter = 0
    strangers: Counter = 0
    stranger_places: list[tuple[str, int | None, int | None]] = msgspec.field(default_factory=list)
    invalid_reasons: dict[str, Counter] = msgspec.field(default_factory=dict)
    noted: dict[str, list[Noted]] = msgspec.field(default_factory=dict)
    racks: dict[str, str] = msgspec.field(default_factory=dict)
    rack_details: dict[str, str] = msgspec.field(default_factory=dict)


NOTED = 8  # messages of each kind kept for inspection
JUDGED = 20  # latest messages of a rack whose verdicts are kept
ACCEPTED_LETTER = "."
CONFLICT = "conflict"
REFUSED_LETTERS: dict[str, str] = {
    "c": CONFLICT,
    "t": Refusal.TOPIC,
    "s": Refusal.SIZE,
    "e": Refusal.ENCODING,
    "j": Refusal.JSON,
    "d": Refusal.DEPTH,
    "f": Refusal.FIELD,
    "h": Refusal.SHAPE,
    "b": Refusal.BOOT,
    "n": Refusal.NUMBER,
}
TOPIC_CHARS = 160
DETAIL_CHARS = 200
EXCERPT_CHARS = 160


def note(t_recv_ms: int, topic: str, detail: str, excerpt: str | bytes | memoryview) -> Noted:
    """A note whose text is printable ASCII and bounded, whatever was given."""
    return Noted(
        t_recv_ms,
        printable(topic, TOPIC_CHARS),
        printable(detail, DETAIL_CHARS),
        printable(excerpt, EXCERPT_CHARS),
    )
