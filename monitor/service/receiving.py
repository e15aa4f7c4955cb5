"""From the broker to the recorder, and the receipts back: connect, take batches, acknowledge; again when it is lost.

A batch is acknowledged when it is on disk and not before, and so is what a receipt speaks of.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from typing import Any

from monitor.intake.link import Address, Link, LinkLostError
from monitor.ledger import same_boots
from monitor.service.backoff import delays_s
from monitor.service.recorder import Recorder, StoppedError
from shared.messages import Receipt, encode
from shared.topics import Kind, Topic, format_topic, subscriptions

log = logging.getLogger("lifebound.intake")
HELD_S = 10.0  # a link that lasts less is no success: the pauses before the next one go on growing
_SUSPICIOUS = 3  # short links in a row

Connect = Callable[[Address, str, Sequence[str]], AbstractAsyncContextManager[Link]]
"""How a link to a broker is made: (address, client id, topic filters)."""


class Receiving:
    """The way in. ``trouble`` says why there is no link to the broker, and is None while there is one."""

    def __init__(
        self,
        recorder: Recorder,
        address: Address,
        client_id: str,
        connect: Connect,
        stop: asyncio.Event,
        *,
        receipt_every_s: float,
        clock_ms: Callable[[], int],
        rng: random.Random,
    ) -> None:
        self.trouble: str | None = "not connected yet"
        self._recorder = recorder
        self._address, self._client_id, self._connect = address, client_id, connect
        self._stop = stop
        self._receipt_every_s = receipt_every_s
        self._clock_ms, self._rng = clock_ms, rng

    async def run(self) -> None:
        """Receive until the stop: the batch in hand is finished, and the last receipts go out with it."""
        account = self._recorder.account
        delays, shorts, now_s = delays_s(rng=self._rng), 0, asyncio.get_running_loop().time
        since_s: float | None = None
        while not self._stop.is_set():
            try:
                async with self._connect(
                    self._address, self._client_id, subscriptions(account.campaign.prefix)
                ) as link:
                    log.info("broker connected", extra={"broker": self._address})
                    if not link.session_present and account.ledger.accepted:
                        log.warning(
                            "the broker has lost the session; racks send again what no receipt covers"
                        )
                    self.trouble, since_s = None, now_s()
                    await self._serve(link)
            except StoppedError:
                break
            except LinkLostError as error:
                short = since_s is not None and now_s() - since_s < HELD_S
                shorts = shorts + 1 if short else 0
                if since_s is not None and not short:
                    delays = delays_s(rng=self._rng)
                since_s = None
                self.trouble = f"broker {self._address} is not connected: {error}"
                if shorts >= _SUSPICIOUS:
                    self.trouble += f" (again and again: does another client use the id {self._client_id}?)"
                log.warning("broker lost", extra={"broker": self._address, "detail": str(error)})
                with suppress(TimeoutError):
                    async with asyncio.timeout(next(delays)):
                        await self._stop.wait()

    async def _serve(self, link: Link) -> None:
        """Take batches until the link is lost or the service stops; receipts go out beside it."""
        sent: dict[str, Receipt] = {}
        receipts = asyncio.create_task(self._receipts(link, sent))
        stopping = asyncio.create_task(self._stop.wait())
        helpers: tuple[asyncio.Task[Any], ...] = (receipts, stopping)
        try:
            while not self._stop.is_set():
                batch = asyncio.create_task(link.batch())
                helpers = (receipts, stopping, batch)
                await asyncio.wait(helpers, return_when=asyncio.FIRST_COMPLETED)
                if receipts.done():
                    receipts.result()  # it ends only by a fault of ours, which is told
                if not batch.done():
                    break
                deliveries = batch.result()
                await self._recorder.record(deliveries)
                link.acknowledge(deliveries)
        finally:
            for task in helpers:
                task.cancel()
            await asyncio.gather(*helpers, return_exceptions=True)
            if not receipts.cancelled():
                receipts.result()
        await self._send_receipts(link, sent)

    async def _receipts(self, link: Link, sent: dict[str, Receipt]) -> None:
        while True:
            try:
                await self._send_receipts(link, sent)
            except LinkLostError as error:  # if the link is gone the intake sees it too, and ends this
                log.warning("receipts cannot be published; tried again", extra={"detail": str(error)})
            await asyncio.sleep(self._receipt_every_s)

    async def _send_receipts(self, link: Link, sent: dict[str, Receipt]) -> None:
        """Send each rack its receipt where it says anything that ``sent`` does not."""
        account, run = self._recorder.account, self._recorder.journal.run.id
        for rack, known in account.ledger.racks.items():
            receipt = account.ledger.receipt(rack, run, self._clock_ms())
            if known.boots and not same_boots(sent.get(rack), receipt):
                topic = format_topic(account.campaign.prefix, Topic(rack, 0, Kind.RECEIPT))
                await link.publish(topic, encode(receipt), retain=True)
                sent[rack] = receipt
