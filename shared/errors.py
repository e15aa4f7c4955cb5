"""Errors of the project, in one tree::

    LifeboundError                 the root: everything we raise on purpose
    ├── ContractError              a message from outside breaks the wire contract (theirs)
    ├── InputError                 a file, a key or an argument is wrong (the caller's); exit code 2
    └── UnavailableError           something could not be reached or started; exit code 3

Anything else that escapes is a bug of ours.
"""

from __future__ import annotations

from enum import StrEnum


class Refusal(StrEnum):
    """Why a message was refused as invalid; one word each, so that refusals can be counted by class."""

    TOPIC = "topic"
    SIZE = "size"
    ENCODING = "encoding"
    JSON = "json"
    DEPTH = "depth"
    FIELD = "field"
    SHAPE = "shape"
    BOOT = "boot"  # of a boot that ended long ago
    NUMBER = "number"  # its numbers jump


class LifeboundError(Exception):
    """Root of every error raised on purpose."""


class ContractError(LifeboundError):
    """A message breaks the wire contract.

    ``reason`` is the class of the refusal, ``detail`` one short sentence.
    """

    def __init__(self, reason: Refusal, detail: str) -> None:
        super().__init__(f"{reason}: {detail}")
        self.reason = reason
        self.detail = detail


class InputError(LifeboundError):
    """Wrong usage or input: the message names the file, key or line and says what to do."""


class UnavailableError(LifeboundError):
    """Something outside could not be reached or started."""
