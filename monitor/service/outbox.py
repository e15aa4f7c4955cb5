"""Alerts on their way out: from the journal's outbox to a receiver, each at least once.

An alert leaves the outbox only when the receiver has taken it, so it outlives every restart. What goes out of one
alert goes in order: while its beginning is refused its clearing waits; other alerts do not. What is held in memory is
one page of the outbox and the ids of what was refused; all else stays in the journal.

The body is JSON: ``campaign`` and the fields of the alert. The same alert may come again (when the answer was lost, or
the service died before it could note it): ``id`` and ``cleared_ms`` are then the same, and so is the header
``Idempotency-Key`` made of both.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Iterator
from contextlib import suppress
from urllib.parse import quote, urlsplit

import aiohttp
import msgspec

from monitor.journal import Journal, JournalError, Outgoing
from monitor.rules.alerts import Alert
from monitor.service.backoff import delays_s

log = logging.getLogger("lifebound.alerts")
SEND_S = 10.0  # for one alert; a receiver that takes longer has not taken it
MOST_DELAY_S = 60.0
PAGE = 100
_PATIENCE = 5  # failures in a row after which the receiver is given a pause
_HELD_MOST = 10_000  # alerts refused in one pass, after which the next one begins

Send = Callable[[bytes, str], Awaitable[str | None]]
"""Sends one alert: (body, key that is the same for a repetition); None when it was taken, else what was wrong."""


def webhook(url: str) -> Send:
    """Sends to a webhook by POST; any 2xx status takes the alert, and redirects are not followed.

    The URL may hold a secret, and the errors of the library repeat it: what was wrong is told by the class of the
    error, or the status, and the host.
    """

    async def send(body: bytes, key: str) -> str | None:
        headers = {"Content-Type": "application/json", "Idempotency-Key": f'"{key}"'}
        try:
            async with (
                aiohttp.ClientSession() as http,
                http.post(url, data=body, headers=headers, allow_redirects=False) as answer,
            ):
                return None if 200 <= answer.status < 300 else f"{_host(url)}: status {answer.status}"
        except (aiohttp.ClientError, OSError, ValueError) as error:
            return f"{_host(url)}: {type(error).__name__}"

    return send


def alert_of(body: str) -> Alert | None:
    """The alert that the journal keeps; None, and a line in the log, where this version cannot read it."""
    try:
        return msgspec.json.decode(body, type=Alert)
    except msgspec.MsgspecError as error:
        log.warning("an alert in the journal cannot be read", extra={"detail": str(error)})
        return None


def key_of(alert: Alert) -> str:
    """The key by which a receiver can tell a repetition: id and phase, in printable ASCII."""
    phase = "begun" if alert.cleared_ms is None else f"cleared-{alert.cleared_ms}"
    return f"{quote(alert.id, safe='/')};{phase}"


class Outbox:
    """Delivers what the journal's outbox holds, and one urgent alert that the journal cannot take."""

    def __init__(self, journal: Journal, campaign: str, send: Send, rng: random.Random | None = None) -> None:
        self._journal = journal
        self._campaign = campaign
        self._send = send
        self._rng = rng
        self._sending = asyncio.Lock()  # one at a time, so that repetitions do not overtake each other
        self._news = asyncio.Event()
        self._after = 0  # number of the outbox up to which this pass has come
        self._held: set[str] = set()  # alerts refused in this pass
        self._taken: set[int] = set()  # taken, but not yet out of the outbox
        self._failures = 0  # in a row
        self._delays = self._new_delays()
        self._again_at_s: float | None = None  # when the next pass begins
        self._unread = False  # whether the outbox could not be read
        self._urgent: Alert | None = None
        self._hurry = asyncio.Event()

    def wake(self) -> None:
        """Something was put into the outbox."""
        self._news.set()

    def urge(self, alert: Alert) -> None:
        """Send an alert at once and until it is taken, past the journal: it does not outlive the process."""
        self._urgent = alert
        self._hurry.set()

    def relent(self) -> None:
        """Stop sending the urgent alert."""
        self._urgent = None

    def took(self, alert: Alert) -> bool:
        """Whether an alert that was urged was taken."""
        return self._urgent is not alert

    async def deliver(self) -> None:
        """Deliver for ever. A receiver or a journal in trouble is tried again, less and less often."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._deliver_urgent())
            group.create_task(self._deliver_kept())

    # -- what the journal keeps ----------------------------------------------------------------------------------

    async def _deliver_kept(self) -> None:
        while True:
            self._news.clear()
            if not await self._page():
                await self._rest()

    async def _page(self) -> bool:
        """Go through the next page; whether there was one."""
        try:
            page = await self._journal.outgoing(self._after, PAGE)
        except JournalError as error:
            if not self._unread:
                log.warning("outbox cannot be read; tried again", extra={"detail": str(error)})
            self._unread = True
            return False
        self._unread = False
        for outgoing in page:
            self._after = outgoing.number
            await self._offer(outgoing)
            if len(self._held) >= _HELD_MOST:
                return False
        return bool(page)

    async def _offer(self, outgoing: Outgoing) -> None:
        if outgoing.number in self._taken or outgoing.alert_id in self._held:
            return
        alert = alert_of(outgoing.body)
        if alert is not None and await self._try(alert):
            self._failures, self._delays = 0, self._new_delays()
            self._taken.add(outgoing.number)
            await self._note_taken()
            return
        self._held.add(outgoing.alert_id)
        self._failures += 1
        if self._failures >= _PATIENCE:
            await asyncio.sleep(next(self._delays))

    async def _note_taken(self) -> None:
        """Take out of the outbox what was taken; what cannot be is kept in mind, and sent again after a restart."""
        with suppress(JournalError):
            await self._journal.sent(sorted(self._taken))
            self._taken.clear()

    async def _rest(self) -> None:
        """At the end of the outbox: wait for news, and where something is left, for the time of the next pass."""
        now_s = asyncio.get_running_loop().time()
        left = bool(self._held or self._taken or self._unread)
        if not left:
            self._again_at_s = None
        elif self._again_at_s is None:
            self._again_at_s = now_s + next(self._delays)
        wait_s = None if self._again_at_s is None else max(0.0, self._again_at_s - now_s)
        full = len(self._held) >= _HELD_MOST
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await (self._pause() if full else self._news.wait())
            return
        self._again_at_s, self._after = None, 0
        self._held.clear()
        if self._taken:
            await self._note_taken()

    async def _pause(self) -> None:
        await asyncio.get_running_loop().create_future()

    # -- what it cannot keep -------------------------------------------------------------------------------------

    async def _deliver_urgent(self) -> None:
        while True:
            await self._hurry.wait()
            self._hurry.clear()
            delays = self._new_delays()
            while (alert := self._urgent) is not None:
                if await self._try(alert):
                    if self._urgent is alert:
                        self._urgent = None
                    break
                with suppress(TimeoutError):
                    async with asyncio.timeout(next(delays)):
                        await self._hurry.wait()

    # -- both ----------------------------------------------------------------------------------------------------

    async def _try(self, alert: Alert) -> bool:
        """Send one alert; whether it was taken."""
        body = msgspec.json.encode({"campaign": self._campaign, **msgspec.structs.asdict(alert)})
        async with self._sending:
            try:
                async with asyncio.timeout(SEND_S):
                    trouble = await self._send(body, key_of(alert))
            except TimeoutError:
                trouble = f"no answer within {SEND_S:g} s"
            except Exception as error:  # whatever a receiver provokes must not end the service
                trouble = type(error).__name__
        if trouble is not None:
            log.warning("webhook did not take an alert", extra={"alert": alert.id, "detail": trouble})
        return trouble is None

    def _new_delays(self) -> Iterator[float]:
        return delays_s(most_s=MOST_DELAY_S, rng=self._rng)


def _host(url: str) -> str:
    try:
        return urlsplit(url).hostname or "webhook"
    except ValueError:
        return "webhook"
