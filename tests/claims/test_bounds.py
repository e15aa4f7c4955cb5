"""Fixed-look and anytime bounds.

Sources:
- Chi-square and Poisson tables of the trade and the standards: JESD85's chi-square table, NIST/SEMATECH e-Handbook
  1.3.6.7.4 and 8.4.5.1, Garwood (Biometrika 28:437, 1936). All read from memory except where a row says otherwise.
- R's exact Poisson interval, as stored in the tests of statsmodels 0.15 (read); CRAN FSA's poiCI pages (read).
- Reference tables of section "anytime" computed with mpmath at 20 to 40 digits, nothing of scipy or of this package
  in them; mpmath again here, by another road (the defining integral; a closed form by Lambert's W).
- Crossing probabilities: exact first-passage sums over the Poisson walk (here, and a table of them made with mpmath),
  and a seeded simulation. The guarantee itself: Ville, Étude critique de la notion de collectif, 1939 (from memory).
"""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from monitor.claims import (
    FixedLookBound,
    anytime_upper_count,
    anytime_upper_fit,
    fixed_look_bound,
    per_read_upper,
    poisson_lower_count,
    poisson_upper_count,
)
from monitor.claims.bounds import log_evidence

CONFIDENCES = (0.60, 0.90, 0.95)

# --- fixed look ----------------------------------------------------------------------------------------------------

# chi2.ppf(C, 2 r + 2) / 2 for r = 0, 1, 2, 3, 5, 10; computed with mpmath.
UPPER_COUNTS = {
    0.60: (
        0.91629073187416,
        2.0223132453247,
        3.1053785972633,
        4.1752627338768,
        6.2919189833088,
        11.51533044961,
    ),
    0.90: (
        2.302585092994,
        3.8897201698674,
        5.3223203378342,
        6.6807830682559,
        9.2746738933516,
        15.406641171977,
    ),
    0.95: (
        2.995732273554,
        4.7438645183906,
        6.295793621872,
        7.7536565279327,
        10.513034908742,
        16.962219235722,
    ),
}

# The factors every table prints to three places, for r = 0 to 5 (JESD85; NIST); from memory.
PUBLISHED_FACTORS = {
    0.50: (0.693, 1.678, 2.674, 3.672, 4.671, 5.670),
    0.60: (0.916, 2.022, 3.105, 4.175, 5.237, 6.292),
    0.75: (1.386, 2.693, 3.920, 5.109, 6.274, 7.423),
    0.80: (1.609, 2.994, 4.279, 5.515, 6.721, 7.906),
    0.90: (2.303, 3.890, 5.322, 6.681, 7.994, 9.275),
    0.95: (2.996, 4.744, 6.296, 7.754, 9.154, 10.513),
    0.99: (4.605, 6.638, 8.406, 10.045, 11.605, 13.108),
}

# chi-square quantiles with 2 r + 2 degrees of freedom, r = 0 to 5 (NIST 1.3.6.7.4 has the 90 % row); from memory.
PUBLISHED_CHI_SQUARES = {
    0.60: (1.833, 4.045, 6.211, 8.351, 10.473, 12.584),
    0.90: (4.605, 7.779, 10.645, 13.362, 15.987, 18.549),
}


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_upper_counts_of_the_reference_table(confidence: float) -> None:
    computed = [poisson_upper_count(r, confidence) for r in (0, 1, 2, 3, 5, 10)]
    assert computed == pytest.approx(UPPER_COUNTS[confidence], rel=3e-13)


@pytest.mark.parametrize("confidence", PUBLISHED_FACTORS)
def test_published_factors(confidence: float) -> None:
    computed = [poisson_upper_count(r, confidence) for r in range(6)]
    assert computed == pytest.approx(PUBLISHED_FACTORS[confidence], abs=0.0005)  # from memory


@pytest.mark.parametrize("confidence", PUBLISHED_CHI_SQUARES)
def test_published_chi_squares(confidence: float) -> None:
    computed = [2 * poisson_upper_count(r, confidence) for r in range(6)]
    assert computed == pytest.approx(PUBLISHED_CHI_SQUARES[confidence], abs=0.0005)  # from memory
    assert pytest.approx(1.83, abs=0.005) == 2 * poisson_upper_count(0, 0.60)  # a chip maker's forum; read


