"""The claims about each mechanism and about all of them together."""

from __future__ import annotations

import math
from functools import lru_cache

from monitor.campaign import Campaign
from monitor.claims import (
    FIT_PER_HOUR,
    EaInterval,
    EaNormal,
    Mechanism,
    PassLine,
    Risks,
    SequentialPlan,
    Swing,
    UseCondition,
    anytime_upper_fit,
    claimed_energies_ev,
    effective_temp_c,
    exact_risks,
    fixed_look_bound,
    pass_line,
    sequential_plan,
    tornado,
    total_bound,
)
from monitor.figures import document as doc
from monitor.figures.basis import Basis, Standing
from monitor.figures.lifetimes import curve, early, fitted, life

_LEAST_SUMMED = 0.5  # below, a sum of single bounds is no bound


def mechanisms(standing: Standing, every: Standing) -> list[doc.MechanismFigures]:
    """Everything that is said of each mechanism; ``every`` stands with every failed chip counted."""
    return [_mechanism(standing, every, m) for m in range(len(standing.ledger.campaign.mechanisms))]


def totals(standing: Standing) -> list[doc.TotalBounds]:
    """Bounds on the total rate, from the claimed basis of every mechanism."""
    found = []
    for confidence in standing.ledger.campaign.confidence:
        bases = standing.all_claimed(confidence)
        total = total_bound(
            [b.failures for b in bases],
            [b.equivalent_h for b in bases],
            max(b.count_confidence for b in bases),  # what the errors of the activation energies leave
            bases[0].mixture_rate,
            [b.acceleration for b in bases],
        )
        found.append(
            doc.TotalBounds(
                confidence,
                doc.finite(total.fit_sum_of_bounds) if confidence >= _LEAST_SUMMED else None,
                doc.finite(total.fit_weighted),
                doc.finite(total.fit_anytime),
            )
        )
    return found


def fixed(campaign: Campaign, failures: int, equivalent_h: float) -> list[doc.FixedLook]:
    """Fixed-look bounds at every confidence of the campaign."""
    bounds = (fixed_look_bound(failures, equivalent_h, c) for c in campaign.confidence)
    return [
        doc.FixedLook(b.confidence, doc.finite(b.fit_upper), doc.finite(b.fit_lower), doc.finite(b.fit_point))
        for b in bounds
    ]


def anytime(campaign: Campaign, failures: int, equivalent_h: float) -> list[doc.Anytime]:
    """Anytime bounds at every confidence of the campaign."""
    rate = campaign.claims.mixture_rate
    return [
        doc.Anytime(c, doc.finite(anytime_upper_fit(failures, equivalent_h, c, rate)))
        for c in campaign.confidence
    ]


def _mechanism(standing: Standing, every: Standing, m: int) -> doc.MechanismFigures:
    campaign, weights = standing.ledger.campaign, standing.ledger.weights
    mechanism, failures, hours = campaign.mechanisms[m], standing.counts[m], standing.total_h[m]
    everyone = len(standing.failed)
    final = standing.claimed(m, max(campaign.confidence))
    return doc.MechanismFigures(
        name=mechanism.name,
        ea_ev=mechanism.ea_ev,
        gamma_per_v=mechanism.gamma_per_v,
        voltage_exponent=mechanism.voltage_exponent,
        acceleration=weights.at_set_point[m],
        equivalent_h=hours,
        failures=failures,
        bounds=fixed(campaign, failures, hours),
        anytime=anytime(campaign, failures, hours),
        all=doc.EveryFailure(
            failures=everyone,
            bounds=fixed(campaign, everyone, hours),
            anytime=anytime(campaign, everyone, hours),
        ),
        effective_use_temp_c=effective_use_temp_c(mechanism, campaign.use.profile),
        careful=careful(standing, m),
        pass_line=_pass_line(standing, every, m, final),
        sequential=_sequential(standing, every, m, final),
        life=life(standing, m),
        early=early(standing, m),
        fitted=fitted(standing, m),
        curve=curve(standing, m),
        influences=_influences(standing, m),
    )


def careful(standing: Standing, m: int) -> doc.Careful | None:
    """The bounds that carry what is stated of an activation energy; None where nothing is."""
    campaign = standing.ledger.campaign
    energy = campaign.energies[m]
    if energy is None:
        return None
    interval = energy if isinstance(energy, EaInterval) else None
    return doc.Careful(
        ea_low_ev=interval.low_ev if interval else None,
        ea_high_ev=interval.high_ev if interval else None,
        ea_sd_ev=energy.sd_ev if isinstance(energy, EaNormal) else None,
        bounds=[_careful_bound(standing, standing.claimed(m, c)) for c in campaign.confidence],
    )


def _careful_bound(standing: Standing, basis: Basis) -> doc.CarefulBound:
    guard = standing.ledger.weights.guards[basis.row - len(standing.ledger.weights.mechanisms)]
    return doc.CarefulBound(
        confidence=basis.confidence,
        ea_ev=standing.ledger.weights.worst_ea_ev(guard),
        acceleration=basis.acceleration,
        equivalent_h=basis.equivalent_h,
        fit_upper=_fit(basis.fixed_count(basis.failures), basis.equivalent_h),
        fit_upper_anytime=_fit(basis.anytime_count(basis.failures), basis.equivalent_h),
    )


