"""Ledger state and campaign in, the one frozen figures document out."""

from monitor.figures.build import build
from monitor.figures.document import Figures, from_json, to_json

__all__ = ["Figures", "build", "from_json", "to_json"]
