"""What a valid campaign is. Quantities that are compared as the decimal numbers written are kept as Decimal."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from monitor.claims import Energy, Mechanism, UseCondition


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong (or, as a warning, doubtful): where, what was found, what is allowed."""

    where: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.where}: {self.found}; {self.allowed}"


@dataclass(frozen=True, slots=True)
class Source:
    """The texts a campaign is made from: the TOML file and, where it names one, the chips CSV."""

    name: str
    toml: str
    chips_csv: str | None = None

    @property
    def sha256(self) -> str:
        """Hash over both texts, hex."""
        digest = hashlib.sha256(self.toml.encode())
        if self.chips_csv is not None:
            digest.update(b"\0" + self.chips_csv.encode())
        return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class Stress:
    """Conditions of the stress and the limits of what is credited."""

    temp_c: Decimal
    temp_tol_minus_c: Decimal
    temp_tol_plus_c: Decimal
    supply_v: Decimal
    supply_tol_v: Decimal
    read_rate_hz: Decimal
    report_interval_s: Decimal
    self_heating_c: Decimal
    min_read_fraction: Decimal
    max_read_fraction: Decimal
    max_gap_s: Decimal
    bridge_gap_s: Decimal
    reorder_hold_s: Decimal
    accelerate_at: Literal["measured", "setpoint"]


@dataclass(frozen=True, slots=True)
class Use:
    """The field life that is to be covered."""

    life_years: float
    reads_per_day: float
    reads_on: Literal["macro", "word"]  # whether reads_per_day spread over the macro or fall on one hot word
    profile: tuple[UseCondition, ...]


@dataclass(frozen=True, slots=True)
class Macro:
    """Geometry of the memory macro of a chip; None where the campaign does not say."""

    words: int | None
    bits: int | None  # of a word


@dataclass(frozen=True, slots=True)
class ClaimsRule:
    """What is fixed about the claims before the first look.

    ``failures_allowed`` (R) declares a pass line, ``discrimination`` (the target over the rate of a good product) a
    sequential plan; None where the campaign declares none.
    """

    mixture_rate: float
    failures_allowed: int | None
    discrimination: float | None
    producer_risk: float
    consumer_risk: float
    weibull_shapes: tuple[float, ...]
    early_life_h: float


@dataclass(frozen=True, slots=True)
class FailureRule:
    """When a chip has failed, and when several failures look like one incident of the equipment."""

    errors: int
    common_cause_chips: int
    common_cause_s: Decimal


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip under test and the place where it sits."""

    serial: str
    lot: str
    rack: str
    board: int
    socket: int
    wafer: str = ""
    x: str = ""
    y: str = ""


@dataclass(frozen=True, slots=True)
class Campaign:
    """A valid campaign. ``warnings`` are doubts that do not stop it."""

    id: str
    title: str
    planned_hours: float
    read_points_h: tuple[float, ...]
    confidence: tuple[float, ...]
    target_fit: float
    stress: Stress
    use: Use
    failure: FailureRule
    prefix: str
    claims: ClaimsRule
    macro: Macro
    mechanisms: tuple[Mechanism, ...]
    energies: tuple[Energy, ...]  # what is stated of each mechanism's Ea besides its value
    chips: tuple[Chip, ...]
    source: Source
    warnings: tuple[Problem, ...]
