"""The anytime bound.

Sources:
- mpmath by other roads than ours: the defining integral by quadrature, the hypergeometric form at 60 digits, and a
  closed form by Lambert's W. (A table of values computed with mpmath is among the published values.)
- Ville's inequality, Étude critique de la notion de collectif, 1939 (from memory), held against a seeded simulation.
"""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.claims import anytime_upper_count, anytime_upper_fit, poisson_upper_count
from monitor.claims.anytime import log_evidence
from monitor.claims.stopping import pass_probability

CONFIDENCES = (0.60, 0.90, 0.95)

# --- values --------------------------------------------------------------------------------------------------------


def test_defaults_are_shape_1_and_rate_5() -> None:
    assert anytime_upper_count(3, 0.9) == anytime_upper_count(3, 0.9, 5.0, 1.0)
    assert anytime_upper_count(3, 0.9) != anytime_upper_count(3, 0.9, 2.0, 1.0)


def test_without_exposure() -> None:
    assert anytime_upper_fit(0, 0.0, 0.9, 5.0) is None


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
        ):  # W of so small an argument: solve w - log w = log A + 1/A with w = m + c + 1/A instead
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
    """231 chips, 1000 h at a factor of 77.645..., no failures, 90 %; the count computed with mpmath."""
    equivalent_h = 17936.083254775 * 1000
    assert anytime_upper_fit(0, equivalent_h, 0.9, 5.0) == pytest.approx(
        2.7322211606144 / equivalent_h * 1e9, rel=1e-12
    )


# --- laws ----------------------------------------------------------------------------------------------------------

failure_counts = st.integers(0, 2000)
confidences = st.floats(0.5, 0.999)
rates = st.floats(0, 100)


@given(failure_counts, st.floats(1e-3, 1e12), st.floats(1.001, 100), confidences, rates)
def test_the_bound_falls_with_exposure(
    failures: int, equivalent_h: float, more: float, confidence: float, rate: float
) -> None:
    before = anytime_upper_fit(failures, equivalent_h, confidence, rate)
    after = anytime_upper_fit(failures, equivalent_h * more, confidence, rate)
    assert before is not None
    assert after is not None
    assert after < before


@given(failure_counts, confidences, rates)
def test_counts_rise_with_failures(failures: int, confidence: float, rate: float) -> None:
    assert anytime_upper_count(failures, confidence, rate) < anytime_upper_count(
        failures + 1, confidence, rate
    )


@given(failure_counts, confidences, rates)
def test_counts_rise_with_confidence(failures: int, confidence: float, rate: float) -> None:
    more = confidence + (1 - confidence) / 2
    assert anytime_upper_count(failures, confidence, rate) < anytime_upper_count(failures, more, rate)


@given(failure_counts, confidences, rates, st.floats(0.1, 10))
def test_anytime_is_never_below_fixed_look(
    failures: int, confidence: float, rate: float, shape: float
) -> None:
    """It must hold at one look too."""
    assert anytime_upper_count(failures, confidence, rate, shape) >= poisson_upper_count(failures, confidence)


@given(failure_counts, confidences, rates)
def test_anytime_count_answers_back(failures: int, confidence: float, rate: float) -> None:
    root = anytime_upper_count(failures, confidence, rate)
    assert root > failures
    assert log_evidence(root, failures, rate) == pytest.approx(-math.log1p(-confidence), abs=1e-9)
    assert log_evidence(root * 0.99, failures, rate) < log_evidence(root, failures, rate)


# --- what it is good for -------------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(st.integers(0, 40), st.floats(0.05, 0.99), st.floats(0, 20), st.floats(0.2, 5))
def test_crossed_with_a_probability_of_1_minus_c_at_most(
    last: int, confidence: float, rate: float, shape: float
) -> None:
    """Exactly, by first passage over its lines; the more lines, the more of it is spent."""
    lines = [anytime_upper_count(r, confidence, rate, shape) for r in range(last + 2)]
    assert pass_probability(1.0, lines[:-1]) < pass_probability(1.0, lines) < 1 - confidence


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
        lambda: anytime_upper_count(0, confidence),
        lambda: anytime_upper_fit(0, 0.0, confidence, 5.0),
    ):
        with pytest.raises(ValueError, match=rf"confidence must .*got {confidence}"):
            refused()


@pytest.mark.parametrize("failures", [-1, 0.5, math.nan, math.inf])
def test_failures_out_of_range(failures: int) -> None:
    with pytest.raises(ValueError, match=rf"failures must .*got {failures}"):
        anytime_upper_count(failures, 0.9)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_other_arguments_out_of_range(bad: float) -> None:
    with pytest.raises(ValueError, match=rf"equivalent_h must .*got {bad}"):
        anytime_upper_fit(0, bad, 0.9, 5.0)
    with pytest.raises(ValueError, match=rf"mixture_rate must .*got {bad}"):
        anytime_upper_count(0, 0.9, bad)
    with pytest.raises(ValueError, match=rf"mixture_shape must .*got {bad}"):
        anytime_upper_count(0, 0.9, 5.0, bad)
    with pytest.raises(ValueError, match=rf"expected must .*got {bad}"):
        log_evidence(bad, 0)


@pytest.mark.parametrize("failures", [2 * 10**12, 10**16, 10**20, 10**30])
@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_counts_that_only_a_broken_counter_reaches(failures: int, confidence: float) -> None:
    """Above the root, which is r + sqrt(2 r (L + log(sqrt(r / 2 pi) / g))) there, and not by much.

    By Laplace's method: the mixture's density at u = 1 is g = c / (exp(c) - 1), the likelihood 1 / sqrt(r) wide.
    """
    density = 5 / math.expm1(5)
    evidence = -math.log1p(-confidence) + math.log(math.sqrt(failures / (2 * math.pi)) / density)
    root = failures + math.sqrt(2 * failures * evidence)
    assert root <= anytime_upper_count(failures, confidence) <= root * (1 + 1e-5)


@pytest.mark.parametrize("failures", [10**7, 10**9, 10**12])
def test_counts_of_very_many_failures(failures: int) -> None:
    """The same, to the accuracy that Laplace's method has at so many failures."""
    evidence = math.log(10) + math.log(math.sqrt(failures / (2 * math.pi)) / (5 / math.expm1(5)))
    excess = math.sqrt(2 * failures * evidence)
    assert anytime_upper_count(failures, 0.90) - failures == pytest.approx(excess, rel=3e-3)
