"""Whether the mechanisms accelerate by factors that can be reckoned with, anywhere inside the stress limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from monitor.campaign.model import Problem, Stress, Use
from monitor.claims import EaInterval, EaNormal, Energy, Mechanism, acceleration_factor

_MOST = 1e15  # orders of magnitude beyond any real stress; a slip in a unit or a sign goes further
_TAIL_SD = 5.0  # an error of 3e-7, half of what the highest confidence leaves
_MOST_SPREAD = (
    100.0  # of the factor at a limit over that at the set-point: the room weighted hours are kept with
)


def check_acceleration(
    stress: Stress,
    use: Use,
    mechanisms: Sequence[Mechanism],
    energies: Sequence[Energy],
    problems: list[Problem],
) -> None:
    """Note every mechanism whose factor is out of bounds at the set-point or at a corner of the limits.

    Asked at the stated activation energy and at the ends of what is stated of it.
    """
    corners = [
        (float(temp_c), float(supply_v))
        for temp_c in (stress.temp_c - stress.temp_tol_minus_c, stress.temp_c + stress.temp_tol_plus_c)
        for supply_v in (stress.supply_v - stress.supply_tol_v, stress.supply_v + stress.supply_tol_v)
    ]
    set_point = (float(stress.temp_c), float(stress.supply_v))
    for i, (stated, energy) in enumerate(zip(mechanisms, energies, strict=True), 1):
        for mechanism in (stated, *(replace(stated, ea_ev=ea_ev) for ea_ev in _ends(energy))):
            usual, *at_limits = (_factor(stress, use, mechanism, *at) for at in (set_point, *corners))
            if 1 / _MOST <= usual <= _MOST and max(at_limits) <= _MOST_SPREAD * usual:
                continue
            found = (
                f"at Ea {mechanism.ea_ev:g} eV accelerates {usual:.3g} times at the set-point, "
                f"{max(at_limits):.3g} times at a limit"
            )
            allowed = (
                f"{1 / _MOST:g} to {_MOST:g}, and at a limit at most {_MOST_SPREAD:g} times as much, is needed; "
                "look at ea_ev, gamma_per_v and voltage_exponent, and at share, temp_c, self_heating_c, supply_v, "
                "temp_tol_minus_c, temp_tol_plus_c and supply_tol_v of stress and use"
            )
            problems.append(Problem(f"mechanism[{i}]", found, allowed))
            break


def _ends(energy: Energy) -> tuple[float, ...]:
    """The activation energies to look at besides the stated one; a normal error reaches far down its tail."""
    match energy:
        case EaInterval(low_ev=low_ev, high_ev=high_ev):
            return low_ev, high_ev
        case EaNormal(mean_ev=mean_ev, sd_ev=sd_ev):
            return (mean_ev - _TAIL_SD * sd_ev,)
        case None:
            return ()


def _factor(stress: Stress, use: Use, mechanism: Mechanism, temp_c: float, supply_v: float) -> float:
    """The factor; infinite where no double holds it."""
    try:
        return float(
            acceleration_factor(mechanism, use.profile, temp_c, supply_v, float(stress.self_heating_c))
        )
    except (ValueError, OverflowError, FloatingPointError):
        return math.inf
