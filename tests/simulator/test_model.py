"""Physics against scipy's distributions and against brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from simulator.model import (
    AMBIENT_C,
    READ_JITTER,
    Failing,
    Pace,
    excursion_c,
    instants_h,
    lifetimes_h,
    merged,
    overlap_ms,
    ramp_c,
    reads_done,
    wrong_data,
)

SEED = 20_240_611
ALPHA = 1e-3  # of each Kolmogorov-Smirnov test; with the fixed seed it either always or never passes


@pytest.mark.parametrize(("name", "shape"), [("infant", 0.4), ("random", 1.0), ("wear-out", 4.0)])
def test_lives_follow_the_weibull_distribution_shortened_by_the_acceleration(name: str, shape: float) -> None:
    """Oracle: scipy.stats.weibull_min and its Kolmogorov-Smirnov test."""
    lives = lifetimes_h(
        np.random.default_rng(SEED), 50_000, shape=shape, scale_use_h=80_000.0, acceleration=40.0
    )
    assert stats.kstest(lives, stats.weibull_min(shape, scale=2000.0).cdf).pvalue > ALPHA, name
    unaccelerated = stats.weibull_min(shape, scale=80_000.0)
    assert stats.kstest(lives, unaccelerated.cdf).pvalue < 1e-12, "the test tells the two apart"


def test_random_lives_are_exponential() -> None:
    """Oracle: scipy.stats.expon."""
    lives = lifetimes_h(np.random.default_rng(SEED), 5000, shape=1.0, scale_use_h=500.0, acceleration=1.0)
    assert stats.kstest(lives, stats.expon(scale=500.0).cdf).pvalue > ALPHA


@pytest.mark.parametrize("bad", [{"shape": 0.0}, {"scale_use_h": -1.0}, {"acceleration": 0.0}])
def test_a_life_needs_positive_parameters(bad: dict[str, float]) -> None:
    parameters = {"shape": 1.0, "scale_use_h": 1.0, "acceleration": 1.0} | bad
    with pytest.raises(ValueError, match="above 0"):
        lifetimes_h(np.random.default_rng(SEED), 1, **parameters)


def test_instants_are_a_poisson_process() -> None:
    """Oracle: counts against scipy.stats.poisson (chi-squared), instants against scipy.stats.uniform."""
    rng = np.random.default_rng(SEED)
    draws = [instants_h(rng, 0.05, 100.0) for _ in range(2000)]
    counts = np.bincount([min(len(draw), 11) for draw in draws], minlength=12)
    expected = stats.poisson(5.0).pmf(np.arange(12))
    expected[11] = stats.poisson(5.0).sf(10)
    assert stats.chisquare(counts, expected * 2000).pvalue > ALPHA
    assert stats.kstest(np.concatenate(draws), stats.uniform(0, 100).cdf).pvalue > ALPHA
    assert all((np.diff(draw) >= 0).all() for draw in draws)


def test_the_ramp_goes_from_ambient_to_the_setpoint_and_stays() -> None:
    at_h = np.array([0.0, 0.25, 0.5, 100.0])
    assert ramp_c(at_h, 125.0, 0.5).tolist() == [AMBIENT_C, (AMBIENT_C + 125.0) / 2, 125.0, 125.0]
    assert ramp_c(at_h, 125.0, 0.0).tolist() == [125.0] * 4


def test_an_excursion_is_nothing_outside_and_all_of_it_in_the_middle() -> None:
    at_h = np.array([0.0, 10.0, 10.5, 15.0, 20.0, 21.0])
    assert excursion_c(at_h, 10.0, 20.0, 8.0).tolist() == [0.0, 0.0, 4.0, 8.0, 0.0, 0.0]
    assert excursion_c(at_h, 10.0, 10.0, 8.0).tolist() == [0.0] * 6


@given(st.lists(st.integers(1, 50), min_size=1, max_size=8), st.integers(-5, 200), st.integers(0, 100))
def test_overlap_is_the_number_of_milliseconds_in_both(steps: list[int], start: int, length: int) -> None:
    ends = np.cumsum(np.array(steps))
    starts = ends - np.array(steps)
    brute = [
        sum(start < ms <= start + length for ms in range(a + 1, b + 1))
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
    ]
    assert overlap_ms(starts, ends, start, start + length).tolist() == brute


def test_reads_stay_within_one_percent_of_the_nominal_rate() -> None:
    done = reads_done(np.random.default_rng(SEED), 2.0e5, np.full((1000, 20), 10_000.0))
    assert done.dtype == np.int64
    assert (np.abs(done / 2.0e6 - 1) <= 0.01).all()
    assert (
        stats.kstest(done.ravel() / 2.0e6, stats.uniform(1 - READ_JITTER, 2 * READ_JITTER).cdf).pvalue > ALPHA
    )


@given(st.integers(0, 10**6), st.integers(1, 10**5), st.integers(0, 10**12), st.integers(1, 10**7), st.data())
def test_a_read_completes_within_its_interval_and_is_counted_from_then_on(
    a_ms: int, dt_ms: int, ra: int, reads: int, data: st.DataObject
) -> None:
    pace = Pace(a_ms, a_ms + dt_ms, ra, ra + reads)
    read_index = data.draw(st.integers(ra + 1, ra + reads))
    up_ms = pace.instant(read_index)
    assert a_ms < up_ms <= a_ms + dt_ms
    assert pace.index(up_ms) >= read_index > pace.index(up_ms - 1)
    assert (pace.index(pace.a_ms), pace.index(pace.b_ms)) == (ra, ra + reads)


SPANS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 20)).map(lambda s: (s[0], s[0] + s[1])), max_size=4
)


@given(
    st.integers(1, 12),
    SPANS,
    st.dictionaries(st.integers(0, 11), st.integers(0, 60), max_size=3),
    st.integers(0, 80),
    st.integers(0, 60),
)
def test_failing_reads_are_those_that_brute_force_finds(
    words: int, spans: list[tuple[int, int]], cells: dict[int, int], lo: int, length: int
) -> None:
    bad = {address: since for address, since in cells.items() if address < words}
    failing = Failing(words, merged(spans), tuple(bad.items()))
    reads = [
        read
        for read in range(lo + 1, lo + length + 1)
        if any(start < read <= end for start, end in spans) or bad.get((read - 1) % words, read) < read
    ]
    assert failing.count(lo, lo + length) == len(reads)
    assert failing.first(lo, lo + length) == (reads[0] if reads else None)


@given(st.integers(0, 2**32), st.booleans())
def test_wrong_data_differs_from_what_is_expected(address: int, no_contact: bool) -> None:
    expected, observed = wrong_data(address, no_contact=no_contact)
    assert len(expected) == len(observed) == 8
    differing = (int(expected, 16) ^ int(observed, 16)).bit_count()
    assert differing >= 1 if no_contact else differing == 1
