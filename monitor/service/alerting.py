"""Alerts of a running service: told from the figures, kept in the journal, and sent from there (see ``outbox``).

While the journal takes nothing no alert is kept. They are conditions: what still holds when it takes something again
is told from the figures then. That the journal cannot be written is an alert itself, which goes out at once, past
the journal; how it ended is kept and sent like every other.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Iterable

import msgspec

from monitor.figures import Figures
from monitor.journal import Journal, JournalError, StoredAlert
from monitor.rules.alerts import Alert, begin, journal_not_writable, update
from monitor.service.outbox import Outbox, Send, alert_of, webhook
from monitor.service.storage import StorageTrouble

log = logging.getLogger("lifebound.alerts")
_SHOWN = 200  # cleared alerts kept in memory for the faces
_KEEP_S = 1.0  # that a look waits for a slow disk


class Alerting:
    """Which alerts are open. ``trouble`` says why they cannot be kept, and is None while they can be."""

    def __init__(
        self,
        journal: Journal,
        campaign: str,
        url: str | None,
        *,
        send: Send | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self.trouble: StorageTrouble | None = None
        self._journal = journal
        self._campaign = campaign
        send = send or (webhook(url) if url is not None else None)
        self._outbox = Outbox(journal, campaign, send, rng) if send is not None else None
        self._all: dict[str, Alert] = {}
        self._unkept: Alert | None = None  # of the journal; kept nowhere until it has cleared
        self._keeping: asyncio.Task[list[Alert]] | None = None

    async def restore(self) -> None:
        """Take up what an earlier service left: open alerts stay open. Raises JournalError."""
        for stored in await self._journal.alerts():
            if (alert := alert_of(stored.body)) is not None:
                self._all[alert.id] = alert
        self._forget_old()

    @property
    def alerts(self) -> list[Alert]:
        """Open alerts, and the latest of those that cleared; in the order in which they began."""
        return [*self._all.values(), *([self._unkept] if self._unkept is not None else [])]

    async def look(self, figures: Figures, now_ms: int, storage: str | None = None) -> list[Alert]:
        """Compare the figures with what is open; new alerts are on disk when this returns them.

        ``storage`` says why the journal cannot be written, as far as the caller knows. A slow disk is not waited for:
        what it takes later is returned by no look. Cancelling it breaks nothing off.
        """
        kept: list[Alert] = []
        if self._keeping is None and (changes := self._changes(figures, now_ms, storage)):
            self._keeping = asyncio.ensure_future(self._keep(changes, now_ms))
        if self._keeping is not None and await self.settle(_KEEP_S):
            kept, self._keeping = self._keeping.result(), None
        reason = storage or (self.trouble.reason if self.trouble is not None else None)
        if reason is not None and self._unkept is None:
            self._begin_trouble(reason, now_ms)
        return kept

    async def settle(self, within_s: float) -> bool:
        """Wait until the disk has taken what it was given; whether it has."""
        if self._keeping is None:
            return True
        done, _ = await asyncio.wait([self._keeping], timeout=within_s)
        return bool(done)

    async def deliver(self) -> None:
        """Send what is in the outbox, for ever; returns when there is no receiver."""
        if self._outbox is not None:
            await self._outbox.deliver()

    def _changes(self, figures: Figures, now_ms: int, storage: str | None) -> list[Alert]:
        if storage is not None:  # nothing can be kept; an attempt would only stand in the way of the messages
            return []
        changes = update((a for a in self._all.values() if a.cleared_ms is None), figures, now_ms)
        if self._unkept is not None:
            untold = self._outbox is None or not self._outbox.took(self._unkept)
            changes += [self._unkept] * untold
            changes.append(msgspec.structs.replace(self._unkept, cleared_ms=now_ms))
        return changes

    async def _keep(self, changes: list[Alert], now_ms: int) -> list[Alert]:
        try:
            await self._journal.save_alerts(
                [_stored(alert) for alert in changes], send=self._outbox is not None
            )
        except JournalError as error:
            if self.trouble is None:
                log.error("alerts cannot be kept; told again later", extra={"detail": str(error)})
            self.trouble = StorageTrouble(str(error), self.trouble.since_ms if self.trouble else now_ms)
            return []
        self.trouble = None
        _tell(alert for alert in changes if alert is not self._unkept)
        self._all.update({alert.id: alert for alert in changes})
        self._forget_old()
        if self._outbox is not None:
            self._outbox.wake()
        if self._unkept is not None and self._unkept.id in self._all:
            self._unkept = None
            if self._outbox is not None:
                self._outbox.relent()
        return changes

    def _begin_trouble(self, reason: str, now_ms: int) -> None:
        self._unkept = begin(self._campaign, journal_not_writable(self._journal.run.id, reason), now_ms)
        _tell([self._unkept])
        if self._outbox is not None:
            self._outbox.urge(self._unkept)

    def _forget_old(self) -> None:
        cleared = [alert.id for alert in self._all.values() if alert.cleared_ms is not None]
        for old in cleared[:-_SHOWN]:
            del self._all[old]


def _tell(alerts: Iterable[Alert]) -> None:
    for alert in alerts:
        log.warning(
            "alert" if alert.cleared_ms is None else "alert cleared",
            extra={
                "kind": alert.kind,
                "subject": alert.subject,
                "reason": alert.reason,
                "alert": alert.id,
            },
        )


def _stored(alert: Alert) -> StoredAlert:
    body = msgspec.json.encode(alert).decode()
    return StoredAlert(alert.id, body, cleared=alert.cleared_ms is not None)
