"""The account of a run: a pure, deterministic fold over its journal. No clock, no I/O, no logging."""

from monitor.ledger.accounts import CREDITED, UNKNOWN, Accounts, Reason
from monitor.ledger.board import Board
from monitor.ledger.failures import Failure
from monitor.ledger.ledger import FOLD_VERSION, Ledger, Rack, same_boots
from monitor.ledger.limits import Limits
from monitor.ledger.snapshot import freeze, thaw
from monitor.ledger.weights import Weights

__all__ = [
    "CREDITED",
    "FOLD_VERSION",
    "UNKNOWN",
    "Accounts",
    "Board",
    "Failure",
    "Ledger",
    "Limits",
    "Rack",
    "Reason",
    "Weights",
    "freeze",
    "same_boots",
    "thaw",
]
