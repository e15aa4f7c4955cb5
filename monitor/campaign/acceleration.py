"""Whether the mechanisms accelerate by factors that can be reckoned with, anywhere inside the stress limits."""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.campaign.model import Problem, Stress, Use
from monitor.claims import Mechanism, acceleration_factor

_MOST = 1e15  # orders of magnitude beyond any real stress; a slip in a unit or a sign goes further
_MOST_SPREAD = (
    100.0  # of the factor at a limit over that at the set-point: the room weighted hours are kept with
)


def check_acceleration(
    stress: Stress, use: Use, mechanisms: Sequence[Mechanism], problems: list[Problem]
) -> None:
    """Note every mechanism whose factor is out of bounds at the set-point or at a corner of the limits."""
    corners = [
        (float(temp_c), float(supply_v))
        for temp_c in (stress.temp_c - stress.temp_tol_minus_c, stress.temp_c + stress.temp_tol_plus_c)
        for supply_v in (stress.supply_v - stress.supply_tol_v, stress.supply_v + stress.supply_tol_v)
    ]
    set_point = (float(stress.temp_c), float(stress.supply_v))
    for i, mechanism in enumerate(mechanisms, 1):
        usual, *at_limits = (_factor(stress, use, mechanism, *at) for at in (set_point, *corners))
        if not (1 / _MOST <= usual <= _MOST and max(at_limits) <= _MOST_SPREAD * usual):
            found = f"accelerates {usual:.3g} times at the set-point, {max(at_limits):.3g} times at a limit"
            allowed = (
                f"{1 / _MOST:g} to {_MOST:g}, and at a limit at most {_MOST_SPREAD:g} times as much, is needed; "
                "look at ea_ev, gamma_per_v and voltage_exponent, and at share, temp_c, self_heating_c, supply_v, "
                "temp_tol_minus_c, temp_tol_plus_c and supply_tol_v of stress and use"
            )
            problems.append(Problem(f"mechanism[{i}]", found, allowed))


def _factor(stress: Stress, use: Use, mechanism: Mechanism, temp_c: float, supply_v: float) -> float:
    """The factor; infinite where no double holds it."""
    try:
        return float(
            acceleration_factor(mechanism, use.profile, temp_c, supply_v, float(stress.self_heating_c))
        )
    except (ValueError, OverflowError, FloatingPointError):
        return math.inf
