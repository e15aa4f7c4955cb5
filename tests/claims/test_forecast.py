"""Forecasts: negative binomial predictions, waits, chances of meeting the target. Published values: tests/published.

Sources: scipy.stats.nbinom; direct integration over the gamma posterior (scipy.integrate) of Poisson probabilities; the
exact first-passage sum of monitor.claims.stopping under a fixed rate, integrated the same way; a seeded simulation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from monitor.claims import hours_to_go
from monitor.claims.anytime import anytime_upper_count
from monitor.claims.bounds import poisson_upper_count
from monitor.claims.forecast import (
    ASSUMPTIONS,
    FurtherFailures,
    Prior,
    chance_at_the_end,
    chance_by_the_end,
    first_met_shares,
    further_failures,
    hours_with_failure_at,
)
from monitor.claims.stopping import pass_probability

FIXED = partial(poisson_upper_count, confidence=0.9)
ANYTIME = partial(anytime_upper_count, confidence=0.9)
TARGET_FIT = 50.0
UNIT_H = 1e9 / TARGET_FIT  # equivalent hours in which one failure is expected at the target rate

# --- further failures ----------------------------------------------------------------------------------------------


@given(
    failures=st.integers(0, 200),
    equivalent_h=st.floats(1.0, 1e12),
    ratio=st.floats(1e-6, 1e3),
    further=st.integers(0, 300),
)
def test_further_failures_are_negative_binomial(
    failures: int, equivalent_h: float, ratio: float, further: int
) -> None:
    coming = further_failures(failures, equivalent_h, ratio * equivalent_h)
    known = scipy.stats.nbinom(coming.shape, coming.success)
    assert coming.shape == failures + 0.5
    assert coming.probability(further) == pytest.approx(known.pmf(further), rel=1e-8, abs=1e-300)
    assert coming.at_most(further) == pytest.approx(known.cdf(further), rel=1e-9)
    assert coming.mean == pytest.approx((failures + 0.5) * ratio, rel=1e-6)


def test_further_failures_are_poisson_ones_averaged_over_the_posterior() -> None:
    coming = further_failures(2, 3.0, 4.0, prior=Prior(1.5, 0.5))
    posterior = scipy.stats.gamma(3.5, scale=1 / 3.5)
    for k in range(6):
        by_integral, _ = quad(
            lambda rate, k=k: posterior.pdf(rate) * scipy.stats.poisson.pmf(k, 4 * rate), 0, 60
        )
        assert coming.probability(k) == pytest.approx(by_integral, rel=1e-7)


def test_no_more_hours_no_more_failures() -> None:
    assert further_failures(0, 5.0, 0.0).probability(0) == 1.0
    assert further_failures(3, 5.0, 0.0).probability(1) == 0.0
    assert further_failures(3, 5.0, 0.0).at_most(0) == 1.0
    assert further_failures(3, 5.0, 0.0).mean == 0.0


# --- waits ---------------------------------------------------------------------------------------------------------


@given(
    equivalent_h=st.floats(0, 1e9),
    chips=st.integers(1, 1000),
    factor=st.floats(0.5, 500),
    failures=st.integers(0, 5),
    count_of=st.sampled_from([FIXED, ANYTIME]),
)
def test_a_failure_now_and_one_never_are_those_of_hours_to_go(
    equivalent_h: float, chips: int, factor: float, failures: int, count_of: Callable[[int], float]
) -> None:
    counts = count_of(failures), count_of(failures + 1)
    go = hours_to_go(*counts, TARGET_FIT, equivalent_h, chips, factor)
    wait = partial(
        hours_with_failure_at,
        count_now=counts[0],
        count_one_more=counts[1],
        target_fit=TARGET_FIT,
        equivalent_h=equivalent_h,
        chips_at_risk=chips,
        acceleration=factor,
    )
    assert wait(1e15) == pytest.approx(go.none, rel=1e-9)
    if go.none:  # else it has been met, and a failure comes too late
        assert wait(0.0) == (None if go.one_more is None else pytest.approx(go.one_more, rel=1e-9))
        assert go.one_more is None or wait(go.none / 2) <= go.one_more * (1 + 1e-12)


def test_a_failure_costs_less_the_later_it_comes_but_for_a_jump_at_the_target() -> None:
    counts = FIXED(0), FIXED(1)
    waits = [
        hours_with_failure_at(delay_h, *counts, 100.0, 400 * 231 * 77.0, 231, 77.0)
        for delay_h in (0, 100, 400, 800, 890, 900)
    ]
    assert waits[:-2] == sorted(waits[:-2], reverse=True)
    assert waits[-2] > 2 * 884  # still before the target is met, at 894 h
    assert waits[-1] == pytest.approx(894.4, abs=0.5)


def test_no_chips_or_no_acceleration_never_get_there() -> None:
    assert hours_with_failure_at(1.0, 2.3, 3.9, TARGET_FIT, 0.0, 0, 70.0) is None
    assert hours_with_failure_at(1.0, 2.3, 3.9, TARGET_FIT, 0.0, 1, 70.0) is None
    assert hours_with_failure_at(1.0, 2.3, 3.9, TARGET_FIT, 0.0, 9, 0.0) is None
    assert hours_with_failure_at(1.0, 2.3, 3.9, TARGET_FIT, 1e12, 0, 0.0) == 0.0


# --- chances -------------------------------------------------------------------------------------------------------


@given(
    failures=st.integers(0, 4),
    gone=st.floats(0.1, 3.0),
    more=st.floats(0.0, 25.0),
    count_of=st.sampled_from([FIXED, ANYTIME]),
)
def test_watching_gives_more_chances_than_one_look_at_the_end(
    failures: int, gone: float, more: float, count_of: Callable[[int], float]
) -> None:
    case = (failures, gone * UNIT_H, more * UNIT_H, TARGET_FIT, count_of)
    assert -1e-12 <= chance_at_the_end(*case) <= chance_by_the_end(*case) + 1e-12
    assert chance_by_the_end(*case) <= 1
    longer = (failures, gone * UNIT_H, (more + 1) * UNIT_H, TARGET_FIT, count_of)
    assert chance_by_the_end(*longer) >= chance_by_the_end(*case) - 1e-12


@pytest.mark.parametrize("count_of", [FIXED, ANYTIME])
def test_one_line_alone_is_no_failure_until_it(count_of: Callable[[int], float]) -> None:
    """P(none) = ((b0 + T) / (b0 + t_0))^a0, the closed form."""
    line, end = count_of(0), (count_of(0) + count_of(1)) / 2
    chance = chance_by_the_end(0, UNIT_H, (end - 1) * UNIT_H, TARGET_FIT, count_of)
    assert chance == pytest.approx(math.sqrt(1 / line), rel=1e-12)
    assert chance_at_the_end(0, UNIT_H, (end - 1) * UNIT_H, TARGET_FIT, count_of) == pytest.approx(
        math.sqrt(1 / end), rel=1e-12
    )


@pytest.mark.parametrize(("failures", "gone"), [(0, 1.0), (2, 1.5)])
@pytest.mark.parametrize("count_of", [FIXED, ANYTIME])
def test_watching_is_the_first_passage_of_a_fixed_rate_averaged_over_the_posterior(
    failures: int, gone: float, count_of: Callable[[int], float]
) -> None:
    end = gone + 11.0
    ahead = [count_of(failures + k) - gone for k in range(20) if count_of(failures + k) <= end]
    posterior = scipy.stats.gamma(failures + 0.5, scale=1 / gone)
    by_integral, _ = quad(
        lambda root: 2 * root * posterior.pdf(root**2) * pass_probability(root**2, ahead), 0, 5, epsabs=1e-11
    )
    chance = chance_by_the_end(failures, gone * UNIT_H, 11.0 * UNIT_H, TARGET_FIT, count_of)
    assert chance == pytest.approx(by_integral, abs=1e-8)


def test_watching_is_what_a_simulation_does() -> None:
    rng = np.random.default_rng(20)
    gone, end, runs = 1.0, 10.0, 20_000
    lines = np.array([ANYTIME(k) for k in range(20)])
    lines = lines[lines <= end]
    rates = rng.gamma(0.5, 1 / gone, size=runs)
    arrivals = gone + np.cumsum(rng.exponential(size=(runs, lines.size)) / rates[:, None], axis=1)
    earlier = np.hstack([np.zeros((runs, 1)), arrivals[:, :-1]])
    met = ((earlier <= lines) & (lines < arrivals)).any(axis=1)
    chance = chance_by_the_end(0, gone * UNIT_H, (end - gone) * UNIT_H, TARGET_FIT, ANYTIME)
    assert met.mean() == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / runs))


@given(rate=st.floats(0.01, 20.0), lines=st.lists(st.floats(0.1, 30.0), min_size=1, max_size=25, unique=True))
def test_first_met_shares_hold_no_rate(rate: float, lines: list[float]) -> None:
    ahead = np.sort(np.array(lines))
    at_line = scipy.stats.poisson.pmf(np.arange(ahead.size), rate * ahead)
    by_shares = float(first_met_shares(ahead) @ at_line)
    assert by_shares == pytest.approx(pass_probability(rate, ahead.tolist()), abs=1e-11)


def test_met_already_is_certain_and_out_of_reach_is_hopeless() -> None:
    assert chance_by_the_end(0, 10 * UNIT_H, 0.0, TARGET_FIT, ANYTIME) == 1.0
    assert chance_by_the_end(0, UNIT_H, 0.5 * UNIT_H, TARGET_FIT, ANYTIME) == 0.0
    assert chance_at_the_end(5, UNIT_H, UNIT_H, TARGET_FIT, FIXED) == 0.0
    assert chance_at_the_end(0, 10 * UNIT_H, 0.0, TARGET_FIT, FIXED) == 1.0


def test_a_very_long_campaign_is_reckoned_without_end() -> None:
    chance = chance_by_the_end(0, UNIT_H, 1e6 * UNIT_H, TARGET_FIT, FIXED)
    assert 0.73 < chance <= 1.0


def test_the_assumptions_say_that_it_is_no_claim() -> None:
    for word in ("not a claim", "constant", "prior"):
        assert word in ASSUMPTIONS


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: further_failures(0, 0.0, 1.0), "equivalent_h must be a finite number above 0"),
        (lambda: further_failures(-1, 1.0, 1.0), "failures must be a whole number"),
        (lambda: further_failures(0, 1.0, -1.0), "more_h must be"),
        (lambda: FurtherFailures(1.0, 0.5).probability(-1), "failures must be"),
        (lambda: FurtherFailures(1.0, 0.5).at_most(-1), "failures must be"),
        (lambda: Prior(shape=0.0), "shape must be"),
        (lambda: Prior(hours=-1.0), "hours must be"),
        (lambda: hours_with_failure_at(-1.0, 2.0, 3.0, 50.0, 0.0, 9, 70.0), "delay_h must be"),
        (lambda: hours_with_failure_at(0.0, 3.0, 2.0, 50.0, 0.0, 9, 70.0), "count_one_more must be at least"),
        (lambda: hours_with_failure_at(0.0, 2.0, 3.0, 0.0, 0.0, 9, 70.0), "target_fit must be"),
        (lambda: hours_with_failure_at(0.0, 2.0, 3.0, 50.0, -1.0, 9, 70.0), "equivalent_h must be"),
        (lambda: hours_with_failure_at(0.0, 2.0, 3.0, 50.0, 0.0, -9, 70.0), "chips_at_risk must be"),
        (lambda: hours_with_failure_at(0.0, 2.0, 3.0, 50.0, 0.0, 9, math.inf), "acceleration must be"),
        (lambda: chance_by_the_end(0, 1.0, -1.0, 50.0, FIXED), "more_h must be"),
        (lambda: chance_by_the_end(0, 1.0, 1.0, 0.0, FIXED), "target_fit must be"),
        (lambda: chance_at_the_end(0, 1.0, 1.0, -5.0, FIXED), "target_fit must be"),
    ],
)
def test_out_of_range_is_refused(call: Callable[[], float], names: str) -> None:
    with pytest.raises(ValueError, match=names):
        call()
