"""The account of a run: a pure, deterministic fold over its journal. No clock, no I/O, no logging."""

from monitor.ledger.accounts import CREDITED, UNKNOWN, Accounts, Reason
from monitor.ledger.ledger import FOLD_VERSION, Ledger, same_boots

__all__ = ["CREDITED", "FOLD_VERSION", "UNKNOWN", "Accounts", "Ledger", "Reason", "same_boots"]
