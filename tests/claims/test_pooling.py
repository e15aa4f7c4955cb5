"""Whether lots may be pooled.

Sources: a reference table of exact conditional multinomial p-values computed by plain enumeration with mpmath; the
exact binomial and chi-square distributions of scipy; a slow enumeration in exact fractions here. The lots are invented.
"""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import Pooling, homogeneity
from monitor.claims.pooling import APPROXIMATE, DRAWN, EXACT, MAX_TABLES, NO_TEST

# failures, exposures, p by likelihood ratio, p by the chi-square approximation of Pearson's statistic (for contrast)
REFERENCE = [
    ((2, 0, 0), (1, 1, 1), 0.3333333333, 0.1353352832),
    ((3, 0, 0), (1, 1, 1), 0.1111111111, 0.04978706837),
    ((4, 0, 0), (1, 1, 1), 0.03703703704, 0.01831563889),
    ((5, 0, 0), (1, 1, 1), 0.01234567901, 0.006737946999),
    ((4, 1, 0), (1, 1, 1), 0.1358024691, 0.07427357821),
    ((3, 1, 1), (1, 1, 1), 0.6296296296, 0.4493289641),
    ((6, 1, 1), (1, 1, 1), 0.1422039323, 0.04393693362),
    ((5, 1, 0), (77, 77, 45), 0.1119387369, 0.07430573824),
    ((0, 0, 4), (77, 77, 45), 0.002614795624, 0.001065357938),
    ((3, 0, 1), (1, 2, 1), 0.0390625, 0.04978706837),
    ((8, 2, 2), (1, 1, 1), 0.0704330302, 0.04978706837),
]


@pytest.mark.parametrize(("failures", "exposures", "p_value", "approximate"), REFERENCE)
def test_reference_table(
    failures: tuple[int, ...], exposures: tuple[int, ...], p_value: float, approximate: float
) -> None:
    result = homogeneity(failures, exposures)
    assert result.p_value == pytest.approx(p_value, rel=1e-9)
    assert result.method == EXACT
    expected = np.array(exposures) * sum(failures) / sum(exposures)
    assert scipy.stats.chisquare(failures, expected).pvalue == pytest.approx(approximate, rel=1e-8)


@pytest.mark.parametrize(
    ("failures", "exposures", "verdict"),
    [
        ((0, 0, 0), (1, 1, 1), "no power"),
        ((2, 0, 0), (1, 1, 1), "no power"),
        ((3, 0, 0), (1, 1, 1), "no power"),  # 3^(1 - R): three failures in equal lots can not reach 0.05
        ((1, 1, 1), (1, 1, 1), "no power"),
        ((2, 1, 1), (1, 1, 1), "pooling supported"),
        ((4, 0, 0), (1, 1, 1), "lots differ"),
        ((6, 1, 1), (1, 1, 1), "pooling supported"),  # where the approximation says 0.044
        ((0, 0, 4), (77, 77, 45), "lots differ"),
        ((0, 2), (1, 9), "pooling supported"),  # p = 1; but both in the small lot would have been 0.01
        ((2, 0), (1, 9), "lots differ"),
        ((1, 0), (1, 9), "no power"),  # p = 0.1, and nothing less likely can happen
        ((5,), (10,), "one lot"),
        ((0,), (10,), "one lot"),
        ((5, 0), (10, 0), "one lot"),
        ((), (), "no power"),
        ((0, 0), (0, 0), "no power"),
        ((1, 2), (10, 0), "no exposure"),
        ((1,), (0,), "no exposure"),
    ],
)
def test_verdicts(failures: tuple[int, ...], exposures: tuple[float, ...], verdict: str) -> None:
    assert homogeneity(failures, exposures).verdict == verdict


def test_nothing_to_test_has_no_p_value() -> None:
    assert homogeneity([0, 0], [5.0, 7.0]) == Pooling(None, "no power", NO_TEST)
    assert homogeneity([3], [5.0]) == Pooling(None, "one lot", NO_TEST)
    assert homogeneity([3, 1], [5.0, 0.0]) == Pooling(None, "no exposure", NO_TEST)


def test_lots_not_yet_started_are_left_out() -> None:
    assert homogeneity([4, 0, 0, 0], [1.0, 0.0, 1.0, 1.0]) == homogeneity([4, 0, 0], [1.0, 1.0, 1.0])


