"""The durable record of a run: one protocol, SQLite and memory behind it, and its exchange as JSON lines."""

from monitor.journal.memory import MemoryJournal
from monitor.journal.protocol import Head, Journal, JournalError, Outgoing, Run, StoredAlert
from monitor.journal.sqlite import FILE_NAME, SqliteJournal

__all__ = [
    "FILE_NAME",
    "Head",
    "Journal",
    "JournalError",
    "MemoryJournal",
    "Outgoing",
    "Run",
    "SqliteJournal",
    "StoredAlert",
]