# NIST/SEMATECH e-Handbook 8.4.5.1, factors on r / T for two-sided MTBF limits; formula read, digits from memory. The
# two-sided C there is (1 + C) / 2 on each side.
@pytest.mark.parametrize(
    ("two_sided", "failures", "lower_factor", "upper_factor"),
    [
        (0.60, 1, 0.3340, 4.4814),
        (0.60, 3, 0.5440, 1.9543),
        (0.60, 10, 0.7326, 1.3719),
        (0.80, 1, 0.2571, 9.4912),
        (0.90, 2, 0.3177, 5.6281),
        (0.90, 10, 0.5895, 1.8432),
        (0.95, 2, 0.2768, 8.2573),
    ],
)
def test_nist_mtbf_factors(two_sided: float, failures: int, lower_factor: float, upper_factor: float) -> None:
    one_sided = (1 + two_sided) / 2
    assert failures / poisson_upper_count(failures, one_sided) == pytest.approx(lower_factor, abs=5.1e-5)
    assert failures / poisson_lower_count(failures, one_sided) == pytest.approx(upper_factor, abs=5.1e-5)


@pytest.mark.parametrize(
    ("failures", "lower", "upper"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (3, 0.619, 8.767), (4, 1.090, 10.242)],
)
def test_garwoods_95_percent_limits(failures: int, lower: float, upper: float) -> None:
    """Garwood 1936, from memory; two-sided 95 % is 97.5 % on each side (one-sided 95 % at 0 is 2.996 instead).

    CRAN FSA's poiCI page, read, gives 3.689 and 2.996 as the two answers for no events.
    """
    assert poisson_lower_count(failures, 0.975) == pytest.approx(lower, abs=0.0005)
    assert poisson_upper_count(failures, 0.975) == pytest.approx(upper, abs=0.0005)


def test_exact_poisson_interval_of_r() -> None:
    """15 events in 400, 95 % two-sided: R's exact interval, as stored in the tests of statsmodels 0.15 (read)."""
    assert per_read_upper(15, 400, 0.975) == pytest.approx(0.0618505471787146, rel=1e-13)
    assert poisson_lower_count(15, 0.975) / 400 == pytest.approx(0.0209884653319583, rel=1e-13)


def test_fit_is_failures_per_1e9_hours() -> None:
    """5 failures in 1e6 parts of 1000 h are 5 FIT: a chip maker's reliability report, read."""
    bound = fixed_look_bound(5, 1e6 * 1000, 0.60)
    assert bound.fit_point == pytest.approx(5, rel=1e-15)
    assert bound.fit_upper == pytest.approx(6.2919189833088, rel=3e-13)  # mpmath, table above
    assert bound.fit_lower is not None
    with mpmath.workdps(30):  # P(X >= 5 | lower) = 1 - C, by mpmath
        tail = mpmath.gammainc(5, 0, mpmath.mpf(bound.fit_lower), regularized=True)
    assert float(tail) == pytest.approx(0.40, rel=1e-13)


@pytest.mark.parametrize("failures", [0, 1, 7, 150])
@pytest.mark.parametrize("confidence", [0.05, 0.6, 0.9, 0.999999])
def test_counts_solve_their_definition_in_mpmath(failures: int, confidence: float) -> None:
    """P(X <= r | upper) = 1 - C and P(X >= r | lower) = 1 - C for a Poisson count X."""
    with mpmath.workdps(40):
        upper = mpmath.mpf(poisson_upper_count(failures, confidence))
        at_most = mpmath.gammainc(failures + 1, upper, mpmath.inf, regularized=True)
        assert float(1 - at_most) == pytest.approx(confidence, rel=1e-12)
        if failures:
            lower = mpmath.mpf(poisson_lower_count(failures, confidence))
            at_least = mpmath.gammainc(failures, 0, lower, regularized=True)
            assert float(at_least) == pytest.approx(1 - confidence, rel=1e-10)


def test_without_exposure() -> None:
    assert fixed_look_bound(0, 0.0, 0.9) == FixedLookBound(0.9, None, 0.0, None)
    assert fixed_look_bound(2, 0.0, 0.9) == FixedLookBound(0.9, None, None, None)
    assert anytime_upper_fit(0, 0.0, 0.9, 5.0) is None
    assert per_read_upper(0, 0, 0.9) is None


