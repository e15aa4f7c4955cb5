"""Drift of the parameters that were measured at read points, from what was entered into the journal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

from monitor.claims import field_hours
from monitor.claims.drift import Limits, MeasuredParameter, Measurement, late_readouts
from monitor.claims.extrapolation import Extrapolation, ParameterDrift, parameter_drift
from monitor.figures import document as doc
from monitor.figures.basis import Basis, Standing
from shared.entries import Readout, ReadPointFile
from shared.quantities import MS_PER_H

_MOST = 1e40


def drift(standing: Standing) -> list[doc.ParameterFigures]:
    """Every parameter in the order in which it was entered first; of a place measured twice the later value stands."""
    files = standing.ledger.readpoints
    if not files:
        return []
    campaign = standing.ledger.campaign
    known = {chip.serial for chip in campaign.chips}
    confidence = max(campaign.confidence)
    bases = standing.all_claimed(confidence)
    life_h = field_hours(campaign.use.life_years)
    found = []
    for name, (mechanism, readouts) in _by_parameter(files, known).items():
        basis = _basis(bases, mechanism)
        shown = _shown(name, basis.name, readouts, life_h, basis.acceleration, confidence)
        if shown is not None:
            found.append(shown)
    return found


def _by_parameter(
    files: Iterable[ReadPointFile], known: set[str]
) -> dict[str, tuple[str, tuple[Readout, ...]]]:
    """Mechanism and standing readouts of each parameter."""
    mechanisms: dict[str, str] = {}
    standing: dict[str, dict[tuple[str, float], Readout]] = {}
    for file in files:
        for readout in file.readouts:
            if readout.serial in known and _is_ordinary(readout):
                mechanisms[readout.parameter] = file.mechanism
                places = standing.setdefault(readout.parameter, {})
                places.pop(
                    (readout.serial, readout.read_point_h), None
                )  # so that the last one entered stands last
                places[readout.serial, readout.read_point_h] = readout
    return {name: (mechanisms[name], tuple(places.values())) for name, places in standing.items()}


def _is_ordinary(readout: Readout) -> bool:
    """Whether the value is of a size that a quantity has, as in every file that was checked on entering."""
    return abs(readout.value) <= _MOST and readout.read_point_h <= _MOST


def _basis(bases: Sequence[Basis], mechanism: str) -> Basis:
    """The basis of the mechanism named; of one that the campaign does not name, the least accelerated."""
    for basis in bases:
        if basis.name == mechanism:
            return basis
    return min(bases, key=lambda basis: basis.acceleration)


@lru_cache(maxsize=64)  # readouts come rarely, figures are made all the time
def _shown(  # noqa: PLR0917  what a result depends on, so that it can be kept
    name: str,
    mechanism: str,
    readouts: tuple[Readout, ...],
    life_h: float,
    acceleration: float,
    confidence: float,
) -> doc.ParameterFigures | None:
    last = readouts[-1]
    measurements = tuple(
        Measurement(r.serial, r.read_point_h, r.value, off_stress_h(r))
        for r in readouts
        if r.unit == last.unit
    )
    try:
        parameter = MeasuredParameter(name, last.unit, Limits(last.low_limit, last.high_limit), measurements)
        found = parameter_drift(parameter, life_h, acceleration, confidence)
        late = late_readouts(measurements)
    except ValueError:  # limits or values of a run from elsewhere that no read point file would pass
        return None
    return doc.ParameterFigures(
        parameter=name,
        unit=last.unit,
        low_limit=last.low_limit,
        high_limit=last.high_limit,
        mechanism=mechanism,
        confidence=confidence,
        life_stress_h=found.life_stress_h,
        read_points=_points(found),
        shifted=[doc.ShiftedLine(s.serial, s.read_point_h, s.change) for s in found.shifted],
        outside=[doc.OutsideLine(f.serial, f.read_point_h, f.value) for f in found.failures],
        late=[doc.LateLine(x.serial, x.read_point_h, x.off_stress_h, x.restress_h) for x in late],
        extrapolations=[_extrapolation(e) for e in found.extrapolations],
    )


def off_stress_h(readout: Readout) -> float | None:
    """Hours from the end of stress to the measurement; None where the two times are not both known."""
    if readout.removed_ms is None or readout.measured_ms is None:
        return None
    return (readout.measured_ms - readout.removed_ms) / MS_PER_H


def _points(found: ParameterDrift) -> list[doc.ReadPointLine]:
    return [
        doc.ReadPointLine(
            p.read_point_h, p.n, p.median, p.least_margin, p.worst_serial, p.median_change, p.shift_beyond
        )
        for p in found.read_points
    ]


def _extrapolation(e: Extrapolation) -> doc.ExtrapolationLine:
    p = e.prediction
    return doc.ExtrapolationLine(
        model=e.model,
        serial=e.serial,
        shown_for=list(e.shown_for),
        value=p.value if p else None,
        low_end=p.low_end if p else None,
        high_end=p.high_end if p else None,
        bound=p.bound if p else None,
        inside=p.inside if p else None,
        inside_with_confidence=p.inside_with_confidence if p else None,
        reason=e.reason,
    )
