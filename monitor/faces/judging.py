"""What a person sends to judge failed chips over HTTP, and how the bytes are read.

The rules that a judgement must keep are not here: the service holds it against the account.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from monitor.faces.refusal import RefusedError
from shared.entries import Disposition

MOST_AT_ONCE = 256
_PLACE = re.compile(r" - at `(\$[^`]*)`$")


class Judgement(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    rename={"cls": "class"},
    omit_defaults=True,
    forbid_unknown_fields=True,
):
    """A disposition as it is sent: without the time, which the service sets."""

    serial: Annotated[str, Meta(min_length=1, max_length=64)]
    cls: Literal["relevant", "not-relevant"]
    mechanism: Annotated[str, Meta(max_length=64)] | None = None
    who: Annotated[str, Meta(min_length=1, max_length=200)]
    why: Annotated[str, Meta(min_length=1, max_length=4000)]


class EnteredNow(msgspec.Struct, frozen=True):
    """What was entered into the journal, in the order in which it was sent."""

    entered: list[Disposition]


Judgements = Annotated[list[Judgement], Meta(min_length=1, max_length=MOST_AT_ONCE)]
_one = msgspec.json.Decoder(Judgement)
_several = msgspec.json.Decoder(Judgements)


def judgements_of(body: bytes) -> list[Judgement]:
    """One judgement, or a list of several. Raises RefusedError, which says where it is wrong."""
    try:
        if body.lstrip()[:1] == b"[":
            return _several.decode(body)
        return [_one.decode(body)]
    except msgspec.ValidationError as error:
        place = _PLACE.search(str(error))  # only the place: the rest may repeat what was sent
        where = f" at {place[1]}" if place else ""
        raise RefusedError(
            422, f"a field is missing or wrong{where}; /v1/openapi.json says what a disposition needs"
        ) from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        raise RefusedError(400, "the body is not JSON") from None