def test_no_failures_has_lower_bound_and_point_zero() -> None:
    bound = fixed_look_bound(0, 1e6, 0.9)
    assert (bound.fit_lower, bound.fit_point) == (0.0, 0.0)
    assert bound.fit_upper == pytest.approx(2302.585092994, rel=3e-13)  # log(10) FIT per 1e9 / 1e6


@pytest.mark.parametrize(
    ("errors", "poisson", "binomial"),
    [
        (0, 0.0099679008354721, 0.00991838596827),
        (1, 0.016838615453972, 0.016733643740388),
        (2, 0.023040347782832, 0.022875166699587),
        (3, 0.028921138823618, 0.0286913304406),
    ],
)
def test_per_read_bound_and_the_exact_binomial_one(errors: int, poisson: float, binomial: float) -> None:
    """n = 231 at 90 %; both columns computed with mpmath. At r = 0 JESD47's "1 % at 90 %" (from memory).

    The binomial column again by scipy, and the Poisson form above it.
    """
    assert per_read_upper(errors, 231, 0.90) == pytest.approx(poisson, rel=3e-13)
    exact = scipy.stats.binomtest(errors, 231, alternative="less").proportion_ci(0.90, method="exact").high
    assert exact == pytest.approx(binomial, rel=1e-10)
    assert poisson > binomial


def test_per_read_bound_at_flash_scale() -> None:
    """No error in 1e15 reads at 60 %: 0.9163e-15, by the rule -log(1 - C) / n."""
    assert per_read_upper(0, 10**15, 0.60) == pytest.approx(-math.log1p(-0.60) * 1e-15, rel=1e-13)


# --- anytime -------------------------------------------------------------------------------------------------------

# The root m of E(m; r) = 1 / alpha for r = 0, 1, 2, 3, 5, 10, 100; (confidence, shape a, rate c); computed with mpmath.
ANYTIME_FAILURES = (0, 1, 2, 3, 5, 10, 100)
ANYTIME_COUNTS = {
    (0.60, 1, 0): (
        1.6187881252647,
        3.6223764561637,
        5.3649284347368,
        6.986545752346,
        10.031172738979,
        17.072981900838,
        124.21411871728,
    ),
    (0.60, 1, 2): (
        1.3125519555523,
        3.5214401118772,
        5.418193900187,
        7.1677763233969,
        10.423432770849,
        17.861824105443,
        127.83454451016,
    ),
    (0.60, 1, 5): (
        1.1126733650742,
        3.6070021219339,
        5.7266642469225,
        7.6651008727735,
        11.237832079621,
        19.285071936451,
        133.79076813845,
    ),
    (0.60, 0.5, 0): (
        1.2755368204291,
        3.783769685901,
        5.7349764637444,
        7.4951560451979,
        10.735326451895,
        18.092728024188,
        127.1016491324,
    ),
    (0.90, 1, 0): (
        3.6149504270875,
        5.8579837975457,
        7.7808967873602,
        9.5524132266341,
        12.844562240312,
        20.352256402398,
        130.82985535607,
    ),
    (0.90, 1, 2): (
        3.0992351050366,
        5.4980240515715,
        7.5420273064587,
        9.4158800089007,
        12.879465253561,
        20.715454072009,
        133.62397507559,
    ),
    (0.90, 1, 5): (
        2.7322211606144,
        5.3632834937623,
        7.5929711584882,
        9.6261602227039,
        13.360280704761,
        21.722900471526,
        138.658229252,
    ),
    (0.90, 0.5, 0): (
        2.9847943962137,
        5.7495529357675,
        7.8792187614273,
        9.7839725741807,
        13.259144203263,
        21.053294149543,
        133.17015519325,
    ),
    (0.95, 1, 0): (
        4.5139125430162,
        6.8536078220822,
        8.8513343387774,
        10.685924412788,
        14.083511639086,
        21.792595266032,
        133.75386532326,
    ),
    (0.95, 1, 2): (
        3.9418173869639,
        6.4206145920214,
        8.5279075804545,
        10.455753038939,
        14.010536529304,
        22.022923200127,
        136.26339640817,
    ),
    (0.95, 1, 5): (
        3.5224346420463,
        6.214029587781,
        8.4930581439896,
        10.569045690873,
        14.376533872164,
        22.883664563121,
        140.94956911618,
    ),
    (0.95, 0.5, 0): (
        3.7884187199661,
        6.6572281932654,
        8.8619253892383,
        10.828434816243,
        14.405261588705,
        22.391049106498,
        135.90720097419,
    ),
}