def _fit(count: float, equivalent_h: float) -> float | None:
    return doc.finite(count * FIT_PER_HOUR / equivalent_h) if equivalent_h > 0 else None


def _pass_line(standing: Standing, every: Standing, m: int, basis: Basis) -> doc.PassLineStanding | None:
    campaign = standing.ledger.campaign
    line = pass_line_of(basis, campaign)
    if line is None:
        return None
    rate = campaign.target_fit / FIT_PER_HOUR
    decision, decision_all = (
        line.decision([h * rate for h in who.path_h(m, basis.row)], basis.equivalent_h * rate)
        for who in (standing, every)
    )
    return doc.PassLineStanding(
        failures_allowed=line.failures_allowed,
        confidence=basis.confidence,
        fixed_look_confidence=line.adjusted_confidence,
        pass_h=None if line.fails(basis.failures) else line.counts[basis.failures] / rate,
        verdict=decision.verdict,
        decided_h=None if decision.verdict == "go on" else decision.expected / rate,
        verdict_all=decision_all.verdict,
    )


def _sequential(standing: Standing, every: Standing, m: int, basis: Basis) -> doc.SequentialStanding | None:
    campaign = standing.ledger.campaign
    plan = sequential_of(campaign)
    if plan is None or plan.truncation is None:
        return None
    risks = exact_risks_of(plan)
    decision, decision_all = (
        plan.decision(who.path_h(m, basis.row), basis.equivalent_h) for who in (standing, every)
    )
    return doc.SequentialStanding(
        good_fit=campaign.target_fit / plan.discrimination,
        producer_risk=plan.producer_risk,
        consumer_risk=plan.consumer_risk,
        exact_producer_risk=risks.producer,
        exact_consumer_risk=risks.consumer,
        accept_h=plan.accept_h(basis.failures),
        reject_h=plan.reject_h(basis.failures + 1),
        truncation_failures=plan.truncation.failures,
        truncation_h=plan.truncation.equivalent_h,
        verdict=decision.verdict,
        decided_h=None if decision.verdict == "go on" else decision.equivalent_h,
        verdict_all=decision_all.verdict,
    )


def _influences(standing: Standing, m: int) -> list[doc.Influence]:
    """Which parameter the any-time bound at the highest confidence hangs on."""
    campaign = standing.ledger.campaign
    basis, stress = standing.plain(m, max(campaign.confidence)), campaign.stress
    bounds = [_fit(basis.anytime_count(r), basis.equivalent_h) for r in (basis.failures, basis.failures + 1)]
    if bounds[0] is None or bounds[1] is None:
        return []
    try:
        rows = tornado(
            campaign.mechanisms[m],
            campaign.use.profile,
            float(stress.temp_c),
            float(stress.supply_v),
            float(stress.self_heating_c),
            failures=basis.failures,
            fit_upper=bounds[0],
            fit_upper_one_more=bounds[1],
            stated=_stated(standing, m),
        )
    except ValueError:  # a trial swing leads beyond any factor that can be reckoned with
        return []
    return [
        doc.Influence(r.parameter, r.low, r.high, r.fit_at_low, r.fit_at_high, r.stated)
        for r in rows
        if math.isfinite(r.fit_at_low) and math.isfinite(r.fit_at_high)
    ]


def _stated(standing: Standing, m: int) -> list[Swing]:
    """What is stated of the activation energy: its interval, or its claimed lower limit and as far above the mean."""
    campaign = standing.ledger.campaign
    claimed_ev = claimed_energies_ev(campaign.energies, max(campaign.confidence))[m]
    if claimed_ev is None:
        return []
    low_ev, high_ev = claimed_ev[0], claimed_ev[-1]
    if isinstance(campaign.energies[m], EaNormal):
        high_ev = 2 * campaign.mechanisms[m].ea_ev - low_ev
    return [Swing("ea_ev", low_ev, high_ev, stated=True)]


def pass_line_of(basis: Basis, campaign: Campaign) -> PassLine | None:
    """The pass line that the campaign declares, at what the basis leaves of the confidence."""
    allowed = campaign.claims.failures_allowed
    return None if allowed is None else _line(allowed, basis.count_confidence)


def sequential_of(campaign: Campaign) -> SequentialPlan | None:
    """The truncated sequential plan that the campaign declares."""
    rule = campaign.claims
    if rule.discrimination is None:
        return None
    return sequential_plan(campaign.target_fit, rule.discrimination, rule.producer_risk, rule.consumer_risk)


_line = lru_cache(maxsize=64)(pass_line)


@lru_cache(maxsize=64)
def exact_risks_of(plan: SequentialPlan) -> Risks:
    """The risks a plan runs, computed once."""
    return exact_risks(plan)


@lru_cache(maxsize=64)
def effective_use_temp_c(mechanism: Mechanism, profile: tuple[UseCondition, ...]) -> float | None:
    """The one use junction of the profile's thermal factor; None where there is none."""
    try:
        return effective_temp_c(mechanism, profile)
    except ValueError:  # without an activation energy no one temperature stands for several
        return None
