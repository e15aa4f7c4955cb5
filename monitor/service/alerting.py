"""Alerts of a running service: kept in the journal first, then sent to the webhook until it takes them."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

import aiohttp
import msgspec

from monitor.figures import Figures
from monitor.journal import Journal, JournalError, StoredAlert
from monitor.rules.alerts import Alert, update
from monitor.service.backoff import delays_s

log = logging.getLogger("lifebound.alerts")
_TIMEOUT_S = 10
_SHOWN = 200  # cleared alerts kept in memory for the faces


class Alerting:
    """Which alerts are open, and the outbox of those still to be sent."""

    def __init__(self, journal: Journal, campaign: str, webhook: str | None) -> None:
        self._journal = journal
        self._campaign = campaign
        self._webhook = webhook
        self._outbox: asyncio.Queue[Alert] = asyncio.Queue()
        self._all: dict[str, Alert] = {}

    async def restore(self) -> None:
        """Take up what an earlier service left: open alerts stay open, undelivered ones are sent."""
        for stored in await self._journal.alerts():
            alert = msgspec.json.decode(stored.body, type=Alert)
            self._all[alert.id] = alert
            if not stored.delivered and self._webhook:
                self._outbox.put_nowait(alert)

    @property
    def alerts(self) -> list[Alert]:
        """Open alerts, and the latest of those that cleared; in the order in which they began."""
        cleared = [alert for alert in self._all.values() if alert.cleared_ms is not None]
        for alert in cleared[:-_SHOWN]:
            del self._all[alert.id]
        return list(self._all.values())

    async def look(self, figures: Figures, now_ms: int) -> list[Alert]:
        """Compare the figures with what is open; new alerts are on disk when this returns them."""
        opened = [alert for alert in self._all.values() if alert.cleared_ms is None]
        changes = update(opened, figures, now_ms)
        if changes:
            await self._journal.save_alerts(
                [_stored(alert, delivered=self._webhook is None) for alert in changes]
            )
        for alert in changes:
            self._all[alert.id] = alert
            log.warning(
                "alert" if alert.cleared_ms is None else "alert cleared",
                extra={
                    "kind": alert.kind,
                    "subject": alert.subject,
                    "reason": alert.reason,
                    "alert": alert.id,
                },
            )
            if self._webhook:
                self._outbox.put_nowait(alert)
        return changes

    async def deliver(self) -> None:
        """Send what is in the outbox, each alert until the receiver takes it; one it refuses waits behind the rest.

        Runs for ever.
        """
        if self._webhook is None:
            return
        delays = delays_s(most_s=60.0)
        async with aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=_TIMEOUT_S)) as http:
            while True:
                alert = await self._outbox.get()
                trouble = await self._send(http, self._webhook, alert)
                if trouble is None:
                    delays = delays_s(most_s=60.0)
                    await self._delivered(alert)
                    continue
                log.warning("webhook did not take an alert", extra={"alert": alert.id, "detail": trouble})
                self._outbox.put_nowait(alert)
                await asyncio.sleep(next(delays))

    async def _delivered(self, alert: Alert) -> None:
        if self._all.get(alert.id, alert) == alert:  # if it has cleared meanwhile, that is still to be sent
            with suppress(JournalError):  # then it is sent once more after a restart
                await self._journal.save_alerts([_stored(alert, delivered=True)])

    async def _send(self, http: aiohttp.ClientSession, url: str, alert: Alert) -> str | None:
        """Send one alert; None when it was taken, else what was wrong."""
        body = msgspec.json.encode({"campaign": self._campaign, **msgspec.structs.asdict(alert)})
        try:
            async with http.post(url, data=body, headers={"Content-Type": "application/json"}) as answer:
                return None if answer.status < 300 else f"status {answer.status}"
        except (aiohttp.ClientError, TimeoutError) as error:
            return str(error) or type(error).__name__


def _stored(alert: Alert, *, delivered: bool) -> StoredAlert:
    body = msgspec.json.encode(alert).decode()
    return StoredAlert(alert.id, body, cleared=alert.cleared_ms is not None, delivered=delivered)