@pytest.mark.parametrize("key", ANYTIME_COUNTS)
def test_anytime_counts_of_the_reference_table(key: tuple[float, float, float]) -> None:
    confidence, shape, rate = key
    computed = [anytime_upper_count(r, confidence, rate, shape) for r in ANYTIME_FAILURES]
    assert computed == pytest.approx(ANYTIME_COUNTS[key], rel=3e-13)


def test_defaults_are_shape_1_and_rate_5() -> None:
    assert anytime_upper_count(3, 0.9) == anytime_upper_count(3, 0.9, 5.0, 1.0)
    assert anytime_upper_count(3, 0.9) == pytest.approx(9.6261602227039, rel=3e-13)  # mpmath, table above


def test_anytime_counts_at_many_failures() -> None:
    """Computed with mpmath for the reference table."""
    assert anytime_upper_count(1000, 0.9, 0.0) == pytest.approx(1102.676370246831, rel=1e-13)
    assert anytime_upper_count(100_000, 0.9, 0.0) == pytest.approx(101200.7764321939, rel=1e-13)


# log E(m; r) for shape 1, by (m, r); columns: rate 5, rate 0; computed with mpmath.
LOG_EVIDENCE = {
    (1, 0): (0.82195736328657, 0.54132485461292),
    (2.5, 0): (2.1007424039636, 1.4980587843838),
    (3, 1): (0.45429184800382, 0.58069596316369),
    (6, 2): (1.1144484170417, 1.2538966998984),
    (10, 3): (2.5755459258558, 2.5710292586466),
    (0.001, 4): (-3.8333231892688, -1.6092712358462),
    (50, 40): (-2.3853049155367, -0.1623048048198),
}


@pytest.mark.parametrize(("expected", "failures"), LOG_EVIDENCE)
def test_log_evidence_of_the_reference_table(expected: float, failures: int) -> None:
    with_rate_5, with_rate_0 = LOG_EVIDENCE[expected, failures]
    assert log_evidence(expected, failures, 5.0) == pytest.approx(with_rate_5, rel=1e-12)
    assert log_evidence(expected, failures, 0.0) == pytest.approx(with_rate_0, rel=1e-12)


def integral_evidence(expected: mpmath.mpf, failures: int, rate: float, shape: float) -> mpmath.mpf:
    """The definition: u^r e^(m (1 - u)) averaged over a Gamma(shape, rate) cut off to (0, 1)."""

    def weight(u: mpmath.mpf) -> mpmath.mpf:
        return u ** (mpmath.mpf(shape) - 1) * mpmath.exp(-rate * u)

    # Where the integrand peaks; an end of a panel there keeps the quadrature honest.
    peak = min(mpmath.mpf(failures) / (expected + rate + mpmath.mpf("1e-9")), mpmath.mpf("0.999"))
    panels = sorted({mpmath.mpf(0), peak / 2, peak, (1 + peak) / 2, mpmath.mpf(1)})
    total = mpmath.quad(lambda u: u**failures * mpmath.exp(expected * (1 - u)) * weight(u), panels)
    return total / mpmath.quad(weight, [0, 0.25, 0.5, 1])


@pytest.mark.parametrize("failures", [0, 1, 4, 25])
@pytest.mark.parametrize(("rate", "shape"), [(0.0, 1.0), (5.0, 1.0), (0.7, 1.0), (5.0, 2.5), (30.0, 1.0)])
@pytest.mark.parametrize("confidence", [0.6, 0.95])
def test_anytime_counts_solve_their_definition_in_mpmath(
    failures: int, rate: float, shape: float, confidence: float
) -> None:
    with mpmath.workdps(30):
        root = mpmath.mpf(anytime_upper_count(failures, confidence, rate, shape))
        evidence = integral_evidence(root, failures, rate, shape)
        assert float(evidence) == pytest.approx(1 / (1 - confidence), rel=1e-11)