def slow_p_value(failures: tuple[int, ...], exposures: tuple[int, ...]) -> Fraction:
    """Plain enumeration in exact fractions: e^G compared as the rational number prod (x / (R p))^x."""
    total, hours = sum(failures), sum(exposures)

    def unlike(table: tuple[int, ...]) -> Fraction:
        pairs = zip(table, exposures, strict=True)
        return math.prod((Fraction(x * hours, total * h) ** x for x, h in pairs), start=Fraction(1))

    def probability(table: tuple[int, ...]) -> Fraction:
        pairs = zip(table, exposures, strict=True)
        ways = math.factorial(total)
        return ways * math.prod(
            (Fraction(h, hours) ** x / math.factorial(x) for x, h in pairs), start=Fraction(1)
        )

    tables = (t for t in itertools.product(range(total + 1), repeat=len(failures)) if sum(t) == total)
    seen = unlike(failures)
    return sum((probability(table) for table in tables if unlike(table) >= seen), start=Fraction(0))


@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(1, 90)), min_size=2, max_size=4).filter(
        lambda lots: 0 < sum(r for r, _ in lots) <= 8
    )
)
@settings(max_examples=60, deadline=None)
def test_against_exact_fractions(lots: list[tuple[int, int]]) -> None:
    failures, exposures = tuple(r for r, _ in lots), tuple(h for _, h in lots)
    expected = slow_p_value(failures, exposures)
    assert homogeneity(failures, exposures).p_value == pytest.approx(float(expected), rel=1e-11)


@given(
    st.lists(st.tuples(st.integers(0, 6), st.floats(0.1, 1e6)), min_size=2, max_size=5).filter(
        lambda lots: any(r for r, _ in lots)
    ),
    st.randoms(use_true_random=False),
    st.sampled_from([1e-3, 3.0, 7e5]),
)
@settings(deadline=None)
def test_order_and_unit_do_not_matter(lots: list[tuple[int, float]], shuffler: object, scale: float) -> None:
    one = homogeneity([r for r, _ in lots], [h for _, h in lots])
    shuffler.shuffle(lots)
    other = homogeneity([r for r, _ in lots], [h * scale for _, h in lots])
    assert (other.verdict, other.method) == (one.verdict, one.method)
    assert other.p_value == pytest.approx(one.p_value, rel=1e-9)


@pytest.mark.parametrize(
    ("failures", "exposures"),
    [((30, 12), (1.0, 1.0)), ((2000, 2101), (1.0, 1.0)), ((90_000, 91_000), (1.0, 1.0))],
)
def test_two_equal_lots_are_the_exact_binomial_test(
    failures: tuple[int, int], exposures: tuple[float, float]
) -> None:
    """With equal exposures the likelihood ratio orders tables as their probability does: scipy's binomtest."""
    result = homogeneity(failures, exposures)
    assert result.method == EXACT
    expected = scipy.stats.binomtest(failures[0], sum(failures), 0.5).pvalue
    assert result.p_value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("total", "lots"), [(MAX_TABLES - 1, 2), (630, 3), (10, 10), (2, 630), (1, MAX_TABLES), (1, 3000)]
)
def test_every_table_is_counted_up_to_the_limit(total: int, lots: int) -> None:
    """The p-value of the most even outcome is the probability of everything: 1. Shapes just below the limit.

    Lot sizes are invented and unequal.
    """
    assert math.comb(total + lots - 1, lots - 1) <= MAX_TABLES
    exposures = np.random.default_rng(7).uniform(1.0, 3.0, lots)
    expected = exposures / exposures.sum() * total
    failures = np.floor(expected).astype(int)
    failures[np.argsort(failures - expected)[: total - failures.sum()]] += 1
    result = homogeneity(failures.tolist(), exposures.tolist())
    assert result.method == EXACT
    assert result.p_value is not None
    assert result.p_value <= 1.0
    if total > 2:  # the most even table is then (nearly) the least unlike one
        assert result.p_value > 0.9


