"""The account of one campaign: intake session, ledger and figures together, whatever feeds them.

The live service, ``figures``, ``replay`` and the tests all go through here: one fold, one set of claims.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import msgspec

from monitor.campaign import Campaign, parse
from monitor.figures import Ages, Figures, build
from monitor.intake.session import Judgement, Session, Verdict
from monitor.journal import Head, Journal
from monitor.journal.exchange import Line
from monitor.ledger import Ledger, freeze, thaw
from shared.entries import Disposed, Disposition, Entered, Entry, Measured, ReadPointFile, Refused

_CHECKSUM_BYTES = 32


class Account:
    """Session and ledger of one campaign."""

    def __init__(self, campaign: Campaign) -> None:
        self.campaign = campaign
        self.session = Session(campaign)
        self.ledger = Ledger(campaign)
        self.recorded_sha256: str | None = None  # of the campaign the run was recorded under, where it says

    def admit(self, entry: Entry) -> None:
        """Take an entry that a journal holds; under another campaign than its own it may be refused."""
        if isinstance(entry, Entered):
            self.ledger.apply(entry)
        else:
            self._apply(self.session.admit(entry))

    def hear(self, line: Line) -> None:
        """Take one line of an exported run, as if it had just arrived (``read_lines`` has seen to its shape)."""
        if not isinstance(line.campaign, msgspec.UnsetType):
            self.recorded_sha256 = line.campaign.source.sha256
        match line:
            case Line(intake=Refused() as refused):
                self.session.add_refused(refused)
            case Line(t_recv_ms=int() as at_ms, disposition=Disposition() as disposition):
                self.ledger.apply(Disposed(at_ms, disposition))
            case Line(t_recv_ms=int() as at_ms, readpoint=ReadPointFile() as readpoint):
                self.ledger.apply(Measured(at_ms, readpoint))
            case Line(t_recv_ms=int() as at_ms, topic=str() as topic, payload=msgspec.Raw() as payload):
                self._apply(self.session.judge(at_ms, topic, bytes(payload)))

    def apply(self, entries: Iterable[Entry]) -> None:
        """Fold entries that the session has judged already."""
        for entry in entries:
            self.ledger.apply(entry)

    def figures(self, now_ms: int | None = None, ages: Ages | None = None) -> Figures:
        """The figures as they stand (see ``monitor.figures.build``)."""
        return build(
            self.ledger,
            self.session.refused,
            recorded_sha256=self.recorded_sha256,
            now_ms=now_ms,
            ages=ages,
        )

    def _apply(self, judgement: Judgement) -> None:
        if judgement.verdict is Verdict.ACCEPTED and judgement.entry is not None:
            self.ledger.apply(judgement.entry)


async def restore(campaign: Campaign, journal: Journal, snapshot: bytes | None = None) -> Account:
    """The account of everything a journal holds.

    A usable ``snapshot`` (see :func:`snapshot_of`) spares folding what it covers; it changes nothing else.
    """
    account, after = Account(campaign), 0
    if campaign.source != journal.run.source:
        account.session.recorded_prefix = parse(journal.run.source).prefix
    elif snapshot is not None:
        taken_up = _from_snapshot(campaign, journal.run.id, snapshot)
        if taken_up is not None and await journal.holds(taken_up[1]):
            account, after = taken_up[0], taken_up[1].number
    account.recorded_sha256 = journal.run.source.sha256
    async for batch in journal.batches(after):
        for entry in batch:
            account.admit(entry)
    account.session.add_refused(await journal.refused())
    return account


class _Snapshot(msgspec.Struct):
    run: str
    head: str  # of the journal, as ``Head`` writes it
    ledger: bytes
    identities: bytes
    racks: dict[str, str]  # how their messages fared, as far as the journal's entries tell it


def snapshot_of(account: Account, journal: Journal) -> bytes:
    """The account as it stands at the journal's position, with a checksum before it."""
    body = msgspec.msgpack.encode(
        _Snapshot(
            journal.run.id,
            str(journal.head),
            freeze(account.ledger),
            account.session.identities.freeze(),
            account.session.refused.racks,
        )
    )
    return _checksum(body) + body


def _from_snapshot(campaign: Campaign, run: str, data: bytes) -> tuple[Account, Head] | None:
    """The account of a snapshot and the head of the journal it stands at; None when it is of no use to this run."""
    checksum, body = data[:_CHECKSUM_BYTES], data[_CHECKSUM_BYTES:]
    if _checksum(body) != checksum:
        return None
    account = Account(campaign)
    try:
        snapshot = msgspec.msgpack.decode(body, type=_Snapshot)
        account.session.identities.thaw(snapshot.identities)
        head = Head.parse(snapshot.head)
    except (msgspec.MsgspecError, ValueError):
        return None
    ledger = thaw(campaign, snapshot.ledger)
    if ledger is None or snapshot.run != run:
        return None
    account.ledger = ledger
    account.session.refused.racks = snapshot.racks
    return account, head


def _checksum(body: bytes) -> bytes:
    return hashlib.blake2b(body, digest_size=_CHECKSUM_BYTES).digest()
