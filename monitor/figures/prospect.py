"""What a campaign could claim before it has begun: acceleration, the stress one field life needs, the planned end."""

from __future__ import annotations

import msgspec

from monitor.campaign import Campaign
from monitor.claims import (
    SequentialPlan,
    anytime_upper_fit,
    field_hours,
    field_reads,
    fixed_look_bound,
    required_equivalent_h,
)
from monitor.figures.basis import Basis, Standing
from monitor.figures.claimed import (
    careful,
    effective_use_temp_c,
    exact_risks_of,
    pass_line_of,
    sequential_of,
)
from monitor.figures.document import Careful, UseLine
from monitor.ledger import Limits
from shared.quantities import MS_PER_H, MS_PER_S


class PlannedBound(msgspec.Struct, frozen=True):
    """Upper bounds on the failure rate at the planned end, with no failure."""

    confidence: float
    fit_upper: float | None
    fit_upper_anytime: float | None


class PlannedSequential(msgspec.Struct, frozen=True):
    """The sequential plan in hours of stress of all chips: acceptance without a failure, and the end at the latest."""

    good_fit: float
    accept_h: float
    end_h: float
    end_failures: int
    exact_producer_risk: float
    exact_consumer_risk: float


class MechanismProspect(msgspec.Struct, frozen=True):
    """One mechanism before the campaign: ``life_stress_h`` of stress stand for one field life of one chip."""

    name: str
    ea_ev: float
    gamma_per_v: float
    voltage_exponent: float
    acceleration: float
    life_stress_h: float
    planned_life_coverage: float
    planned: list[PlannedBound]
    effective_use_temp_c: float | None  # junction
    careful: Careful | None  # at the planned end, with what is stated of Ea's uncertainty
    pass_line_h: list[float] | None  # hours of stress that pass, by number of failures
    sequential: PlannedSequential | None


class PlannedTarget(msgspec.Struct, frozen=True):
    """The target at the highest stated confidence, with no failure: hours of stress until each bound meets it."""

    confidence: float
    hours: float
    hours_anytime: float
    reachable: bool  # by the any-time bound within the planned hours, for every mechanism


class LotCount(msgspec.Struct, frozen=True):
    """Chips of one lot."""

    lot: str
    chips: int


class Prospect(msgspec.Struct, frozen=True):
    """The summary of a valid campaign file."""

    campaign: str
    title: str
    sha256: str
    chips: int
    lots: list[LotCount]
    racks: int
    boards: int
    planned_hours: float
    target_fit: float
    temp_c: float
    temp_low_c: float
    temp_high_c: float
    supply_v: float
    supply_low_v: float
    supply_high_v: float
    read_rate_hz: float
    report_interval_s: float
    self_heating_c: float
    read_points_h: list[float]
    use: list[UseLine]
    life_years: float
    field_reads: float
    reads_stress_h: float  # hours of reading at the nominal rate that stand for the field's reads
    planned_read_coverage: float
    reads_on: str
    words: int | None
    planned_word_coverage: float | None  # of one word, were all of the field's reads on it
    mechanisms: list[MechanismProspect]
    target: PlannedTarget
    warnings: list[str]


def prospect(campaign: Campaign) -> Prospect:
    """Summarise a campaign, with nothing assumed but its file: every chip credited for all of the planned hours."""
    limits, planned = Limits.of(campaign), Standing.planned(campaign)
    stress, use, words = campaign.stress, campaign.use, campaign.macro.words
    chips = len(campaign.chips)
    lots: dict[str, int] = {}
    for chip in campaign.chips:
        lots[chip.lot] = lots.get(chip.lot, 0) + 1
    life_reads = field_reads(use.reads_per_day, use.life_years)
    reads_stress_h = life_reads / (float(stress.read_rate_hz) * MS_PER_H / MS_PER_S)
    return Prospect(
        campaign=campaign.id,
        title=campaign.title,
        sha256=campaign.source.sha256,
        chips=chips,
        lots=[LotCount(lot, count) for lot, count in lots.items()],
        racks=len({chip.rack for chip in campaign.chips}),
        boards=len({(chip.rack, chip.board) for chip in campaign.chips}),
        planned_hours=campaign.planned_hours,
        target_fit=campaign.target_fit,
        temp_c=float(stress.temp_c),
        temp_low_c=limits.temp_low_c,
        temp_high_c=limits.temp_high_c,
        supply_v=float(stress.supply_v),
        supply_low_v=limits.supply_low_v,
        supply_high_v=limits.supply_high_v,
        read_rate_hz=float(stress.read_rate_hz),
        report_interval_s=float(stress.report_interval_s),
        self_heating_c=float(stress.self_heating_c),
        read_points_h=list(campaign.read_points_h),
        use=[UseLine(u.share, u.temp_c, u.supply_v, u.self_heating_c) for u in use.profile],
        life_years=use.life_years,
        field_reads=life_reads,
        reads_stress_h=reads_stress_h,
        planned_read_coverage=campaign.planned_hours / reads_stress_h,
        reads_on=use.reads_on,
        words=words,
        planned_word_coverage=None if words is None else campaign.planned_hours / reads_stress_h / words,
        mechanisms=[_mechanism(planned, m) for m in range(len(campaign.mechanisms))],
        target=_planned_target(planned),
        warnings=[str(warning) for warning in campaign.warnings] + _uncovered(planned),
    )