@pytest.mark.parametrize("lots", [2, 3, 5, 40])
def test_all_tables_add_up_to_certainty(lots: int) -> None:
    """The least unlike outcome has p = 1: one failure in the largest lot, all others smaller."""
    exposures = [1.0] * (lots - 1) + [2.0]
    assert homogeneity([0] * (lots - 1) + [1], exposures).p_value == pytest.approx(1.0, rel=1e-12)


def test_above_the_limit_it_is_the_chi_square_approximation_and_says_so() -> None:
    """G by scipy's power_divergence (Cressie-Read, lambda 0)."""
    failures, exposures = (420, 480, 370), (1.0, 1.1, 0.9)
    result = homogeneity(failures, exposures)
    assert result.method == APPROXIMATE == "chi-square approximation"
    expected = np.array(exposures) / 3.0 * 1270
    reference = scipy.stats.power_divergence(failures, expected, lambda_="log-likelihood")
    assert result.p_value == pytest.approx(reference.pvalue, rel=1e-10)
    assert result.verdict == "pooling supported"
    assert homogeneity((600, 300, 370), exposures).verdict == "lots differ"


def test_between_enumeration_and_approximation_it_is_drawn() -> None:
    """Near scipy's chi-square at many failures (635 in 3 lots are 202 566 tables), and the same every time."""
    failures, exposures = (210, 240, 185), (1.0, 1.1, 0.9)
    result = homogeneity(failures, exposures)
    assert result.method == DRAWN == "drawn multinomial"
    expected = np.array(exposures) / 3.0 * 635
    reference = scipy.stats.power_divergence(failures, expected, lambda_="log-likelihood").pvalue
    assert result.p_value == pytest.approx(reference, abs=4.5 * math.sqrt(reference * (1 - reference) / 2000))
    assert homogeneity(failures, exposures) == result


@pytest.mark.parametrize(
    ("failures", "lots"), [(5, 30), (3, 106), (2, 700)]
)  # all in one lot: probability lots^(1 - failures), by hand
def test_all_failures_in_one_of_many_lots_are_seen(failures: int, lots: int) -> None:
    result = homogeneity([failures] + [0] * (lots - 1), [1.0] * lots)
    assert result.p_value is not None
    assert result.p_value <= lots ** (1.0 - failures) + 1e-3
    assert result.verdict == "lots differ"


def test_exact_and_approximate_agree_where_they_meet() -> None:
    """Many failures: the exact p-value is near scipy's chi-square one."""
    failures, exposures = (200, 225, 175), (1.0, 1.1, 0.9)
    result = homogeneity(failures, exposures)
    expected = np.array(exposures) / 3.0 * 600
    reference = scipy.stats.power_divergence(failures, expected, lambda_="log-likelihood")
    assert result.method == EXACT
    assert result.p_value == pytest.approx(reference.pvalue, rel=0.01)


def test_many_sparse_lots_do_not_explode() -> None:
    """A hundred thousand lots and a thousand failures: the number of tables is not even computed."""
    result = homogeneity([1] * 1000 + [0] * 99_000, [1.0] * 100_000)
    assert result.method == DRAWN
    assert result.p_value == 1.0  # no outcome is less unlike


def test_false_alarms_stay_below_the_level() -> None:
    """2000 seeded draws of 8 failures among invented lots of one rate: "lots differ" in at most 5 % (exact test)."""
    exposures = [77.0, 77.0, 45.0]
    draws = np.random.default_rng(11).multinomial(8, np.array(exposures) / sum(exposures), size=2000)
    alarms = sum(homogeneity(draw.tolist(), exposures).verdict == "lots differ" for draw in draws)
    assert 0 < alarms <= scipy.stats.binom.ppf(0.999, 2000, 0.05)


@pytest.mark.parametrize(
    ("failures", "exposures", "message"),
    [
        ([1, 2], [1.0], r"exposures_h must have one entry per lot, 2; got 1"),
        ([-1, 2], [1.0, 1.0], r"failures .*got -1"),
        ([0.5, 2], [1.0, 1.0], r"failures .*got 0\.5"),
        ([1, 2], [1.0, -1.0], r"exposures_h .*got -1\.0"),
        ([1, 2], [1.0, math.nan], r"exposures_h .*got nan"),
        ([1, 2], [1.0, math.inf], r"exposures_h .*got inf"),
    ],
)
def test_refusals(failures: list[int], exposures: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        homogeneity(failures, exposures)
