"""The mechanism tables: activation energy, voltage term, and what is stated of the energy besides its value."""

from __future__ import annotations

import re
from decimal import Decimal

from monitor.campaign.reader import TableReader
from monitor.claims import EaInterval, EaNormal, Energy, Mechanism

_NAME = re.compile(r"[a-z0-9-]{1,64}", re.ASCII)
_EA = "eV between -1 and 5 are needed"
_NONE = Decimal(0)
MAX_MECHANISMS = 32  # each is a row of accounts over all chips


def read_mechanisms(root: TableReader) -> tuple[tuple[Mechanism, ...], tuple[Energy, ...]]:
    """All mechanisms, and beside each what is stated of its activation energy (None: it is taken as certain)."""
    names: set[str] = set()
    mechanisms: list[Mechanism] = []
    energies: list[Energy] = []
    for t in root.tables("mechanism", "give [[mechanism]] tables", MAX_MECHANISMS):
        mechanism = _mechanism(t, names)
        mechanisms.append(mechanism)
        energies.append(_energy(t, mechanism.ea_ev))
        t.finish()
    if not mechanisms:
        root.complain("mechanism", "missing", "at least one [[mechanism]] with name and ea_ev is needed")
    return tuple(mechanisms), tuple(energies)


def _mechanism(t: TableReader, names: set[str]) -> Mechanism:
    name = t.text("name", "use a to z, 0 to 9 and -, at most 64", lambda s: bool(_NAME.fullmatch(s)))
    if name in names and name:
        t.complain("name", f'"{name}" stands twice', "each mechanism needs a name of its own")
    names.add(name)
    ea_ev = t.decimal("ea_ev", _EA, _is_energy)
    gamma = t.decimal("gamma_per_v", "0 to 100 per volt is needed", lambda x: 0 <= x <= 100, default=_NONE)
    exponent = t.decimal("voltage_exponent", "0 to 200 is needed", lambda x: 0 <= x <= 200, default=_NONE)
    if t.has("gamma_per_v") and t.has("voltage_exponent"):
        t.complain("gamma_per_v", "given together with voltage_exponent", "give one voltage term or none")
        exponent = _NONE
    return Mechanism(name, float(ea_ev), float(gamma), float(exponent))


def _energy(t: TableReader, ea_ev: float) -> Energy:
    """``ea_low_ev`` and ``ea_high_ev`` state an interval that holds Ea for sure, ``ea_sd_ev`` a normal error."""
    low = t.decimal_or_none("ea_low_ev", _EA, _is_energy)
    high = t.decimal_or_none("ea_high_ev", _EA, _is_energy)
    sd = t.decimal_or_none("ea_sd_ev", "above 0 and at most 1 eV is needed", lambda x: 0 < x <= 1)
    if not t.sound("ea_ev", "ea_low_ev", "ea_high_ev", "ea_sd_ev"):
        return None
    if sd is None:
        return _interval(t, ea_ev, low, high)
    if low is not None or high is not None:
        t.complain("ea_sd_ev", "given together with an interval", "state Ea's uncertainty in one way")
        return None
    return EaNormal(ea_ev, float(sd))


def _interval(t: TableReader, ea_ev: float, low: Decimal | None, high: Decimal | None) -> EaInterval | None:
    if low is None and high is None:
        return None
    if low is None or high is None:
        missing, given = ("ea_low_ev", "ea_high_ev") if low is None else ("ea_high_ev", "ea_low_ev")
        t.complain(missing, "missing", f"{given} is given, and an interval needs both ends")
        return None
    if not float(low) <= ea_ev <= float(high):
        t.complain("ea_low_ev", f"found {low} to {high}", f"ea_ev ({ea_ev:g}) must lie in between")
        return None
    return EaInterval(float(low), float(high))


def _is_energy(x: Decimal) -> bool:
    return -1 <= x <= 5
