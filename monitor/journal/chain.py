"""The hash chain of a journal: each batch carries a hash over itself and the hash of the batch before it.

What it shows. A record that is changed, taken out, put in or moved no longer fits the hashes around it, and is found
and named by whoever reads the journal or checks it. What it cannot show: the chain has no key, so whoever can write
the file can reckon every hash after some batch anew, or cut the run off there, and the rest is a sound chain again.
Against that helps a copy of the head (``NUMBER:DIGEST``) at a place that this person cannot change, such as a
report, an e-mail or a log: a chain that was reckoned anew has another hash at that number, and a run that was cut
off before it has none.

What a hash is over: a mark that says what is hashed, then fields of fixed length or with their length before them,
so that no two contents are the same bytes. Numbers are 8 bytes, big end first.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

_RUN = b"lifebound run 1\0"
_BATCH = b"lifebound batch 1\0"
_COUNTS = b"lifebound counts 1\0"


def genesis(facts: Mapping[str, str]) -> bytes:
    """The hash that stands before the first batch: over the facts of the run, sorted by name."""
    digest = hashlib.sha256(_RUN)
    for text in (text for fact in sorted(facts.items()) for text in fact):
        data = text.encode("utf-8", "surrogatepass")
        digest.update(_number(len(data)) + data)
    return digest.digest()


def counts_digest(counts: str) -> bytes:
    """Digest of the counts of refused messages, of their JSON text as kept; the empty text while there are none."""
    return hashlib.sha256(_COUNTS + counts.encode("utf-8", "surrogatepass")).digest()


NO_COUNTS = counts_digest("")


def link(before: bytes, number: int, entries: int, counts: bytes, body: bytes) -> bytes:
    """The hash of a batch: ``before`` is that of its predecessor, ``counts`` the digest of the refused counts."""
    return link_digest(before, number, entries, counts, body_digest(body))


def link_digest(before: bytes, number: int, entries: int, counts: bytes, body: bytes) -> bytes:
    """:func:`link` of a batch of whose body only the digest is at hand."""
    fields = b"".join(_number(len(field)) + field for field in (before, counts, body))
    return hashlib.sha256(_BATCH + _number(number) + _number(entries) + fields).digest()


def body_digest(body: bytes) -> bytes:
    """What the hash of a batch holds of its body."""
    return hashlib.sha256(body).digest()


def _number(value: int) -> bytes:
    return value.to_bytes(8, "big", signed=True)
