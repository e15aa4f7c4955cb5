"""What an operating-life campaign lets one say: acceleration, bounds, plans, life, drift, and what is still to come.

Pure functions on numbers and arrays; results are frozen. Dependency rule: numpy and scipy inside, nothing of ours
outside this package (no campaign, no ledger, no wire contract), no I/O, no clock. So each figure can be checked
against a published number with nothing else set up. Arguments out of range raise ValueError, which names the argument
and what was got.

- Stress to use: ``acceleration``, ``uncertainty`` (of what is not known exactly).
- Bounds on the rate: ``bounds`` (one look), ``anytime``, ``total`` (several mechanisms), ``reads``.
- Rules for stopping: ``stopping`` (pass line), ``sequential`` (Wald's test).
- Life: ``life`` (assumed shape), ``lifefit``, ``survival``, ``early``, ``coverage``.
- Measured values: ``drift`` (at read points), ``extrapolation`` (to the end of life).
- Lots: ``pooling``. Ahead: ``target``, ``forecast``, ``planning``, ``slowest``, ``samples``, ``binomial``.
"""

from __future__ import annotations

from monitor.claims.acceleration import (
    BOLTZMANN_EV_PER_K,
    ZERO_C_K,
    Mechanism,
    UseCondition,
    acceleration_factor,
    effective_temp_c,
    weaknesses,
)
from monitor.claims.anytime import anytime_upper_count, anytime_upper_fit
from monitor.claims.bounds import (
    FIT_PER_HOUR,
    FixedLookBound,
    MttfBound,
    failure_truncated_bound,
    fixed_look_bound,
    mttf_bound,
    poisson_lower_count,
    poisson_upper_count,
    poisson_upper_counts,
    two_sided_bound,
)
from monitor.claims.coverage import Coverage, coverage, field_hours, field_reads
from monitor.claims.early import EarlyLife, early_life
from monitor.claims.forecast import ASSUMPTIONS as FORECAST_ASSUMPTIONS
from monitor.claims.forecast import chance_at_the_end, chance_by_the_end
from monitor.claims.life import LifeBound, weibayes
from monitor.claims.lifefit import LifeFit, TwoSidedLimits, fit_life
from monitor.claims.pooling import Pooling, homogeneity
from monitor.claims.reads import per_bit_upper, per_read_anytime_upper, per_read_upper
from monitor.claims.sequential import Risks, SequentialPlan, exact_risks, sequential_plan
from monitor.claims.stopping import PassLine, pass_line, pass_probability, watched_miss_probability
from monitor.claims.survival import StepCurve, kaplan_meier, nelson_aalen
from monitor.claims.target import HoursToGo, hours_to_go, required_equivalent_h
from monitor.claims.total import TotalBound, total_bound
from monitor.claims.uncertainty import (
    EA_SWING_EV,
    EaInterval,
    EaNormal,
    Energy,
    Swing,
    TornadoRow,
    claimed_energies_ev,
    count_confidence,
    floor_factor,
    guarded_confidence,
    rises_with_ea,
    tornado,
)

__all__ = [
    "BOLTZMANN_EV_PER_K",
    "EA_SWING_EV",
    "FIT_PER_HOUR",
    "FORECAST_ASSUMPTIONS",
    "ZERO_C_K",
    "Coverage",
    "EaInterval",
    "EaNormal",
    "EarlyLife",
    "Energy",
    "FixedLookBound",
    "HoursToGo",
    "LifeBound",
    "LifeFit",
    "Mechanism",
    "MttfBound",
    "PassLine",
    "Pooling",
    "Risks",
    "SequentialPlan",
    "StepCurve",
    "Swing",
    "TornadoRow",
    "TotalBound",
    "TwoSidedLimits",
    "UseCondition",
    "acceleration_factor",
    "anytime_upper_count",
    "anytime_upper_fit",
    "chance_at_the_end",
    "chance_by_the_end",
    "claimed_energies_ev",
    "count_confidence",
    "coverage",
    "early_life",
    "effective_temp_c",
    "exact_risks",
    "failure_truncated_bound",
    "field_hours",
    "field_reads",
    "fit_life",
    "fixed_look_bound",
    "floor_factor",
    "guarded_confidence",
    "homogeneity",
    "hours_to_go",
    "kaplan_meier",
    "mttf_bound",
    "nelson_aalen",
    "pass_line",
    "pass_probability",
    "per_bit_upper",
    "per_read_anytime_upper",
    "per_read_upper",
    "poisson_lower_count",
    "poisson_upper_count",
    "poisson_upper_counts",
    "required_equivalent_h",
    "rises_with_ea",
    "sequential_plan",
    "tornado",
    "total_bound",
    "two_sided_bound",
    "watched_miss_probability",
    "weaknesses",
    "weibayes",
]
