"""The account of a run: a pure, deterministic fold over its journal. No clock, no I/O, no logging."""

from monitor.ledger.accounts import CREDITED, UNKNOWN, Accounts, Reason
from monitor.ledger.board import Board
from monitor.ledger.failures import Failure
from monitor.ledger.ledger import FOLD_VERSION, Ledger, Rack, same_boots
from monitor.ledger.limits import LIVE_BOOTS, Limits
from monitor.ledger.notes import COUNTER_FAULT, DISAGREEMENT, GAP, LATE, Event
from monitor.ledger.snapshot import freeze, thaw
from monitor.ledger.weights import Weights

__all__ = [
    "COUNTER_FAULT",
    "CREDITED",
    "DISAGREEMENT",
    "FOLD_VERSION",
    "GAP",
    "LATE",
    "LIVE_BOOTS",
    "UNKNOWN",
    "Accounts",
    "Board",
    "Event",
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