@pytest.mark.parametrize("rate", [1e-6, 0.1, 1, 5, 100, 1e6, 1e9])
@pytest.mark.parametrize("confidence", [0.01, 0.6, 0.9, 0.95, 0.999])
def test_closed_form_at_no_failures(rate: float, confidence: float) -> None:
    """By Lambert's W (mpmath): with A = (e^c - 1) / (alpha c), m = -W_{-1}(-e^{-1/A} / A) - 1/A - c.

    For a large rate A overflows any double and m tends to log(1 / alpha); mpmath bears both.
    """
    with mpmath.workdps(60 + int(rate > 1e3) * 20):
        alpha, c = 1 - mpmath.mpf(confidence), mpmath.mpf(rate)
        if (
            rate > 1e3
        ):  # W of so small an argument: solve w + log w = log A + 1/A with w = m + c + 1/A instead
            log_a = c - mpmath.log(alpha * c)  # 1 / A and e^-c are nothing at 80 digits
            root = mpmath.findroot(lambda w: w - mpmath.log(w) - log_a, c) - c
        else:
            a = mpmath.expm1(c) / (alpha * c)
            root = (-mpmath.lambertw(-mpmath.exp(-1 / a) / a, -1) - 1 / a - c).real
        assert anytime_upper_count(0, confidence, rate) == pytest.approx(float(root), rel=1e-12)


@pytest.mark.parametrize("confidence", [0.6, 0.9, 0.95])
def test_closed_form_at_no_failures_and_rate_0(confidence: float) -> None:
    """m = -alpha - W_{-1}(-alpha e^-alpha), by mpmath."""
    with mpmath.workdps(30):
        alpha = 1 - mpmath.mpf(confidence)
        root = -alpha - mpmath.lambertw(-alpha * mpmath.exp(-alpha), -1).real
    assert anytime_upper_count(0, confidence, 0.0) == pytest.approx(float(root), rel=1e-13)


def mpmath_log_evidence(expected: float, failures: int, rate: float) -> mpmath.mpf:
    """log E with shape 1, by its hypergeometric form at 60 digits."""
    with mpmath.workdps(60):
        m, c = mpmath.mpf(expected), mpmath.mpf(rate)
        above = mpmath.hyp1f1(1, failures + 2, m + c, maxterms=10**6)
        return mpmath.log(above / (failures + 1) / mpmath.hyp1f1(1, 2, c))


@pytest.mark.parametrize(
    ("failures", "rate"),
    [(1000, 0.0), (1000, 5.0), (1000, 1e3), (1000, 1e5), (100_000, 0.0), (100_000, 5.0), (100_000, 1e3)],
)
def test_far_corners_answer_back_in_mpmath(failures: int, rate: float) -> None:
    root = anytime_upper_count(failures, 0.9, rate)
    log_e = mpmath_log_evidence(root, failures, rate)
    rounding = math.ulp(root + rate)  # the sums of such numbers are not known any better
    assert float(log_e) == pytest.approx(math.log(10), abs=rounding)


@pytest.mark.parametrize(("expected", "failures"), [(1.0, 300), (2.5, 5000), (900.0, 5000), (1e-9, 40)])
def test_log_evidence_far_below_the_failures(expected: float, failures: int) -> None:
    """Where the incomplete gamma function is below any double."""
    exact = float(mpmath_log_evidence(expected, failures, 5.0))
    assert log_evidence(expected, failures, 5.0) == pytest.approx(exact, rel=1e-13)


def test_anytime_fit_is_the_count_over_exposure() -> None:
    """231 chips, 1000 h at a factor of 77.645..., no failures, 90 %; the count from the mpmath table above."""
    equivalent_h = 17936.083254775 * 1000
    assert anytime_upper_fit(0, equivalent_h, 0.9, 5.0) == pytest.approx(
        2.7322211606144 / equivalent_h * 1e9, rel=1e-12
    )


# --- laws ----------------------------------------------------------------------------------------------------------

failure_counts = st.integers(0, 2000)
confidences = st.floats(0.5, 0.999)
hours = st.floats(1e-3, 1e12)
rates = st.floats(0, 100)


