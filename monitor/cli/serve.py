"""``lifebound serve``: the service in the foreground, until SIGINT or SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import ipaddress
import os
import signal
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.campaign import Campaign, load
from monitor.cli.broker import Embedded, parse_broker
from monitor.intake.link import Address
from monitor.journal import FILE_NAME, Run, SqliteJournal
from monitor.service.embedded import LOOPBACK, embedded_broker
from monitor.service.logs import log_to_stderr
from monitor.service.rundir import ServiceNote, locked, read_snapshot, remove_note, write_note, write_snapshot
from monitor.service.service import Service, Settings, make_service, wall_ms
from shared.errors import InputError


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    campaign = load(Path(args.campaign))
    folder = Path(args.run or Path("runs") / campaign.id)
    broker = parse_broker(args.broker)
    host, port = _http_address(args.http)
    webhook = _webhook(args.webhook or os.environ.get("LIFEBOUND_WEBHOOK"))
    log_to_stderr()
    for warning in campaign.warnings:
        print(f"lifebound serve: warning: {warning}", file=sys.stderr)
    with locked(folder), _address(broker) as address:
        settings = Settings(address, f"lifebound-{campaign.id}", host, port, webhook)
        try:
            asyncio.run(_serve(campaign, folder, settings))
        finally:
            remove_note(folder)
    return 0


async def _serve(campaign: Campaign, folder: Path, settings: Settings) -> None:
    async with await _journal(campaign, folder) as journal:
        service = await make_service(journal, settings, campaign, snapshot=read_snapshot(folder))
        service.keep_snapshot = lambda data: write_snapshot(folder, data)
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, service.stop.set)
        service.on_started = lambda port: _started(service, folder, port)
        await service.run()


def _started(service: Service, folder: Path, port: int) -> None:
    settings = service.settings
    url = f"http://{settings.http_host}:{port}"
    address = settings.address
    version = "" if address.version == "5" else f"?version={address.version}"
    note = ServiceNote(os.getpid(), url, f"{address!r}{version}", service.journal.run.id)
    write_note(folder, note)
    print(
        f"lifebound serves {service.recorder.account.campaign.id}: {url}, broker {note.broker}, run directory {folder}",
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


def _http_address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise InputError(f"--http {text}: use HOST:PORT, as in 127.0.0.1:8417 (port 0 takes a free one)")
    name = host.strip("[]")
    try:
        loopback = ipaddress.ip_address(name).is_loopback
    except ValueError:
        loopback = name == "localhost"
    if not loopback:
        raise InputError(
            f"--http {text}: only a loopback address is served, because nothing asks who is reading; put a reverse "
            "proxy with authentication in front"
        )
    return name, int(port)


def _webhook(url: str | None) -> str | None:
    if url is not None and not url.startswith(("http://", "https://")):
        raise InputError("--webhook: use an http:// or https:// URL")
    return url
