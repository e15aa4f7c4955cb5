"""From the account to the figures document: the claims, applied to the ledger's state."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np

from monitor.campaign import Campaign
from monitor.claims import (
    anytime_upper_count,
    anytime_upper_fit,
    coverage,
    field_hours,
    field_reads,
    fixed_look_bound,
    homogeneity,
    hours_to_go,
    per_read_upper,
    poisson_upper_count,
)
from monitor.figures import document as doc
from monitor.figures.failed import FailedChip, failed_chips, incidents
from monitor.figures.floor import boards
from monitor.ledger import Ledger, Reason
from shared.entries import Refused
from shared.quantities import MS_PER_H, hours


def build(ledger: Ledger, refused: Refused, *, now_ms: int | None = None) -> doc.Figures:
    """The figures as they stand.

    ``now_ms`` (a clock's time, for a live service) tells only whether a board is silent; without it the time of the
    last journal entry does, so that a replay gives the same bytes every time.
    """
    campaign = ledger.campaign
    failed = failed_chips(ledger)
    counted = [f for f in failed if not f.not_relevant]
    floor = boards(ledger, failed, now_ms if now_ms is not None else ledger.as_of_ms)
    strangers = _stranger_places(ledger, refused)
    mechanisms = _mechanisms(ledger, failed)
    credited_h = hours(ledger.credited_ms())
    return doc.Figures(
        campaign=campaign.id,
        as_of_ms=ledger.as_of_ms,
        chips=doc.Chips(
            loaded=len(campaign.chips),
            at_risk=len(campaign.chips) - len(failed),
            failed=len(counted),
            not_relevant=len(failed) - len(counted),
            strangers=len(strangers),
            reading=sum(socket.state == "reading" for board in floor for socket in board.sockets),
        ),
        exposure=doc.Exposure(credited_h=credited_h, uncredited_h=_uncredited(ledger)),
        reads=_reads(ledger),
        mechanisms=mechanisms,
        read_error=_read_error(ledger),
        target=_target(ledger, mechanisms, len(campaign.chips) - len(failed)),
        pooling=_pooling(ledger, counted),
        coverage=_coverage(ledger),
        lots=_lots(ledger, counted),
        failures=[_failure(ledger, f) for f in failed],
        incidents=incidents(campaign, failed),
        boards=floor,
        intake=_intake(ledger, refused, strangers),
        plan=_plan(ledger),
    )


def _uncredited(ledger: Ledger) -> doc.Uncredited:
    totals = ledger.accounts.uncredited_ms.sum(axis=1).tolist()
    return doc.Uncredited(
        counter=hours(totals[Reason.COUNTER]),
        unwitnessed=hours(totals[Reason.UNWITNESSED]),
        temperature=hours(totals[Reason.TEMPERATURE]),
        supply=hours(totals[Reason.SUPPLY]),
        not_reading=hours(totals[Reason.NOT_READING]),
    )


def _reads(ledger: Ledger) -> doc.Reads:
    accounts = ledger.accounts
    return doc.Reads(
        total=sum(accounts.reads_total.tolist()),
        credited=sum(accounts.reads_credited.tolist()),
        errors=sum(accounts.errors),
        errors_at_risk=sum(accounts.errors_at_risk),
    )


def _read_error(ledger: Ledger) -> list[doc.ReadErrorBound]:
    reads = _reads(ledger)
    return [
        doc.ReadErrorBound(c, doc.finite(per_read_upper(reads.errors_at_risk, reads.credited, c)))
        for c in ledger.campaign.confidence
    ]


def _mechanisms(ledger: Ledger, failed: list[FailedChip]) -> list[doc.MechanismFigures]:
    campaign, weights = ledger.campaign, ledger.weights
    equivalent_h = weights.total_h(ledger.accounts.low, ledger.accounts.high)
    names = {m.name for m in campaign.mechanisms}
    result = []
    for mechanism, hours_m, factor in zip(
        weights.mechanisms, equivalent_h, weights.at_set_point, strict=True
    ):
        count = sum(f.counts_for(mechanism.name, names) for f in failed)
        result.append(
            doc.MechanismFigures(
                name=mechanism.name,
                ea_ev=mechanism.ea_ev,
                acceleration=factor,
                equivalent_h=hours_m,
                failures=count,
                bounds=_fixed(campaign, count, hours_m),
                anytime=_anytime(campaign, count, hours_m),
                all=doc.EveryFailure(
                    failures=len(failed),
                    bounds=_fixed(campaign, len(failed), hours_m),
                    anytime=_anytime(campaign, len(failed), hours_m),
                ),
            )
        )
    return result


def _fixed(campaign: Campaign, failures: int, equivalent_h: float) -> list[doc.FixedLook]:
    bounds = (fixed_look_bound(failures, equivalent_h, c) for c in campaign.confidence)
    return [
        doc.FixedLook(b.confidence, doc.finite(b.fit_upper), doc.finite(b.fit_lower), doc.finite(b.fit_point))
        for b in bounds
    ]


def _anytime(campaign: Campaign, failures: int, equivalent_h: float) -> list[doc.Anytime]:
    return [
        doc.Anytime(c, doc.finite(anytime_upper_fit(failures, equivalent_h, c, campaign.mixture_rate)))
        for c in campaign.confidence
    ]


def _target(ledger: Ledger, mechanisms: list[doc.MechanismFigures], at_risk: int) -> doc.Target:
    """The target at the highest stated confidence, for the mechanism that meets it last."""
    campaign = ledger.campaign
    confidence = max(campaign.confidence)

    def anytime(failures: int) -> float:
        return anytime_upper_count(failures, confidence, campaign.mixture_rate)

    def fixed(failures: int) -> float:
        return poisson_upper_count(failures, confidence)

    ways = []
    for count in (anytime, fixed):
        to_go = [
            hours_to_go(
                count(m.failures),
                count(m.failures + 1),
                campaign.target_fit,
                m.equivalent_h,
                at_risk,
                m.acceleration,
            )
            for m in mechanisms
        ]
        none = [t.none for t in to_go]
        ways.append((none, _latest(none), _latest([t.one_more for t in to_go])))
    (each, none_h, one_h), (_, fixed_none_h, fixed_one_h) = ways
    last = max(range(len(each)), key=lambda i: float("inf") if each[i] is None else each[i] or 0.0)
    return doc.Target(
        fit=campaign.target_fit,
        met=none_h == 0,
        hours_to_go=none_h,
        hours_to_go_one_more=one_h,
        date=_date(ledger, none_h, at_risk),
        confidence=confidence,
        mechanism=mechanisms[last].name,
        fixed=doc.TargetFixed(
            met=fixed_none_h == 0,
            hours_to_go=fixed_none_h,
            hours_to_go_one_more=fixed_one_h,
            date=_date(ledger, fixed_none_h, at_risk),
        ),
    )


def _latest(values: Iterable[float | None]) -> float | None:
    known = list(values)
    return None if any(v is None for v in known) else doc.finite(max(v for v in known if v is not None))


def _date(ledger: Ledger, to_go_h: float | None, at_risk: int) -> str | None:
    """UTC minute at which ``to_go_h`` more hours of every chip are credited at the present pace."""
    pace = ledger.credit_pace()
    if not to_go_h or not pace or pace < 0 or ledger.as_of_ms is None:
        return None
    try:
        start = datetime.fromtimestamp(ledger.as_of_ms / 1000, UTC)
        return (start + timedelta(hours=to_go_h * at_risk / pace)).strftime("%Y-%m-%dT%H:%MZ")
    except (OverflowError, ValueError, OSError):
        return None


def _members(ledger: Ledger) -> dict[str, list[int]]:
    members: dict[str, list[int]] = {}
    for index, chip in enumerate(ledger.campaign.chips):
        members.setdefault(chip.lot, []).append(index)
    return members


def _lots(ledger: Ledger, counted: list[FailedChip]) -> list[doc.LotFigures]:
    accounts, chips = ledger.accounts, ledger.campaign.chips
    return [
        doc.LotFigures(
            lot=lot,
            loaded=len(indices),
            failed=sum(chips[f.index].lot == lot for f in counted),
            credited_h=hours(int(accounts.credited_ms[indices].sum())),
            reads_credited=sum(accounts.reads_credited[indices].tolist()),
        )
        for lot, indices in _members(ledger).items()
    ]


def _pooling(ledger: Ledger, counted: list[FailedChip]) -> doc.PoolingFigures:
    lots = _lots(ledger, counted)
    pooling = homogeneity([lot.failed for lot in lots], [lot.credited_h for lot in lots])
    return doc.PoolingFigures(pooling.p_value, pooling.verdict, pooling.method)


def _coverage(ledger: Ledger) -> doc.CoverageFigures:
    use, accounts = ledger.campaign.use, ledger.accounts
    reads = coverage(
        accounts.reads_credited.astype(np.float64), field_reads(use.reads_per_day, use.life_years)
    )
    equivalent_h = ledger.weights.equivalent_h(accounts.low, accounts.high)
    life = [coverage(row, field_hours(use.life_years)) for row in equivalent_h]
    return doc.CoverageFigures(
        reads=doc.Ratios(reads.least, reads.median, reads.most, reads.fleet),
        life=[
            doc.LifeRatios(m.name, c.least, c.median, c.most, c.fleet)
            for m, c in zip(ledger.campaign.mechanisms, life, strict=True)
        ],
    )


def _failure(ledger: Ledger, failed: FailedChip) -> doc.FailureFigures:
    chip, failure, seen = ledger.campaign.chips[failed.index], failed.failure, failed.failure.seen
    return doc.FailureFigures(
        serial=chip.serial,
        lot=chip.lot,
        rack=chip.rack,
        board=chip.board,
        socket=chip.socket,
        t_ms=failure.t_ms,
        up_ms=failure.up_ms,
        boot=failure.boot,
        hours=hours(int(ledger.accounts.credited_ms[failed.index])),
        reads=int(ledger.accounts.reads_credited[failed.index]),
        address=seen.address if seen else None,
        expected=seen.expected if seen else None,
        observed=seen.observed if seen else None,
        witness="messages" if failure.by_message else "counters",
        disposition=failed.disposition.cls if failed.disposition else None,
        mechanism=failed.disposition.mechanism if failed.disposition else None,
    )


def _stranger_places(ledger: Ledger, refused: Refused) -> list[tuple[str, int | None, int | None]]:
    places = set(refused.stranger_places)
    for board in ledger.boards.values():
        places.update((board.rack, board.number, socket) for socket in board.stranger_sockets)
    return sorted(places, key=lambda p: (p[0], p[1] or 0, p[2] or 0))


def _intake(
    ledger: Ledger, refused: Refused, strangers: list[tuple[str, int | None, int | None]]
) -> doc.Intake:
    counts = ledger.counts
    return doc.Intake(
        accepted=ledger.accepted,
        duplicates=refused.duplicates,
        conflicts=refused.conflicts,
        late=counts.late,
        gaps=counts.gaps,
        invalid=refused.invalid,
        strangers=refused.strangers,
        counter_faults=counts.counter_faults,
        waiting=ledger.waiting,
        disagreements=counts.disagreements,
        invalid_reasons=dict(sorted(refused.invalid_reasons.items())),
        stranger_places=strangers,
    )


def _plan(ledger: Ledger) -> doc.Plan:
    campaign, limits = ledger.campaign, ledger.limits
    stress = campaign.stress
    return doc.Plan(
        title=campaign.title,
        planned_hours=campaign.planned_hours,
        temp_c=float(stress.temp_c),
        temp_low_c=limits.temp_low_c,
        temp_high_c=limits.temp_high_c,
        supply_v=float(stress.supply_v),
        supply_tol_v=float(stress.supply_tol_v),
        report_interval_s=float(stress.report_interval_s),
        max_gap_s=float(Decimal(limits.max_gap_ms) / 1000),
        elapsed_h=float(ledger.accounts.credited_ms.max(initial=0)) / MS_PER_H,
    )
