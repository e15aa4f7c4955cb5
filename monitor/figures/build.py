"""From the account to the figures document: the claims, applied to the ledger's state."""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from monitor.campaign import Campaign
from monitor.claims import (
    Coverage,
    coverage,
    field_hours,
    field_reads,
    homogeneity,
    per_bit_upper,
    per_read_anytime_upper,
    per_read_upper,
)
from monitor.figures import document as doc
from monitor.figures.aim import forecast, target
from monitor.figures.basis import Standing, failures_by_mechanism
from monitor.figures.claimed import anytime, fixed, mechanisms, totals
from monitor.figures.drift import drift
from monitor.figures.failed import FailedChip, failed_chips, incidents
from monitor.figures.floor import Ages, boards
from monitor.figures.intake import intake, racks, stranger_places
from monitor.ledger import Ledger, Reason
from shared.entries import Refused
from shared.quantities import hours
from shared.version import software


def build(
    ledger: Ledger,
    refused: Refused,
    *,
    recorded_sha256: str | None = None,
    now_ms: int | None = None,
    ages: Ages | None = None,
) -> doc.Figures:
    """The figures as they stand.

    ``now_ms`` (a clock's time, for a live service) tells only whether a board is silent; without it the time of the
    last journal entry does, so that a replay gives the same bytes every time. ``ages`` tell it by a clock that cannot
    be set; they stand before ``now_ms``. ``recorded_sha256`` is the hash of the campaign that the run was recorded
    under, where it says.
    """
    campaign = ledger.campaign
    failed = failed_chips(ledger)
    counted = [f for f in failed if not f.not_relevant]
    at_risk = len(campaign.chips) - len(failed)
    at_ms = now_ms if now_ms is not None else ledger.as_of_ms
    floor = boards(ledger, failed, at_ms, ages)
    reads, lots = _reads(ledger), _lots(ledger, failed)
    strangers = stranger_places(ledger, refused)
    standing, plan = Standing.of(ledger, failed), _plan(ledger)
    every = standing.with_every_failure()
    aim, met_all = target(standing, at_risk), target(every, at_risk).met
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
        mechanisms=mechanisms(standing, every),
        read_error=_read_error(ledger, reads),
        target=aim,
        pooling=_pooling(lots),
        coverage=_coverage(standing),
        lots=lots,
        failures=[_failure(ledger, f) for f in failed],
        incidents=incidents(campaign, failed),
        boards=floor,
        intake=intake(ledger, refused, strangers),
        plan=plan,
        total=totals(standing),
        forecast=forecast(standing, at_risk, plan.elapsed_h),
        drift=drift(standing),
        provenance=doc.Provenance(campaign.source.sha256, recorded_sha256, software()),
        cautions=_cautions(campaign, aim, met_all),
        racks=racks(ledger, refused),
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


def _read_error(ledger: Ledger, reads: doc.Reads) -> list[doc.ReadErrorBound]:
    campaign = ledger.campaign
    bits, widest, rate = campaign.macro.bits, _widest_error(ledger), campaign.claims.mixture_rate

    def per_bit(per_read: float | None) -> float | None:
        return None if per_read is None or bits is None else doc.finite(per_bit_upper(per_read, bits, widest))

    found = []
    for confidence in campaign.confidence:
        look = per_read_upper(reads.errors_at_risk, reads.credited, confidence)
        always = per_read_anytime_upper(reads.errors_at_risk, reads.credited, confidence, rate)
        found.append(
            doc.ReadErrorBound(
                confidence, doc.finite(look), doc.finite(always), per_bit(look), per_bit(always)
            )
        )
    return found


def _widest_error(ledger: Ledger) -> int:
    """Wrong bits that a failed read is taken to have: the most that any error message shows, 1 where none came.

    A whole word as soon as counters show failed reads of a chip at risk that no message tells of.
    """
    bits, accounts = ledger.campaign.macro.bits or 1, ledger.accounts
    untold = any(seen > told for seen, told in zip(accounts.errors_at_risk, accounts.told, strict=True))
    return bits if untold else min(max(accounts.widest, 1), bits)


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
    counts = failures_by_mechanism(ledger, mine)
    return doc.LotFigures(
        lot=lot,
        loaded=len(indices),
        failed=sum(not f.not_relevant for f in mine),
        failed_all=len(mine),
        credited_h=hours(int(accounts.credited_ms[indices].sum())),
        reads_credited=sum(accounts.reads_credited[indices].tolist()),
        mechanisms=[
            doc.LotMechanism(m.name, h, r, fixed(campaign, r, h), anytime(campaign, r, h))
            for m, h, r in zip(campaign.mechanisms, equivalent_h, counts, strict=False)  # guards after them
        ],
    )


def _pooling(lots: list[doc.LotFigures]) -> doc.PoolingFigures:
    """Lots compared over credited hours: they share the stress, so its acceleration cancels."""
    pooling = homogeneity([lot.failed for lot in lots], [lot.credited_h for lot in lots])
    return doc.PoolingFigures(pooling.p_value, pooling.verdict, pooling.method)


def _coverage(standing: Standing) -> doc.CoverageFigures:
    campaign, accounts = standing.ledger.campaign, standing.ledger.accounts
    use, words = campaign.use, campaign.macro.words
    credited = accounts.reads_credited.astype(np.float64)
    life_reads = field_reads(use.reads_per_day, use.life_years)
    life = [
        coverage(standing.chip_h[basis.row], field_hours(use.life_years))
        for basis in standing.all_claimed(max(campaign.confidence))
    ]
    return doc.CoverageFigures(
        reads=_ratios(coverage(credited, life_reads)),
        life=[
            doc.LifeRatios(m.name, c.least, c.median, c.most, c.fleet)
            for m, c in zip(campaign.mechanisms, life, strict=True)
        ],
        reads_on=use.reads_on,
        words=words,
        reads_word=None if words is None else _ratios(coverage(credited / words, life_reads)),
    )


def _ratios(covered: Coverage) -> doc.Ratios:
    return doc.Ratios(covered.least, covered.median, covered.most, covered.fleet)


def _cautions(campaign: Campaign, aim: doc.Target, met_all: bool) -> list[str]:
    """Claims that are legal but weak."""
    said = [str(warning) for warning in campaign.warnings]
    if aim.fixed.met and not aim.met:
        said.append(
            f"target: the one-look bound meets {aim.fit:g} FIT and the any-time bound does not; who stops for that "
            f"reason, and would have gone on after one failure more, claims {aim.fixed.watched_confidence:.0%} and "
            f"not {aim.confidence:.0%}"
        )
    if aim.met and not met_all:
        said.append("target: met after disposition, NOT met with every failed chip counted")
    return said


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
        life_years=campaign.use.life_years,
        elapsed_h=hours(int(ledger.accounts.credited_ms.max(initial=0))),
        running_h=hours(last_ms - first_ms) if first_ms is not None and last_ms is not None else 0.0,
    )
