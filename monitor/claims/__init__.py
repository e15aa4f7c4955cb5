"""What may be claimed from an account: acceleration, bounds, coverage, the way to the target, pooling.

Pure functions on numbers and arrays; results are frozen. Dependency rule: numpy and scipy inside, nothing of ours
outside this package (no campaign, no ledger, no wire contract), no I/O, no clock. So each figure can be checked
against a published number with nothing else set up. Arguments out of range raise ValueError, which names the argument
and what was got.
"""

from __future__ import annotations

from monitor.claims.acceleration import (
    BOLTZMANN_EV_PER_K,
    ZERO_C_K,
    Mechanism,
    UseCondition,
    acceleration_factor,
)
from monitor.claims.bounds import (
    FixedLookBound,
    anytime_upper_count,
    anytime_upper_fit,
    fixed_look_bound,
    per_read_upper,
    poisson_lower_count,
    poisson_upper_count,
)
from monitor.claims.coverage import Coverage, coverage, field_hours, field_reads
from monitor.claims.pooling import Pooling, homogeneity
from monitor.claims.target import HoursToGo, hours_to_go, required_equivalent_h

__all__ = [
    "BOLTZMANN_EV_PER_K",
    "ZERO_C_K",
    "Coverage",
    "FixedLookBound",
    "HoursToGo",
    "Mechanism",
    "Pooling",
    "UseCondition",
    "acceleration_factor",
    "anytime_upper_count",
    "anytime_upper_fit",
    "coverage",
    "field_hours",
    "field_reads",
    "fixed_look_bound",
    "homogeneity",
    "hours_to_go",
    "per_read_upper",
    "poisson_lower_count",
    "poisson_upper_count",
    "required_equivalent_h",
]
