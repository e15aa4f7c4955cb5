"""Bounds on the probability that a read fails, and that a bit of it is wrong.

Sources: the exact binomial limit (scipy's beta distribution) that the Poisson form lies above; Ville's inequality for
the any-time bound, by exact enumeration of a few reads and a seeded simulation.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import anytime_upper_count, per_bit_upper, per_read_anytime_upper, per_read_upper

confidences = st.floats(0.05, 0.999)


@given(st.integers(0, 50), st.integers(60, 10**12), st.floats(0.6, 0.999))
def test_one_look_lies_above_the_exact_binomial_limit(errors: int, reads: int, confidence: float) -> None:
    exact = scipy.stats.beta.ppf(confidence, errors + 1, reads - errors)
    bound = per_read_upper(errors, reads, confidence)
    assert bound is not None
    assert bound >= exact * (1 - 1e-8)  # as good as scipy tells the quantile at very many reads
    if reads > 10**9:
        assert bound == pytest.approx(exact, rel=1e-6)


@given(st.integers(0, 10**6), st.integers(1, 10**15), confidences)
def test_any_time_costs_more_than_one_look(errors: int, reads: int, confidence: float) -> None:
    look, always = (
        per_read_upper(errors, reads, confidence),
        per_read_anytime_upper(errors, reads, confidence, 5.0),
    )
    assert look is not None
    assert always is not None
    assert always > look


def test_looked_at_after_every_read_it_misses_as_seldom_as_it_says() -> None:
    """3000 seeded runs of 300 reads that fail with 0.05 each: the bound at 80 % is ever below it in 20 % at most."""
    rng, probability = np.random.default_rng(20261125), 0.05
    counts = np.array([anytime_upper_count(r, 0.80, 5.0) for r in range(301)])
    errors = (rng.random((3000, 300)) < probability).cumsum(axis=1)
    ever_below = (counts[errors] / np.arange(1, 301) < probability).any(axis=1).mean()
    assert 0.02 < ever_below <= 0.20 + 3 * math.sqrt(0.2 * 0.8 / 3000)


def test_no_reads_no_bound() -> None:
    assert per_read_upper(0, 0, 0.9) is None
    assert per_read_anytime_upper(0, 0, 0.9, 5.0) is None


@given(st.floats(0, 1), st.integers(1, 128))
def test_a_bit_between_one_wrong_bit_and_the_whole_word(per_read: float, bits: int) -> None:
    assert per_bit_upper(per_read, bits, bits) == pytest.approx(per_read, rel=1e-15)
    assert per_bit_upper(per_read, bits, 1) == pytest.approx(per_read / bits, rel=1e-15)


@pytest.mark.parametrize(
    ("per_read", "bits", "wrong", "words"),
    [
        (-0.1, 8, 1, r"per_read must be .*got -0.1"),
        (math.nan, 8, 1, r"per_read must be .*got nan"),
        (0.1, 8, 0, r"wrong_bits must be from 1 to bits, 8; got 0"),
        (0.1, 8, 9, r"wrong_bits must be from 1 to bits, 8; got 9"),
        (0.1, 0, 1, r"wrong_bits must be from 1 to bits, 0; got 1"),
    ],
)
def test_out_of_range(per_read: float, bits: int, wrong: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        per_bit_upper(per_read, bits, wrong)
