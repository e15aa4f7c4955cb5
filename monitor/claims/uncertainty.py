"""What becomes of a bound when the activation energy, or another stated parameter, is not known exactly.

Three answers. An **interval** that surely holds the activation energy is taken at its worst end: the confidence is
kept. An **estimate with a standard deviation** is taken at a lower confidence limit, and the error allowed is split
between it and the count (Bonferroni's inequality): the confidence is kept. The **average** over the estimate is there
to be looked at and is never a claim: at 60 % it can lie below the bound that takes the estimate for exact.

And a **tornado**: which parameter the bound hangs on most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import gammainc, ndtri

from monitor.claims import _checks
from monitor.claims.acceleration import ZERO_C_K, Mechanism, UseCondition, acceleration_factor
from monitor.claims.bounds import FIT_PER_HOUR, poisson_upper_count

EA_SWING_EV = 0.1
"""Trial swing of the activation energy, in eV: common practice, no source."""

VOLTAGE_TERM_SWING = 0.2
"""Trial swing of the voltage term, as a share of it: common practice, no source."""

SELF_HEATING_SWING_C = 5.0
"""Trial swing of the self-heating under stress, in °C: common practice, no source."""

USE_TEMP_SWING_C = 5.0
"""Trial swing of the use temperature, all lines of the profile together, in °C: common practice, no source."""

STRESS_TEMP_SWING_C = 2.0
"""Trial swing of the stress temperature, an error of measurement, in °C: common practice, no source."""

_EQUAL_SHARES = 0.5
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(64)
_WEIGHTS = _WEIGHTS / math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True)
class EaInterval:
    """An interval in eV that surely holds the activation energy; its ends may be equal."""

    low_ev: float
    high_ev: float

    def __post_init__(self) -> None:
        _checks.finite("low_ev", self.low_ev)
        _checks.finite("high_ev", self.high_ev)
        if self.high_ev < self.low_ev:
            raise ValueError(f"high_ev must be at least low_ev, {self.low_ev!r}; got {self.high_ev!r}")


@dataclass(frozen=True, slots=True)
class EaNormal:
    """An estimate of the activation energy with a normal error: mean and standard deviation in eV."""

    mean_ev: float
    sd_ev: float

    def __post_init__(self) -> None:
        _checks.finite("mean_ev", self.mean_ev)
        _checks.positive("sd_ev", self.sd_ev)

    def lower_ev(self, error_share: float) -> float:
        """The lower limit in eV that the true value is below with probability ``error_share`` (0 to 1, excluded)."""
        _checks.open_share("error_share", error_share)
        return self.mean_ev + self.sd_ev * float(ndtri(error_share))


Energy = EaInterval | EaNormal | None
"""What is stated of an activation energy besides its value; None: it is taken as certain."""


@dataclass(frozen=True, slots=True)
class Swing:
    """How far one parameter may be off. ``stated``: somebody stands for these ends; else they are a trial."""

    parameter: str
    low: float
    high: float
    stated: bool

    def __post_init__(self) -> None:
        _checks.finite("low", self.low)
        _checks.finite("high", self.high)
        if self.high < self.low:
            raise ValueError(f"high must be at least low, {self.low!r}; got {self.high!r}")


@dataclass(frozen=True, slots=True)
class TornadoRow:
    """The bound in FIT with one parameter at the low and at the high end of its swing, all else as it is."""

    parameter: str
    low: float
    high: float
    fit_at_low: float
    fit_at_high: float
    stated: bool


def floor_factor(  # noqa: PLR0917  acceleration_factor's arguments and the interval
    mechanism: Mechanism,
    ea_interval: EaInterval,
    profile: Sequence[UseCondition],
    temp_c: ArrayLike,
    supply_v: ArrayLike,
    self_heating_c: float,
) -> NDArray[np.float64]:
    """The least acceleration factor over an interval of the activation energy; shape and errors of the factor.

    Proof that it lies at an end: ``1 / AF = sum_i share_i exp(-L_i)`` with each ``L_i`` linear in the activation energy
    is a sum of convex functions, hence convex, and a convex function on an interval is largest at an end.

    Elementwise: in an account kept interval by interval each gets its own worst end, so the hours summed with this
    factor are at most the least sum over the interval, and the bound over them holds wherever in it the truth is. The
    activation energy of ``mechanism`` itself plays no part.
    """
    low, high = (
        acceleration_factor(replace(mechanism, ea_ev=ea_ev), profile, temp_c, supply_v, self_heating_c)
        for ea_ev in (ea_interval.low_ev, ea_interval.high_ev)
    )
    return np.asarray(np.minimum(low, high), dtype=np.float64)


def rises_with_ea(profile: Sequence[UseCondition], temp_c: ArrayLike, self_heating_c: float) -> bool:
    """Whether a larger activation energy means a larger factor: every stress junction hotter than every use junction.

    ``temp_c`` (°C, ambient) is a number or an array; without any stress temperature it is true.
    """
    hottest_use_k = max((use.junction_k for use in profile), default=-math.inf)
    return bool(np.all(np.asarray(temp_c, dtype=np.float64) + self_heating_c + ZERO_C_K > hottest_use_k))


def guarded_confidence(confidence: float, ea_share: float = _EQUAL_SHARES) -> float:
    """The confidence to ask of the count when ``ea_share`` of the error allowed goes to the activation energy.

    With ``alpha = 1 - confidence``, the activation energy gets ``alpha1 = ea_share alpha`` (see ``guarded_factor``) and
    the count ``alpha2 = alpha - alpha1``; by Bonferroni's inequality both hold with probability ``1 - alpha`` at least,
    independent or not. Good for fixed-look and anytime counts alike. ``ea_share``: 0 to 1, both excluded.
    """
    _checks.confidence_level(confidence)
    _checks.open_share("ea_share", ea_share)
    return 1.0 - (1.0 - confidence) * (1.0 - ea_share)


def claimed_energies_ev(
    energies: Sequence[Energy], confidence: float
) -> tuple[tuple[float, ...] | None, ...]:
    """Per mechanism the activation energies in eV of which the least factor is claimed; None: it is certain.

    Both ends of an interval, at any confidence. The lower limit of a normal error that goes with
    ``guarded_confidence(confidence)``: the half of the error allowed that is not the count's is shared by all normal
    errors, so that a total over the mechanisms keeps its confidence too.
    """
    normals = sum(isinstance(energy, EaNormal) for energy in energies)
    found: list[tuple[float, ...] | None] = []
    for energy in energies:
        match energy:
            case EaInterval(low_ev=low_ev, high_ev=high_ev):
                found.append((low_ev, high_ev))
            case EaNormal():
                found.append((energy.lower_ev((1 - guarded_confidence(confidence)) / normals),))
            case None:
                found.append(None)
    return tuple(found)


def count_confidence(energy: Energy, confidence: float) -> float:
    """What a stated activation energy leaves of the confidence to the count of failures."""
    return guarded_confidence(confidence) if isinstance(energy, EaNormal) else confidence


def guarded_factor(  # noqa: PLR0917  acceleration_factor's arguments, the estimate, and the split
    mechanism: Mechanism,
    ea: EaNormal,
    confidence: float,
    profile: Sequence[UseCondition],
    temp_c: ArrayLike,
    supply_v: ArrayLike,
    self_heating_c: float,
    ea_share: float = _EQUAL_SHARES,
) -> NDArray[np.float64]:
    """The factor at the lower limit of the activation energy that goes with ``guarded_confidence(confidence)``.

    ``c_r(guarded_confidence(C)) / H``, the hours H summed with this factor, is an upper bound of confidence C. The
    estimate must not come from the failures counted here after a look at them. The activation energy of ``mechanism``
    itself plays no part. Shape and errors of the factor.

    Raises ValueError where the factor does not rise with the activation energy: the lower limit would not be the
    worst case. An interval (``floor_factor``) serves there.
    """
    if not rises_with_ea(profile, temp_c, self_heating_c):
        raise ValueError(
            "temp_c must put every stress junction above every use junction, or a lower activation energy is not the "
            f"worse one (state an interval instead); got {float(np.min(temp_c))!r}"
        )
    _checks.confidence_level(confidence)
    _checks.open_share("ea_share", ea_share)
    lower_ev = ea.lower_ev((1.0 - confidence) * ea_share)
    return acceleration_factor(replace(mechanism, ea_ev=lower_ev), profile, temp_c, supply_v, self_heating_c)


def averaged_upper_fit(
    failures: int, device_h: float, confidence: float, ea: EaNormal, factor_at: Callable[[float], float]
) -> float:
    """The fixed-look bound in FIT that is right on average over the estimate. **Never a claim.**

    The L at which ``E[P(X > r)] = C`` for a Poisson count X of mean ``L device_h AF(Ea)``, over the normal estimate (64
    nodes of Gauss and Hermite). At 60 % and no failure it may lie below the bound that takes the mean for exact, as if
    not knowing earned something. ``device_h``: hours under stress; ``factor_at``: the factor at an activation energy.
    """
    _checks.positive("device_h", device_h)
    count = poisson_upper_count(failures, confidence)
    nominal = factor_at(ea.mean_ev)
    relative = np.array([factor_at(float(ea_ev)) for ea_ev in ea.mean_ev + ea.sd_ev * _NODES]) / nominal

    def excess(expected: float) -> float:
        return float(_WEIGHTS @ gammainc(failures + 1.0, expected * relative)) - confidence

    expected = brentq(excess, count / float(relative.max()), count / float(relative.min()), rtol=1e-14)
    return float(expected) * FIT_PER_HOUR / (device_h * nominal)


def trial_swings(mechanism: Mechanism) -> tuple[Swing, ...]:
    """The swings tried where nobody stated any: the constants of this module, common practice without a source.

    ``ea_ev``, ``gamma_per_v`` and ``voltage_exponent`` are values (a voltage term only where the mechanism has one);
    ``self_heating_shift_c`` (under stress), ``stress_temp_shift_c`` and ``use_temp_shift_c`` (every line of the
    profile, and the place of an error of the self-heating in use) are added to the temperatures as they are, in °C.
    """
    swings = [_trial("ea_ev", mechanism.ea_ev, EA_SWING_EV)]
    for parameter in ("gamma_per_v", "voltage_exponent"):
        value: float = getattr(mechanism, parameter)
        if value:
            swings.append(_trial(parameter, value, abs(value) * VOLTAGE_TERM_SWING))
    swings += [
        _trial("self_heating_shift_c", 0.0, SELF_HEATING_SWING_C),
        _trial("stress_temp_shift_c", 0.0, STRESS_TEMP_SWING_C),
        _trial("use_temp_shift_c", 0.0, USE_TEMP_SWING_C),
    ]
    return tuple(swings)


def tornado(
    mechanism: Mechanism,
    profile: Sequence[UseCondition],
    temp_c: float,
    supply_v: float,
    self_heating_c: float,
    *,
    failures: int,
    fit_upper: float,
    fit_upper_one_more: float,
    stated: Sequence[Swing] = (),
) -> tuple[TornadoRow, ...]:
    """Which parameter a bound hangs on: the bound at both ends of each swing, the widest first.

    ``temp_c`` (°C, ambient), ``supply_v`` and ``self_heating_c`` are the stress set-point; ``fit_upper`` and
    ``fit_upper_one_more`` the bound in FIT at the ``failures`` so far and at one more, over the same hours. A parameter
    moves the bound by the factor at the set-point as it is over the factor with the parameter moved, which is exact
    for hours credited at the set-point. ``stated`` swings take the place of the trial ones of the same parameter (see
    ``trial_swings`` for the names). The last kind of row, ``failures``, is one failure more. Width is the logarithm of
    the largest over the smallest of the three bounds: at both ends and now.

    Raises ValueError for a bound that is not above 0, one that falls with a further failure, an unknown parameter, and
    as ``acceleration_factor`` does.
    """
    _checks.count("failures", failures)
    _checks.positive("fit_upper", fit_upper)
    if not fit_upper <= fit_upper_one_more < math.inf:
        raise ValueError(
            f"fit_upper_one_more must be finite and at least fit_upper, {fit_upper!r}; got {fit_upper_one_more!r}"
        )
    setting = _Setting(mechanism, tuple(profile), temp_c, supply_v, self_heating_c)
    nominal = setting.factor()
    rows = [TornadoRow("failures", failures, failures + 1, fit_upper, fit_upper_one_more, stated=False)]
    for swing in {each.parameter: each for each in (*trial_swings(mechanism), *stated)}.values():
        at_low, at_high = (
            fit_upper * nominal / setting.moved(swing.parameter, value).factor()
            for value in (swing.low, swing.high)
        )
        rows.append(TornadoRow(swing.parameter, swing.low, swing.high, at_low, at_high, swing.stated))
    return tuple(sorted(rows, key=lambda row: -_log_width(row, fit_upper)))


@dataclass(frozen=True, slots=True)
class _Setting:
    """Everything the factor depends on, so that one parameter can be moved by name."""

    mechanism: Mechanism
    profile: tuple[UseCondition, ...]
    temp_c: float
    supply_v: float
    self_heating_c: float

    def factor(self) -> float:
        return float(
            acceleration_factor(self.mechanism, self.profile, self.temp_c, self.supply_v, self.self_heating_c)
        )

    def moved(self, parameter: str, value: float) -> _Setting:
        match parameter:
            case "ea_ev":
                return replace(self, mechanism=replace(self.mechanism, ea_ev=value))
            case "gamma_per_v":
                return replace(self, mechanism=replace(self.mechanism, gamma_per_v=value))
            case "voltage_exponent":
                return replace(self, mechanism=replace(self.mechanism, voltage_exponent=value))
            case "self_heating_shift_c" | "stress_temp_shift_c":
                return replace(self, temp_c=self.temp_c + value)
            case "use_temp_shift_c":
                moved = tuple(replace(use, temp_c=use.temp_c + value) for use in self.profile)
                return replace(self, profile=moved)
            case _:
                raise ValueError(f"stated must name a parameter of trial_swings; got {parameter!r}")


def _trial(parameter: str, value: float, swing: float) -> Swing:
    return Swing(parameter, value - swing, value + swing, stated=False)


def _log_width(row: TornadoRow, fit_now: float) -> float:
    bounds = (row.fit_at_low, row.fit_at_high, fit_now)
    return math.log(max(bounds) / min(bounds))