@given(failure_counts, hours, st.floats(1.001, 100), confidences, rates)
def test_upper_bounds_fall_with_exposure(
    failures: int, equivalent_h: float, more: float, confidence: float, rate: float
) -> None:
    before = fixed_look_bound(failures, equivalent_h, confidence).fit_upper
    after = fixed_look_bound(failures, equivalent_h * more, confidence).fit_upper
    assert before is not None
    assert after is not None
    assert after < before
    before_anytime = anytime_upper_fit(failures, equivalent_h, confidence, rate)
    after_anytime = anytime_upper_fit(failures, equivalent_h * more, confidence, rate)
    assert before_anytime is not None
    assert after_anytime is not None
    assert after_anytime < before_anytime


@given(failure_counts, confidences, rates)
def test_upper_counts_rise_with_failures(failures: int, confidence: float, rate: float) -> None:
    assert poisson_upper_count(failures, confidence) < poisson_upper_count(failures + 1, confidence)
    assert poisson_lower_count(failures, confidence) < poisson_lower_count(failures + 1, confidence)
    assert anytime_upper_count(failures, confidence, rate) < anytime_upper_count(
        failures + 1, confidence, rate
    )


@given(failure_counts, confidences, rates)
def test_upper_counts_rise_with_confidence(failures: int, confidence: float, rate: float) -> None:
    more = confidence + (1 - confidence) / 2
    assert poisson_upper_count(failures, confidence) < poisson_upper_count(failures, more)
    assert anytime_upper_count(failures, confidence, rate) < anytime_upper_count(failures, more, rate)


@given(failure_counts, confidences, rates, st.floats(0.1, 10))
def test_anytime_is_never_below_fixed_look(
    failures: int, confidence: float, rate: float, shape: float
) -> None:
    """It must hold at one look too."""
    assert anytime_upper_count(failures, confidence, rate, shape) >= poisson_upper_count(failures, confidence)


@given(st.integers(1, 2000), hours, confidences)
def test_lower_point_upper(failures: int, equivalent_h: float, confidence: float) -> None:
    bound = fixed_look_bound(failures, equivalent_h, confidence)
    assert bound.fit_lower is not None
    assert bound.fit_point is not None
    assert bound.fit_upper is not None
    assert 0 < bound.fit_lower < bound.fit_point < bound.fit_upper


@given(failure_counts, confidences, rates)
def test_anytime_count_answers_back(failures: int, confidence: float, rate: float) -> None:
    root = anytime_upper_count(failures, confidence, rate)
    assert root > failures
    assert log_evidence(root, failures, rate) == pytest.approx(-math.log1p(-confidence), abs=1e-9)
    assert log_evidence(root * 0.99, failures, rate) < log_evidence(root, failures, rate)


# --- what each bound is good for -----------------------------------------------------------------------------------


def crossing_probability(counts: list[float]) -> float:
    """P(the bound falls below the truth before failure number ``len(counts)``), exactly.

    In units of expected failures the bound after r failures is below the truth once exposure passes ``counts[r]``.
    The walk goes from one such line to the next by Poisson steps; whoever stands at r on line r has crossed.
    """
    standing = np.zeros(len(counts))
    standing[0] = 1.0
    crossed = passed = 0.0
    for line, at in enumerate(counts):
        steps = scipy.stats.poisson.pmf(np.arange(len(counts)), at - passed)
        standing = np.convolve(standing, steps)[: len(counts)]
        crossed += standing[line]
        standing[: line + 1] = 0.0
        passed = at
    return float(crossed)


@pytest.mark.parametrize(
    ("confidence", "last", "probability"),
    [
        (0.60, 0, 0.328679106269),
        (0.60, 3, 0.375756554017),
        (0.60, 10, 0.388077621189),
        (0.90, 0, 0.065074587913),
        (0.90, 3, 0.0864833314282),
        (0.90, 10, 0.0934559690954),
        (0.95, 0, 0.0295274587924),
        (0.95, 3, 0.0416528670146),
        (0.95, 10, 0.0459626534503),
    ],
)
def test_anytime_crossing_probability_of_the_reference_table(
    confidence: float, last: int, probability: float
) -> None:
    """Exact first-passage probabilities computed with mpmath; all below 1 - C, however many lines follow."""
    counts = [anytime_upper_count(r, confidence) for r in range(last + 1)]
    assert crossing_probability(counts) == pytest.approx(probability, rel=1e-10)
    assert probability < 1 - confidence


