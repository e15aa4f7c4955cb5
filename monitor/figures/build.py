"""From the account to the figures document: the claims, applied to the ledger's state."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import NamedTuple

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
from shared.quantities import hours


def build(ledger: Ledger, refused: Refused, *, now_ms: int | None = None) -> doc.Figures:
    """The figures as they stand.

    ``now_ms`` (a clock's time, for a live service) tells only whether a board is silent; without it the time of the
    last journal entry does, so that a replay gives the same bytes every time.
    """
    campaign = ledger.campaign
    failed = failed_chips(ledger)
    counted = [f for f in failed if not f.not_relevant]
    at_risk = len(campaign.chips) - len(failed)
    at_ms = now_ms if now_ms is not None else ledger.as_of_ms
    floor = boards(ledger, failed, at_ms)
    reads, lots = _reads(ledger), _lots(ledger, failed)
    strangers = _stranger_places(ledger, refused)
    mechanisms = _mechanisms(ledger, failed)
    credited_h = hours(ledger.credited_ms())
    return doc.Figures(
        campaign=campaign.id,
        as_of_ms=ledger.as_of_ms,
        chips=doc.Chips(
            loaded=len(campaign.chips),
            at_risk=at_risk,
            failed=len(counted),
            not_relevant=len(failed) - len(counted),
            strangers=len(strangers),
            reading=sum(socket.state == "reading" for board in floor for socket in board.sockets),
        ),
        exposure=doc.Exposure(credited_h=credited_h, uncredited_h=_uncredited(ledger)),
        reads=reads,
        mechanisms=mechanisms,
        read_error=_read_error(campaign, reads),
        target=_target(ledger, mechanisms, at_risk),
        pooling=_pooling(lots),
        coverage=_coverage(ledger),
        lots=lots,
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


def _read_error(campaign: Campaign, reads: doc.Reads) -> list[doc.ReadErrorBound]:
    return [
        doc.ReadErrorBound(c, doc.finite(per_read_upper(reads.errors_at_risk, reads.credited, c)))
        for c in campaign.confidence
    ]


def _mechanisms(ledger: Ledger, failed: list[FailedChip]) -> list[doc.MechanismFigures]:
    campaign, weights = ledger.campaign, ledger.weights
    equivalent_h = weights.total_h(ledger.accounts.low, ledger.accounts.high)
    counts = _failures_by_mechanism(campaign, failed)
    return [
        doc.MechanismFigures(
            name=mechanism.name,
            ea_ev=mechanism.ea_ev,
            gamma_per_v=mechanism.gamma_per_v,
            voltage_exponent=mechanism.voltage_exponent,
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
        for mechanism, hours_m, factor, count in zip(
            campaign.mechanisms, equivalent_h, weights.at_set_point, counts, strict=True
        )
    ]


def _failures_by_mechanism(campaign: Campaign, failed: list[FailedChip]) -> list[int]:
    """Failures after disposition, per mechanism; one whose mechanism is not known counts for every one."""
    names = {m.name for m in campaign.mechanisms}
    return [sum(f.counts_for(m.name, names) for f in failed) for m in campaign.mechanisms]


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
    anytime = _way(
        campaign, mechanisms, at_risk, lambda r: anytime_upper_count(r, confidence, campaign.mixture_rate)
    )
    fixed = _way(campaign, mechanisms, at_risk, lambda r: poisson_upper_count(r, confidence))
    return doc.Target(
        fit=campaign.target_fit,
        met=anytime.none == 0,
        hours_to_go=anytime.none,
        hours_to_go_one_more=anytime.one_more,
        date=_date(ledger, anytime.none, at_risk),
        confidence=confidence,
        mechanism=anytime.mechanism,
        fixed=doc.TargetFixed(
            met=fixed.none == 0,
            hours_to_go=fixed.none,
            hours_to_go_one_more=fixed.one_more,
            date=_date(ledger, fixed.none, at_risk),
        ),
    )


class _Way(NamedTuple):
    """Clock hours to the target with no and with one more failure (None: never), and what limits it."""

    none: float | None
    one_more: float | None
    mechanism: str


def _way(
    campaign: Campaign, mechanisms: list[doc.MechanismFigures], at_risk: int, count: Callable[[int], float]
) -> _Way:
    """The way to the target by one kind of bound; ``count`` gives the upper bound on the expected count."""
    each = [
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
    last = max(range(len(each)), key=lambda i: math.inf if each[i].none is None else float(each[i].none or 0))
    return _Way(_latest([t.none for t in each]), _latest([t.one_more for t in each]), mechanisms[last].name)


def _latest(values: Sequence[float | None]) -> float | None:
    """The longest; None when one of them is never."""
    known = [value for value in values if value is not None]
    return doc.finite(max(known)) if len(known) == len(values) else None


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


def _lots(ledger: Ledger, failed: list[FailedChip]) -> list[doc.LotFigures]:
    return [_lot(ledger, lot, indices, failed) for lot, indices in _members(ledger).items()]


def _lot(ledger: Ledger, lot: str, indices: list[int], failed: list[FailedChip]) -> doc.LotFigures:
    campaign, accounts = ledger.campaign, ledger.accounts
    mine = [f for f in failed if campaign.chips[f.index].lot == lot]
    equivalent_h = ledger.weights.total_h(accounts.low[:, indices], accounts.high[:, indices])
    counts = _failures_by_mechanism(campaign, mine)
    return doc.LotFigures(
        lot=lot,
        loaded=len(indices),
        failed=sum(not f.not_relevant for f in mine),
        credited_h=hours(int(accounts.credited_ms[indices].sum())),
        reads_credited=sum(accounts.reads_credited[indices].tolist()),
        mechanisms=[
            doc.LotMechanism(m.name, h, r, _fixed(campaign, r, h), _anytime(campaign, r, h))
            for m, h, r in zip(campaign.mechanisms, equivalent_h, counts, strict=True)
        ],
    )


def _pooling(lots: list[doc.LotFigures]) -> doc.PoolingFigures:
    """Lots compared over credited hours: they share the stress, so its acceleration cancels."""
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
        dispositions=[
            doc.DispositionLine(d.cls, d.mechanism, d.who, d.why, d.when_ms)
            for d in ledger.dispositions.get(chip.serial, [])
        ],
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
    stress, first_ms, last_ms = campaign.stress, ledger.first_recv_ms, ledger.as_of_ms
    return doc.Plan(
        title=campaign.title,
        planned_hours=campaign.planned_hours,
        temp_c=float(stress.temp_c),
        temp_low_c=limits.temp_low_c,
        temp_high_c=limits.temp_high_c,
        supply_v=float(stress.supply_v),
        supply_tol_v=float(stress.supply_tol_v),
        supply_low_v=limits.supply_low_v,
        supply_high_v=limits.supply_high_v,
        self_heating_c=float(stress.self_heating_c),
        use=[doc.UseLine(u.share, u.temp_c, u.supply_v, u.self_heating_c) for u in campaign.use.profile],
        report_interval_s=float(stress.report_interval_s),
        max_gap_s=float(Decimal(limits.max_gap_ms) / 1000),
        elapsed_h=hours(int(ledger.accounts.credited_ms.max(initial=0))),
        running_h=hours(last_ms - first_ms) if first_ms is not None and last_ms is not None else 0.0,
    )
