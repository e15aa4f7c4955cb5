"""How likely a read fails, and a bit of it is wrong: upper bounds from credited reads and failed reads.

Good for reads that fail independently, which the reads of one bad cell do not.
"""

from __future__ import annotations

from monitor.claims import _checks
from monitor.claims.anytime import anytime_upper_count
from monitor.claims.bounds import poisson_upper_count


def per_read_upper(errors: int, reads: int, confidence: float) -> float | None:
    """Upper bound on read errors per read: ``chi2.ppf(C, 2 k + 2) / (2 reads)``; None before the first read.

    Good for one look at a time fixed in advance. From a confidence of 60 % on the Poisson form lies above the exact
    binomial one, by less the more reads there are; at a handful of reads it may lie above 1. (Garwood, Biometrika
    28:437, 1936.)
    """
    _checks.count("reads", reads)
    count = poisson_upper_count(errors, confidence)
    return None if reads == 0 else count / reads


def per_read_anytime_upper(errors: int, reads: int, confidence: float, mixture_rate: float) -> float | None:
    """Upper bound on read errors per read that holds however often one looks; None before the first read.

    The anytime count over reads instead of hours: a read that fails with probability p takes the place of an hour at
    that rate (its evidence is no larger, as ``1 - p + p u <= exp(-p (1 - u))``).
    """
    _checks.count("reads", reads)
    count = anytime_upper_count(errors, confidence, mixture_rate)
    return None if reads == 0 else count / reads


def per_bit_upper(per_read: float, bits: int, wrong_bits: int) -> float:
    """Upper bound on wrong bits per bit read, from the bound on failed reads and the word's ``bits``.

    ``wrong_bits`` is the most wrong bits that a failed read is taken to have, 1 to ``bits``: a read of n bits that
    fails with probability p has at most ``p wrong_bits`` wrong bits on average, a share ``p wrong_bits / n`` of them.
    Taking 1 without having seen the words is the error that makes a bit look better than it is.

    Raises ValueError for a bound that is negative, no bits, and more wrong bits than bits.
    """
    _checks.not_negative("per_read", per_read)
    _checks.count("bits", bits)
    _checks.count("wrong_bits", wrong_bits)
    if not 1 <= wrong_bits <= bits:
        raise ValueError(f"wrong_bits must be from 1 to bits, {bits}; got {wrong_bits!r}")
    return per_read * wrong_bits / bits
