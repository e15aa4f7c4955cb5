"""What a run's journal holds, entry by entry, each with its receive time.

Accepted messages come from the racks; dispositions and measurements at read points are entered by a person.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from shared.messages import Message
from shared.quantities import Counter, Instant
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


class Refused(msgspec.Struct, kw_only=True):
    """Counts of the messages that were refused, and the places of strangers; an export ends with them.

    ``invalid_reasons`` splits ``invalid`` by the class of the refusal, as far as it is known.
    """

    duplicates: Counter = 0
    conflicts: Counter = 0
    invalid: Counter = 0
    strangers: Counter = 0
    stranger_places: list[tuple[str, int | None, int | None]] = msgspec.field(default_factory=list)
    invalid_reasons: dict[str, Counter] = msgspec.field(default_factory=dict)
