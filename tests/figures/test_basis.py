"""What a claim rests on: careful hours and the split of the error, worked out apart from the product's own formulas.

Factors are Arrhenius and exponential voltage terms (JESD74A) with the Boltzmann constant of CODATA 2018, written out
here with ``math.exp``; bounds are scipy's chi-square quantiles (JESD85).
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy.stats import chi2, norm

from monitor.figures.document import Careful, CarefulBound, MechanismFigures
from tests.figures.bench import READS_PER_H, Bench

EV_PER_K = 8.617333262e-5
TEMPS_C = [125.0, 127.0, 124.0, 129.0, 129.0]  # at the tallies
MEANS_C = [126.0, 125.5, 126.5, 129.0]  # of the four intervals


def factor(ea_ev: float, temp_c: float, uses: list[tuple[float, float]], gamma: float = 0.0) -> float:
    """The rate at ``temp_c`` and 1.98 V over that in use: shares at temperatures, 1.8 V."""

    def rate(at_c: float, volts: float) -> float:
        return math.exp(-ea_ev / (EV_PER_K * (at_c + 273.15)) + gamma * volts)

    return rate(temp_c, 1.98) / sum(share * rate(use_c, 1.8) for share, use_c in uses)


def warmed(
    uses: list[tuple[float, float]], *mechanisms: dict[str, Any], failures: int = 0, **changes: Any
) -> Bench:
    """Four chips for four hours at temperatures that change; so many of them fail at 3.5 h."""
    profile = [{"share": share, "temp_c": temp_c} for share, temp_c in uses]
    bench = Bench(use={"profile": profile}, mechanism=list(mechanisms), **changes)
    for hour, temp_c in enumerate(TEMPS_C):
        failed = failures if hour == 4 else 0
        for n in range(failed):
            bench.error(n, 3.5, socket=n + 1)
        errors: list[int | None] = [1] * failed + [0] * (4 - failed)
        bench.tally(hour, hour, [hour * READS_PER_H] * 4, errors, temp_c=temp_c)
    return bench


def careful(item: MechanismFigures) -> Careful:
    assert item.careful is not None
    return item.careful


def bound_at(item: MechanismFigures, confidence: float) -> CarefulBound:
    return next(bound for bound in careful(item).bounds if bound.confidence == confidence)


INTERVAL = {"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.5, "ea_high_ev": 0.9}


@pytest.mark.parametrize(
    "uses",
    [[(1.0, 55.0)], [(0.3, -20.0), (0.7, 60.0)], [(1.0, 126.2)], [(0.9, 20.0), (0.1, 128.0)]],
    ids=["one use", "two uses", "use amid the stress", "a hot part of the use"],
)
@pytest.mark.parametrize("gamma", [0.0, 3.5])
def test_careful_hours_weigh_each_interval_by_its_own_worse_end(
    uses: list[tuple[float, float]], gamma: float
) -> None:
    """At a use of 126.2 °C the worse end is the high one below and the low one above: each interval has its own."""
    bench = warmed(uses, {**INTERVAL, **({"gamma_per_v": gamma} if gamma else {})})
    (item,) = bench.figures.mechanisms
    worst = [min(factor(ea, c, uses, gamma) for ea in (0.5, 0.9)) for c in MEANS_C]
    hours = 4 * sum(worst)
    for bound in careful(item).bounds:
        assert bound.equivalent_h == pytest.approx(hours, rel=1e-9)
        assert bound.fit_upper == pytest.approx(chi2.ppf(bound.confidence, 2) / 2 / hours * 1e9, rel=1e-9)
        # the plain figures know nothing of it
    assert item.equivalent_h == pytest.approx(4 * sum(factor(0.7, c, uses, gamma) for c in MEANS_C), rel=1e-9)
    at_set_point = {ea: factor(ea, 125, uses, gamma) for ea in (0.5, 0.9)}
    assert {b.ea_ev for b in careful(item).bounds} == {min(at_set_point, key=lambda ea: at_set_point[ea])}
    assert bound_at(item, 0.9).acceleration == pytest.approx(min(at_set_point.values()), rel=1e-9)
    assert (careful(item).ea_low_ev, careful(item).ea_high_ev, careful(item).ea_sd_ev) == (0.5, 0.9, None)


def test_an_interval_that_is_a_point_changes_nothing() -> None:
    bench = warmed([(1.0, 55.0)], {"name": "m", "ea_ev": 0.7, "ea_low_ev": 0.7, "ea_high_ev": 0.7})
    (item,) = bench.figures.mechanisms
    for bound, look, always in zip(careful(item).bounds, item.bounds, item.anytime, strict=True):
        assert bound.equivalent_h == item.equivalent_h
        assert (bound.fit_upper, bound.fit_upper_anytime) == (look.fit_upper, always.fit_upper)


@pytest.mark.parametrize("failures", [0, 1])
@pytest.mark.parametrize("normals", [1, 2, 3])
def test_a_normal_error_takes_half_of_the_error_allowed(normals: int, failures: int) -> None:
    """alpha/2 for the count; alpha/2, shared by all normal errors, for the lower limits of the energies."""
    stated = [{"name": f"m{n}", "ea_ev": 0.7, "ea_sd_ev": 0.05} for n in range(normals)]
    bench = warmed([(1.0, 55.0)], *stated, {"name": "sure", "ea_ev": 0.6}, failures=failures)
    *items, sure = bench.figures.mechanisms
    assert sure.careful is None
    for item in items:
        assert (careful(item).ea_low_ev, careful(item).ea_high_ev, careful(item).ea_sd_ev) == (
            None,
            None,
            0.05,
        )
        for confidence in (0.6, 0.9):
            alpha = 1 - confidence
            lower_ev = 0.7 + 0.05 * norm.ppf(alpha / 2 / normals)
            hours = 4 * sum(factor(lower_ev, c, [(1.0, 55.0)]) for c in MEANS_C)
            hours -= failures * 0.5 * factor(lower_ev, MEANS_C[3], [(1.0, 55.0)])
            bound = bound_at(item, confidence)
            assert bound.ea_ev == pytest.approx(lower_ev, rel=1e-12)
            assert bound.equivalent_h == pytest.approx(hours, rel=1e-9)
            expected = chi2.ppf(1 - alpha / 2, 2 * failures + 2) / 2 / hours * 1e9
            assert bound.fit_upper == pytest.approx(expected, rel=1e-9)
            assert bound.fit_upper_anytime is not None
            assert bound.fit_upper_anytime > expected


def test_careful_is_never_less_than_plain() -> None:
    """For a use that is cooler than the stress throughout."""
    for stated in (INTERVAL, {"name": "m", "ea_ev": 0.7, "ea_sd_ev": 0.02}):
        (item,) = warmed([(1.0, 55.0)], stated).figures.mechanisms
        for bound, look, always in zip(careful(item).bounds, item.bounds, item.anytime, strict=True):
            assert bound.equivalent_h < item.equivalent_h
            assert look.fit_upper is not None
            assert always.fit_upper is not None
            assert (bound.fit_upper or 0) > look.fit_upper
            assert (bound.fit_upper_anytime or 0) > always.fit_upper


def test_the_target_is_judged_by_the_careful_bound() -> None:
    """The target lies between the two: the plain bounds meet it, what is claimed does not."""
    (item,) = warmed([(1.0, 55.0)], INTERVAL).figures.mechanisms
    plain, doubtful = item.anytime[-1].fit_upper, bound_at(item, 0.9).fit_upper_anytime
    assert plain is not None
    assert doubtful is not None
    between = {"target_fit": math.sqrt(plain * doubtful)}
    sure = warmed([(1.0, 55.0)], {"name": "m", "ea_ev": 0.7}, campaign=between).figures.target
    assert (sure.met, sure.careful) == (True, False)
    stated = warmed([(1.0, 55.0)], INTERVAL, campaign=between).figures.target
    assert (stated.met, stated.careful) == (False, True)
    # Clock hours to go: four chips at the careful factor of the set-point.
    bound = bound_at(item, 0.9)
    count = doubtful * bound.equivalent_h / 1e9
    missing_h = count / (between["target_fit"] / 1e9) - bound.equivalent_h
    assert stated.hours_to_go == pytest.approx(missing_h / (4 * bound.acceleration), rel=1e-9)


def test_without_hours_there_are_no_careful_bounds() -> None:
    (item,) = Bench(mechanism=[INTERVAL]).figures.mechanisms
    for bound in careful(item).bounds:
        assert (bound.equivalent_h, bound.fit_upper, bound.fit_upper_anytime) == (0.0, None, None)


def test_at_the_set_point_the_careful_hours_do_not_follow_the_oven() -> None:
    bench = warmed([(1.0, 55.0)], INTERVAL, stress={"accelerate_at": "setpoint"})
    (item,) = bench.figures.mechanisms
    assert bound_at(item, 0.9).equivalent_h == pytest.approx(16 * factor(0.5, 125, [(1.0, 55.0)]), rel=1e-9)


def test_the_field_life_is_covered_in_careful_hours() -> None:
    """Every chip alike: four hours of the worse end each, over 15 years of 365.25 days."""
    uses = [(1.0, 55.0)]
    bench = warmed(uses, INTERVAL, {"name": "sure", "ea_ev": 0.7})
    doubtful, sure = bench.figures.coverage.life
    life_h = 15 * 365.25 * 24
    for ratios, ea_ev in ((doubtful, 0.5), (sure, 0.7)):
        hours = sum(factor(ea_ev, c, uses) for c in MEANS_C)
        assert ratios.least == ratios.most == pytest.approx(hours / life_h, rel=1e-9)
        assert ratios.fleet == pytest.approx(4 * hours / life_h, rel=1e-9)