@pytest.mark.parametrize(("confidence", "probability"), [(0.60, 0.39688), (0.90, 0.09848), (0.95, 0.04910)])
def test_anytime_crossing_probability_to_100_failures(confidence: float, probability: float) -> None:
    """The same table, five digits: nearly all of 1 - C is spent, and never more."""
    crossed = crossing_probability([anytime_upper_count(r, confidence) for r in range(101)])
    assert crossed == pytest.approx(probability, abs=5e-6)
    assert crossed < 1 - confidence


@pytest.mark.parametrize(
    ("confidence", "last", "probability"),
    [
        (0.60, 1, 0.52127012093),
        (0.60, 10, 0.74647289286),
        (0.90, 1, 0.147090324456),
        (0.90, 10, 0.283838297404),
        (0.95, 1, 0.0760776717832),
        (0.95, 10, 0.160912644019),
    ],
)
def test_fixed_look_bound_watched_errs_more_often_than_it_says(
    confidence: float, last: int, probability: float
) -> None:
    """Exact first-passage probabilities computed with mpmath for "stop when the chi-square bound meets the target"."""
    counts = [poisson_upper_count(r, confidence) for r in range(last + 1)]
    assert crossing_probability(counts) == pytest.approx(probability, rel=1e-10)
    assert probability > 1 - confidence


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_simulated_campaigns_watched_all_the_time(confidence: float) -> None:
    """4000 seeded campaigns of a true rate, watched until 100 failures: how often is a bound ever below the truth?

    The worst moment after r failures is just before the next one. An honest bound may exceed 1 - C by chance only (one
    in a thousand allowed for here; the exact probability is 0.97 to 0.99 times 1 - C, table above).
    """
    runs, alpha = 4000, 1 - confidence
    next_failure_at = np.cumsum(np.random.default_rng(20260101).exponential(size=(runs, 101)), axis=1)

    def ever_below(counts: list[float]) -> int:
        return int((next_failure_at > np.array(counts)).any(axis=1).sum())

    anytime = ever_below([anytime_upper_count(r, confidence) for r in range(101)])
    fixed = ever_below([poisson_upper_count(r, confidence) for r in range(101)])
    assert anytime <= scipy.stats.binom.ppf(0.999, runs, alpha)
    assert anytime >= scipy.stats.binom.ppf(0.001, runs, 0.97 * alpha)
    assert fixed > 2 * alpha * runs


# --- refusals ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 1.5, 90, math.nan])
def test_confidence_out_of_range(confidence: float) -> None:
    for refused in (
        lambda: poisson_upper_count(0, confidence),
        lambda: poisson_lower_count(0, confidence),
        lambda: fixed_look_bound(0, 1.0, confidence),
        lambda: anytime_upper_count(0, confidence),
        lambda: anytime_upper_fit(0, 0.0, confidence, 5.0),
        lambda: per_read_upper(0, 0, confidence),
    ):
        with pytest.raises(ValueError, match=rf"confidence must .*got {confidence}"):
            refused()


@pytest.mark.parametrize("failures", [-1, 0.5, math.nan, math.inf])
def test_failures_out_of_range(failures: int) -> None:
    for refused in (
        lambda: poisson_upper_count(failures, 0.9),
        lambda: poisson_lower_count(failures, 0.9),
        lambda: fixed_look_bound(failures, 0.0, 0.9),
        lambda: anytime_upper_count(failures, 0.9),
        lambda: per_read_upper(failures, 1, 0.9),
    ):
        with pytest.raises(ValueError, match=rf"failures must .*got {failures}"):
            refused()


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_other_arguments_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"equivalent_h must .*got {bad}"):
        fixed_look_bound(0, bad, 0.9)
    with pytest.raises(ValueError, match=rf"equivalent_h must .*got {bad}"):
        anytime_upper_fit(0, bad, 0.9, 5.0)
    with pytest.raises(ValueError, match=rf"mixture_rate must .*got {bad}"):
        anytime_upper_count(0, 0.9, bad)
    with pytest.raises(ValueError, match=rf"mixture_shape must .*got {bad}"):
        anytime_upper_count(0, 0.9, 5.0, bad)
    with pytest.raises(ValueError, match=rf"reads must .*got {bad}"):
        per_read_upper(0, bad, 0.9)
    with pytest.raises(ValueError, match=rf"expected must .*got {bad}"):
        log_evidence(bad, 0)
