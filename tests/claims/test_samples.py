"""Sample sizes for a percent defective. Published tables are in tests/published; here laws and general libraries.

Sources: scipy.stats.binom (P(X <= c) by its own road); Clopper-Pearson limits as beta quantiles (scipy.stats.beta). The
Poisson form against the binomial: 1 - p <= exp(-p), and its analogue for c failures (Anderson & Samuels, 1967, from
memory) for small p.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims.samples import (
    binomial_sample_size,
    jedec_sample_size,
    poisson_sample_size,
    success_run_reliability,
    success_run_size,
    zero_failure_chips,
    zero_failure_multiple,
)

SHARES = st.floats(min_value=1e-5, max_value=0.9)
CONFIDENCES = st.floats(min_value=0.05, max_value=0.9999)
FAILURES = st.integers(min_value=0, max_value=30)


@given(share=SHARES, confidence=CONFIDENCES, failures=FAILURES)
def test_the_binomial_size_is_the_first_at_which_a_lot_at_the_limit_seldom_passes(
    share: float, confidence: float, failures: int
) -> None:
    chips = binomial_sample_size(share, confidence, failures)
    allowed = 1 - confidence
    assert scipy.stats.binom.cdf(failures, chips, share) <= allowed * (1 + 1e-9)
    assert scipy.stats.binom.cdf(failures, chips - 1, share) > allowed * (1 - 1e-9)


@given(share=st.floats(min_value=0.001, max_value=0.5), confidence=CONFIDENCES, failures=FAILURES)
def test_the_upper_limit_of_the_sample_is_the_share(share: float, confidence: float, failures: int) -> None:
    chips = binomial_sample_size(share, confidence, failures)
    assert scipy.stats.beta.ppf(confidence, failures + 1, chips - failures) <= share * (1 + 1e-9)


@given(share=st.floats(1e-5, 0.1), confidence=st.floats(min_value=0.6, max_value=0.999), failures=FAILURES)
def test_poisson_never_asks_for_fewer_chips(share: float, confidence: float, failures: int) -> None:
    exact = binomial_sample_size(share, confidence, failures)
    poisson = poisson_sample_size(share, confidence, failures)
    assert exact <= poisson
    assert poisson - exact <= 3 + share * poisson  # the two differ by a share of about L / 2


@given(share=st.floats(1e-4, 0.1), confidence=st.floats(0.6, 0.99), failures=st.integers(0, 10))
def test_the_jedec_approximation_is_within_a_few_chips_of_the_exact_size(
    share: float, confidence: float, failures: int
) -> None:
    exact = binomial_sample_size(share, confidence, failures)
    assert abs(jedec_sample_size(share, confidence, failures) - exact) <= 2 + failures / 2


@given(confidence=CONFIDENCES, reliability=st.floats(min_value=0.1, max_value=0.99999))
def test_the_success_run_is_the_binomial_size_without_failures(confidence: float, reliability: float) -> None:
    assert success_run_size(reliability, confidence) == binomial_sample_size(1 - reliability, confidence)


@given(confidence=CONFIDENCES, chips=st.integers(min_value=1, max_value=5000))
def test_the_success_run_there_and_back(confidence: float, chips: int) -> None:
    reliability = success_run_reliability(chips, confidence)
    assert reliability**chips == pytest.approx(1 - confidence, rel=1e-9)
    if 0 < reliability < 1 - 1e-9:
        assert success_run_size(reliability, confidence) == chips


def test_a_size_that_is_whole_but_for_rounding_is_that_size() -> None:
    assert success_run_size(0.1 ** (1 / 22), 0.9) == 22
    assert binomial_sample_size(1 - 0.1 ** (1 / 22), 0.9) == 22
    assert binomial_sample_size(0.5, 0.875) == 3


@given(
    share=st.floats(0.001, 0.9),
    confidence=CONFIDENCES,
    shape=st.floats(0.2, 8),
    chips=st.integers(1, 1000),
)
def test_weibull_lives_there_and_back(share: float, confidence: float, shape: float, chips: int) -> None:
    multiple = zero_failure_multiple(share, confidence, shape, chips)
    assert zero_failure_chips(share, confidence, shape, multiple) == pytest.approx(chips, rel=1e-9)
    survival = scipy.stats.weibull_min.sf(multiple, shape, scale=(-math.log1p(-share)) ** (-1 / shape))
    assert survival**chips == pytest.approx(1 - confidence, rel=1e-6)


def test_one_life_each_needs_the_success_run_whatever_the_shape() -> None:
    sizes = {zero_failure_chips(0.01, 0.9, shape, 1.0) for shape in (0.5, 1.0, 3.0)}
    assert len(sizes) == 1
    assert math.ceil(sizes.pop()) == success_run_size(0.99, 0.9)


@given(share=SHARES, confidence=CONFIDENCES, failures=FAILURES)
def test_more_failures_more_confidence_and_less_defective_need_more_chips(
    share: float, confidence: float, failures: int
) -> None:
    for size in (binomial_sample_size, poisson_sample_size, jedec_sample_size):
        here = size(share, confidence, failures)
        assert size(share, confidence, failures + 1) > here
        assert size(share / 2, confidence, failures) >= here
        assert size(share, (1 + confidence) / 2, failures) >= here


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: binomial_sample_size(0.0, 0.9), "share_defective must lie between 0 and 1"),
        (lambda: binomial_sample_size(1.0, 0.9), "share_defective must lie between 0 and 1"),
        (lambda: binomial_sample_size(0.1, 1.0), "confidence must lie"),
        (lambda: binomial_sample_size(0.1, 0.9, -1), "failures must be a whole number"),
        (lambda: poisson_sample_size(math.nan, 0.9), "share_defective must lie .* got nan"),
        (lambda: poisson_sample_size(0.1, 0.0), "confidence must lie"),
        (lambda: jedec_sample_size(2.0, 0.9), "share_defective must lie"),
        (lambda: success_run_size(1.0, 0.9), "reliability must lie"),
        (lambda: success_run_reliability(0, 0.9), "chips must be a whole number, 1 or more; got 0"),
        (lambda: success_run_reliability(1, 2.0), "confidence must lie"),
        (lambda: zero_failure_multiple(0.0, 0.9, 1.0, 5), "share_failing must lie"),
        (lambda: zero_failure_multiple(0.1, 0.9, 0.0, 5), "weibull_shape must be a finite number above 0"),
        (lambda: zero_failure_multiple(0.1, 0.9, 1.0, 0), "chips must be a finite number above 0"),
        (lambda: zero_failure_chips(0.1, 0.9, 1.0, -1.0), "multiple must be a finite number above 0"),
    ],
)
def test_out_of_range_is_refused(call: Callable[[], float], names: str) -> None:
    with pytest.raises(ValueError, match=names):
        call()