def _uncovered(planned: Standing) -> list[str]:
    """Mechanisms of which the planned hours do not cover the field life of a chip."""
    campaign = planned.ledger.campaign
    asked_h = field_hours(campaign.use.life_years)
    return [
        f"planned_hours: they cover {campaign.planned_hours * b.acceleration / asked_h:.3g} field lives of a chip by "
        f"{b.name}; what comes later in life is not seen"
        for b in planned.all_claimed(max(campaign.confidence))
        if campaign.planned_hours * b.acceleration < asked_h
    ]


def _mechanism(planned: Standing, m: int) -> MechanismProspect:
    campaign = planned.ledger.campaign
    mechanism, factor = campaign.mechanisms[m], planned.ledger.weights.at_set_point[m]
    final = planned.claimed(m, max(campaign.confidence))
    pace = len(campaign.chips) * final.acceleration  # equivalent hours an hour of stress
    line, plan = pass_line_of(final, campaign), sequential_of(campaign)
    return MechanismProspect(
        name=mechanism.name,
        ea_ev=mechanism.ea_ev,
        gamma_per_v=mechanism.gamma_per_v,
        voltage_exponent=mechanism.voltage_exponent,
        acceleration=factor,
        life_stress_h=field_hours(campaign.use.life_years) / final.acceleration,
        planned_life_coverage=campaign.planned_hours
        * final.acceleration
        / field_hours(campaign.use.life_years),
        planned=_planned(campaign, planned.total_h[m]),
        effective_use_temp_c=effective_use_temp_c(mechanism, campaign.use.profile),
        careful=careful(planned, m),
        pass_line_h=None
        if line is None
        else [required_equivalent_h(count, campaign.target_fit) / pace for count in line.counts],
        sequential=None if plan is None else _sequential(plan, pace),
    )


def _sequential(plan: SequentialPlan, pace: float) -> PlannedSequential | None:
    accept_h, risks = plan.accept_h(0), exact_risks_of(plan)
    if plan.truncation is None or accept_h is None:
        return None
    return PlannedSequential(
        good_fit=plan.target_fit / plan.discrimination,
        accept_h=accept_h / pace,
        end_h=plan.truncation.equivalent_h / pace,
        end_failures=plan.truncation.failures,
        exact_producer_risk=risks.producer,
        exact_consumer_risk=risks.consumer,
    )


def _planned_target(planned: Standing) -> PlannedTarget:
    """Hours of stress until the mechanism that takes longest meets the target, by either bound."""
    campaign = planned.ledger.campaign
    confidence, chips = max(campaign.confidence), len(campaign.chips)
    bases = planned.all_claimed(confidence)
    hours, anytime_h = (
        max(required_equivalent_h(count(b, 0), campaign.target_fit) / (chips * b.acceleration) for b in bases)
        for count in (Basis.fixed_count, Basis.anytime_count)
    )
    return PlannedTarget(confidence, hours, anytime_h, reachable=anytime_h <= campaign.planned_hours)


def _planned(campaign: Campaign, equivalent_h: float) -> list[PlannedBound]:
    return [
        PlannedBound(
            confidence=c,
            fit_upper=fixed_look_bound(0, equivalent_h, c).fit_upper,
            fit_upper_anytime=anytime_upper_fit(0, equivalent_h, c, campaign.claims.mixture_rate),
        )
        for c in campaign.confidence
    ]
