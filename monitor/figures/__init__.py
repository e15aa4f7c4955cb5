"""Ledger state and campaign in, the one frozen figures document out."""

from monitor.figures.build import build
from monitor.figures.document import Figures, from_json, to_json
from monitor.figures.floor import Age, Ages
from monitor.figures.prospect import Prospect, prospect

__all__ = ["Age", "Ages", "Figures", "Prospect", "build", "from_json", "prospect", "to_json"]
