"""Doubts about a campaign that do not stop it: a claim that is legal but weak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from monitor.campaign.model import Chip, Macro, Problem, Stress, Use
from monitor.claims import (
    EA_SWING_EV,
    EaNormal,
    Energy,
    Mechanism,
    acceleration_factor,
    rises_with_ea,
    weaknesses,
)
from shared.quantities import RESEND_AFTER_S

LEAST_LOTS = 3
LEAST_CHIPS_OF_A_LOT = 77
_STANDARD = "JESD47 and AEC-Q100 ask for 3 lots of 77 chips; see the revision that applies"


def warnings(  # noqa: PLR0917  the parts of a campaign file that a claim rests on
    stress: Stress,
    use: Use,
    macro: Macro,
    mechanisms: Sequence[Mechanism],
    energies: Sequence[Energy],
    chips: Sequence[Chip],
) -> tuple[Problem, ...]:
    """Every doubt, in the order of the file."""
    return (
        *_conditions(stress, use),
        *_set_point(stress, use, mechanisms),
        *_reads(use, macro),
        *_extrapolation(stress, use, mechanisms),
        *_certain(stress, use, mechanisms, energies),
        *_sample(chips),
    )


def check_energies(
    stress: Stress,
    use: Use,
    mechanisms: Sequence[Mechanism],
    energies: Sequence[Energy],
    problems: list[Problem],
) -> None:
    """A normal error of Ea is bounded on one side, which is only right where the factor rises with Ea."""
    coldest_c = float(stress.temp_c - stress.temp_tol_minus_c)
    for i, (mechanism, energy) in enumerate(zip(mechanisms, energies, strict=True), 1):
        if isinstance(energy, EaNormal) and not rises_with_ea(
            use.profile, coldest_c, float(stress.self_heating_c)
        ):
            found = f"{mechanism.name}: a condition of use is as hot as the stress may be"
            problems.append(
                Problem(f"mechanism[{i}].ea_sd_ev", found, "give ea_low_ev and ea_high_ev instead")
            )


def _conditions(stress: Stress, use: Use) -> list[Problem]:
    found = []
    if stress.reorder_hold_s < 2 * Decimal(RESEND_AFTER_S):
        text = f"under twice the {RESEND_AFTER_S:g} s after which a rack sends again: that may come too late for credit"
        found.append(Problem("stress.reorder_hold_s", f"found {stress.reorder_hold_s}", text))
    if any(float(stress.supply_v) < line.supply_v for line in use.profile):
        text = "below the supply in use, so a voltage term slows the mechanism down"
        found.append(Problem("stress.supply_v", f"found {stress.supply_v}", text))
    return found


def _reads(use: Use, macro: Macro) -> list[Problem]:
    """A sweep reads each of W words only once in W reads: coverage of a hot word needs W."""
    if use.reads_on == "word" and macro.words is None:
        text = "without macro.words the reads of one word are not known, and their coverage is not claimed"
        return [Problem("use.reads_on", 'found "word"', text)]
    return []


def _extrapolation(stress: Stress, use: Use, mechanisms: Sequence[Mechanism]) -> list[Problem]:
    at = (float(stress.temp_c), float(stress.supply_v), float(stress.self_heating_c))
    return [
        Problem(f"mechanism[{i}]", mechanism.name, weakness)
        for i, mechanism in enumerate(mechanisms, 1)
        for weakness in weaknesses(mechanism, use.profile, *at)
    ]


def _set_point(stress: Stress, use: Use, mechanisms: Sequence[Mechanism]) -> list[Problem]:
    """Credit at the set-point takes hours at the lower limits for more than they are."""
    if stress.accelerate_at != "setpoint" or not mechanisms:
        return []
    heating_c = float(stress.self_heating_c)
    asked = (float(stress.temp_c), float(stress.supply_v))
    least = (float(stress.temp_c - stress.temp_tol_minus_c), float(stress.supply_v - stress.supply_tol_v))
    times = max(
        float(acceleration_factor(m, use.profile, *asked, heating_c))
        / float(acceleration_factor(m, use.profile, *least, heating_c))
        for m in mechanisms
    )
    text = f'an hour at the lower limits is credited up to {times:.3g} times too high; "measured" credits what was'
    return [Problem("stress.accelerate_at", 'found "setpoint"', text)] if times > 1 else []


def _certain(
    stress: Stress, use: Use, mechanisms: Sequence[Mechanism], energies: Sequence[Energy]
) -> list[Problem]:
    """An activation energy without an uncertainty: how far the claim would be off were it a little less."""
    at = (use.profile, float(stress.temp_c), float(stress.supply_v), float(stress.self_heating_c))
    found = []
    for i, (mechanism, energy) in enumerate(zip(mechanisms, energies, strict=True), 1):
        if energy is None and mechanism.ea_ev:
            less = replace(mechanism, ea_ev=mechanism.ea_ev - EA_SWING_EV)
            times = float(acceleration_factor(mechanism, *at)) / float(acceleration_factor(less, *at))
            text = (
                f"taken as certain; were it {EA_SWING_EV:g} eV less, every bound would be {times:.3g} times as high: "
                "state ea_low_ev and ea_high_ev, or ea_sd_ev"
            )
            found.append(Problem(f"mechanism[{i}].ea_ev", f"{mechanism.name}, {mechanism.ea_ev:g} eV", text))
    return found


def _sample(chips: Sequence[Chip]) -> list[Problem]:
    lots: dict[str, int] = {}
    for chip in chips:
        lots[chip.lot] = lots.get(chip.lot, 0) + 1
    found = []
    if len(lots) < LEAST_LOTS:
        found.append(Problem("chips", f"{len(lots)} of at least {LEAST_LOTS} lots", _STANDARD))
    small = [f"{lot} {count}" for lot, count in lots.items() if count < LEAST_CHIPS_OF_A_LOT]
    if small:
        shown = ", ".join(small[:5]) + (", .." if len(small) > 5 else "")
        found.append(Problem("chips", f"lots under {LEAST_CHIPS_OF_A_LOT} chips: {shown}", _STANDARD))
    return found
