"""``lifebound serve``: the service in the foreground, until SIGINT or SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from monitor.campaign import Campaign, load
from monitor.cli.broker import Embedded, parse_broker
from monitor.cli.exposure import Exposure, exposure
from monitor.cli.secrets import secret
from monitor.intake.link import Address
from monitor.journal import FILE_NAME, Run, SqliteJournal
from monitor.service.access import TokenStore
from monitor.service.clock import wall_ms
from monitor.service.embedded import LOOPBACK, embedded_broker
from monitor.service.logs import log_to_stderr
from monitor.service.rundir import ServiceNote, locked, read_snapshot, remove_note, write_note, write_snapshot
from monitor.service.service import Service, Settings, make_service
from shared.errors import InputError, UnavailableError
from shared.shown import escape


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    campaign = load(Path(args.campaign))
    folder = Path(args.run or Path("runs") / campaign.id)
    broker = parse_broker(args.broker)
    http = exposure(args, folder)
    webhook = _webhook(args.webhook)
    log_to_stderr()
    for warning in campaign.warnings:
        print(f"lifebound serve: warning: {warning}", file=sys.stderr)
    with locked(folder), _address(broker) as address:
        settings = Settings(
            address,
            f"lifebound-{campaign.id}",
            http.host,
            http.port,
            webhook,
            http_tls=http.tls,
            behind_proxy=http.behind_proxy,
            beyond=http.beyond,
            admits=TokenStore(folder).admits,
        )
        try:
            asyncio.run(_serve(campaign, folder, settings, http))
        except ExceptionGroup as fault:  # of a task; the log has told it
            raise UnavailableError(
                "ended by a fault of its own, see the log; what was not recorded stays with the broker and the racks"
            ) from fault
        finally:
            remove_note(folder)
    return 0


async def _serve(campaign: Campaign, folder: Path, settings: Settings, http: Exposure) -> None:
    async with await _journal(campaign, folder) as journal:
        service = await make_service(journal, settings, campaign, snapshot=read_snapshot(folder))
        service.keep_snapshot = lambda data: write_snapshot(folder, data)
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, service.stop.set)
        service.on_started = lambda port: _started(service, folder, http.url(port))
        await service.run()


def _started(service: Service, folder: Path, url: str) -> None:
    settings = service.settings
    address = settings.address
    version = "" if address.version == "5" else f"?version={address.version}"
    note = ServiceNote(os.getpid(), url, f"{address!r}{version}", service.journal.run.id)
    write_note(folder, note)
    name = service.recorder.account.campaign.id
    print(
        f"lifebound serves {name}: {url}, broker {note.broker}, run directory {escape(str(folder))}",
        flush=True,
    )


async def _journal(campaign: Campaign, folder: Path) -> SqliteJournal:
    """Begin the run, or go on with it under the campaign it was begun with."""
    if not _exists(folder):
        return await SqliteJournal.create(folder, Run(uuid.uuid4().hex, wall_ms(), campaign.source))
    journal = await SqliteJournal.open(folder)
    if journal.run.source.sha256 != campaign.source.sha256:
        await journal.__aexit__(None, None, None)
        raise InputError(
            f"{folder}: this run was begun with another campaign file; go on with that one, choose another --run "
            "directory, or look at the run under this one with lifebound replay --campaign"
        )
    return journal


def _exists(folder: Path) -> bool:
    return (folder / FILE_NAME).exists()


@contextmanager
def _address(broker: Address | Embedded) -> Iterator[Address]:
    if isinstance(broker, Address):
        yield broker
        return
    with embedded_broker(broker.port) as port:
        yield Address(LOOPBACK, port, version="3.1.1")


def _webhook(option: str | None) -> str | None:
    """The webhook's URL, which often carries a secret: no message shows it. Raises InputError."""
    url = option or secret("LIFEBOUND_WEBHOOK")
    if url is None:
        return None
    name = "--webhook" if option else "LIFEBOUND_WEBHOOK"
    try:
        parts = urlsplit(url)
        valid = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
    except ValueError:
        valid = False
    if not valid:
        raise InputError(f"{name}: use an http:// or https:// URL")
    if option and "@" in parts.netloc:
        raise InputError(
            "--webhook: a user name or password in the URL can be seen by others; set LIFEBOUND_WEBHOOK or "
            "LIFEBOUND_WEBHOOK_FILE instead"
        )
    return url
