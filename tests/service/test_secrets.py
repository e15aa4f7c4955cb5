"""Secrets go nowhere: a real service with every kind of them, some traffic and some trouble, and then a search.

Searched are what it prints and logs, what it serves, what it keeps on disk, what the other commands print, an export,
and its command line in the process list. Each place must hold something that belongs there, so that it is the place
itself that was searched.
"""

from __future__ import annotations

import base64
import os
import secrets
import signal
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
import pytest_asyncio

from tests.cli.command import lifebound
from tests.cli.test_broker import encrypted
from tests.config.authority import Authority
from tests.config.shipped import write_passwords
from tests.service.running import (
    Programs,
    Service,
    journalled,
    programs_in,
    until,
    write_campaign,
)

pytestmark = pytest.mark.timeout(120)
CAMPAIGN = b"tern-a1"


@dataclass
class Secrets:
    """What nobody may see, and the places where it was looked for."""

    user: str = field(default_factory=lambda: f"user-{secrets.token_hex(8)}")
    password: str = field(default_factory=lambda: f"password-{secrets.token_hex(8)}")
    hook_user: str = field(default_factory=lambda: f"hook-{secrets.token_hex(8)}")
    hook_password: str = field(default_factory=lambda: f"hook-{secrets.token_hex(8)}")
    hook_path: str = field(default_factory=lambda: f"path-{secrets.token_hex(8)}")
    hook_query: str = field(default_factory=lambda: f"query-{secrets.token_hex(8)}")
    key_password: str = field(default_factory=lambda: f"key-{secrets.token_hex(8)}")
    places: dict[str, bytes] = field(default_factory=dict)

    def webhook(self, port: int) -> str:
        who = f"{self.hook_user}:{self.hook_password}"
        return f"http://{who}@127.0.0.1:{port}/{self.hook_path}?token={self.hook_query}"

    def forms(self) -> Iterator[bytes]:
        """Each of them as it is, quoted, and as it stands in a header."""
        plain = [value for value in vars(self).values() if isinstance(value, str)]
        assert len(plain) == 7
        for text in plain:
            yield from (
                text.encode(),
                quote(text, safe="").encode(),
                base64.b64encode(text.encode()).rstrip(b"="),
            )
        for pair in (f"{self.user}:{self.password}", f"{self.hook_user}:{self.hook_password}"):
            yield base64.b64encode(pair.encode()).rstrip(b"=")

    def search(self, where: str, text: bytes, control: bytes) -> None:
        """Note a place, which must hold ``control``."""
        assert control in text, f"{where} was not what was searched: {text[:2000]!r}"
        self.places[where] = text


@pytest.fixture
def hidden() -> Secrets:
    return Secrets()


@pytest.fixture
def nobody() -> Iterator[int]:
    """A port where nobody listens."""
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        yield bound.getsockname()[1]


@pytest_asyncio.fixture
async def programs(tmp_path: Path) -> AsyncIterator[Programs]:
    async with programs_in(tmp_path) as programs:
        yield programs


@pytest.fixture
def mosquitto_passwd(tool: Callable[[str], str]) -> str:
    return tool("mosquitto_passwd")


@pytest.fixture
def passwords(mosquitto_passwd: str, hidden: Secrets, tmp_path: Path) -> Path:
    """Of a broker that knows the user by another password yet."""
    path = tmp_path / "passwd"
    write_passwords(path, mosquitto_passwd, {hidden.user: "another"})
    return path


def command_line(pid: int) -> bytes:
    """As everybody on the machine can see it."""
    return Path(f"/proc/{pid}/cmdline").read_bytes()


async def look_at(service: Service, hidden: Secrets, name: str) -> None:
    """Search a running service."""
    hidden.search(f"{name}: process list", command_line(service.program.pid), b"--broker")
    for path, control in (("/metrics", b"lifebound_"), ("/v1/figures", CAMPAIGN), ("/v1/state", CAMPAIGN)):
        hidden.search(f"{name}: {path}", (await service.get(path)).body, control)
    hidden.search(f"{name}: service.json", (service.run_dir / "service.json").read_bytes(), b"mqtt")


def look_at_output(service: Service, hidden: Secrets, name: str) -> None:
    hidden.search(f"{name}: stdout", service.program.stdout(), b"lifebound serves " + CAMPAIGN)
    hidden.search(f"{name}: stderr", service.program.stderr().encode(), b'"event"')


async def play(programs: Programs, campaign: Path, broker: str, environment: dict[str, str]) -> bytes:
    """Racks of the simulator; a chip fails, so that an alert is to be sent."""
    how = ("--hours", "0.2", "--speed", "max", "--fail", "A-007@0.05", "--no-receipts")
    racks = programs.start("simulate", campaign, "--broker", broker, *how, environment=environment)
    assert await racks.ended() == 0, str(racks)
    return racks.stdout() + racks.stderr().encode()


async def test_no_secret_is_found_anywhere(
    *,
    start_mosquitto: Any,
    mosquitto_passwd: str,
    passwords: Path,
    nobody: int,
    hidden: Secrets,
    programs: Programs,
    tmp_path: Path,
) -> None:
    closed = start_mosquitto(
        lambda port: f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
    )
    campaign = write_campaign(tmp_path, report_interval_s=60, max_gap_s=180)
    run_dir = tmp_path / "run"

    # 1. From the environment: first the broker knows another password, then this one. A webhook where nobody is.
    environment = {
        "LIFEBOUND_MQTT_USERNAME": hidden.user,
        "LIFEBOUND_MQTT_PASSWORD": hidden.password,
        "LIFEBOUND_WEBHOOK": hidden.webhook(nobody),
    }
    plain = f"mqtt://127.0.0.1:{closed.port}"
    service = await programs.serve(campaign, run_dir, plain, environment=environment)
    log = service.program.stderr
    await until(lambda: "the broker refuses the login" in log(), lambda: f"not refused: {service.program}")
    await look_at(service, hidden, "wrong password")
    write_passwords(passwords, mosquitto_passwd, {hidden.user: hidden.password})
    os.kill(closed.pid, signal.SIGHUP)  # it reads them again
    await service.ready()
    hidden.search("racks", await play(programs, campaign, plain, environment), b"chips failed")
    await until(lambda: "webhook did not take" in log(), lambda: f"no alert: {service.program}")
    await look_at(service, hidden, "environment")
    await service.stop()
    look_at_output(service, hidden, "environment")

    # 2. From files, over TLS with a client certificate whose key is encrypted.
    authority = Authority(tmp_path)
    secured = authority.of_broker("localhost")
    asking = start_mosquitto(
        lambda port: (
            f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
            f"certfile {secured.certificate}\nkeyfile {secured.key}\n"
            f"cafile {authority.certificate}\nrequire_certificate true\n"
        )
    )
    certificate, key = authority.of_client("monitor")
    environment = {
        "LIFEBOUND_MQTT_USERNAME": hidden.user,
        "LIFEBOUND_MQTT_CA_FILE": str(authority.certificate),
        "LIFEBOUND_MQTT_CERT_FILE": str(certificate),
        "LIFEBOUND_MQTT_KEY_FILE": str(encrypted(key, hidden.key_password)),
    }
    for name, text in (
        ("LIFEBOUND_MQTT_PASSWORD_FILE", hidden.password),
        ("LIFEBOUND_MQTT_KEY_PASSWORD_FILE", hidden.key_password),
        ("LIFEBOUND_WEBHOOK_FILE", hidden.webhook(nobody)),
    ):
        file = tmp_path / name
        file.touch(mode=0o600)
        file.write_text(text + "\n")
        environment[name] = str(file)
    encrypted_url = f"mqtts://localhost:{asking.port}"
    service = await programs.serve(campaign, run_dir, encrypted_url, environment=environment)
    await service.ready()
    log = service.program.stderr
    await until(lambda: "webhook did not take" in log(), lambda: f"no alert: {service.program}")
    await look_at(service, hidden, "files")
    await service.kill()  # so that all its files are there as they were
    look_at_output(service, hidden, "files")

    # 3. What is left on disk, and what the other commands make of it.
    out = tmp_path / "out.jsonl"
    for done, control in (
        (programs.start("figures", "--run", run_dir), b"A-007"),
        (programs.start("figures", "--run", run_dir, "--json"), CAMPAIGN),
        (programs.start("export", run_dir, out, "--json"), b"{"),
    ):
        assert await done.ended() == 0, str(done)
        hidden.search(str(done.popen.args), done.stdout() + done.stderr().encode(), control)
    hidden.search("the export", out.read_bytes(), CAMPAIGN)
    files = [path for path in run_dir.rglob("*") if path.is_file()]
    assert {"journal.db", "service.json"} <= {path.name for path in files}
    for path in files:
        hidden.search(f"file {path.name}", path.read_bytes(), b"")
    unpacked = repr([entries for _, entries in journalled(run_dir)]).encode()
    hidden.search("the journal's batches", unpacked, b"oven-1")
    hidden.search("all files", b"".join(path.read_bytes() for path in files), CAMPAIGN)

    found = [
        (where, form) for form in hidden.forms() for where, text in hidden.places.items() if form in text
    ]
    assert found == []
    assert len(hidden.places) >= 22


def test_the_search_finds_what_is_there(hidden: Secrets) -> None:
    """The control of the search itself."""
    hidden.search("a log", f"cannot post to {hidden.webhook(1)}".encode(), b"cannot")
    header = base64.b64encode(f"{hidden.hook_user}:{hidden.hook_password}".encode())
    hidden.search("a header", b"Authorization: Basic " + header, b"Basic")
    found = {where for form in hidden.forms() for where, text in hidden.places.items() if form in text}
    assert found == {"a log", "a header"}


@pytest.mark.parametrize(
    ("option", "variable", "says"),
    [
        (
            "http://user:{}@127.0.0.1/hook",
            None,
            "--webhook: a user name or password in the URL can be seen by others",
        ),
        (
            "http://{}@127.0.0.1/hook",
            None,
            "--webhook: a user name or password in the URL can be seen by others",
        ),
        ("ftp://127.0.0.1/{}", None, "--webhook: use an http:// or https:// URL"),
        (None, "127.0.0.1/{}", "LIFEBOUND_WEBHOOK: use an http:// or https:// URL"),
        (None, "http://user:{}@:port/", "LIFEBOUND_WEBHOOK: use an http:// or https:// URL"),
        (None, "http://[{}", "LIFEBOUND_WEBHOOK: use an http:// or https:// URL"),
    ],
)
def test_a_webhook_that_cannot_be_used_is_refused_and_not_repeated(
    *,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    option: str | None,
    variable: str | None,
    says: str,
) -> None:
    hidden = secrets.token_hex(8)
    if variable is not None:
        monkeypatch.setenv("LIFEBOUND_WEBHOOK", variable.format(hidden))
    more = ("--webhook", option.format(hidden)) if option is not None else ()
    done = lifebound(capsys, "serve", write_campaign(tmp_path), "--run", tmp_path / "run", *more)
    assert done.code == 2
    assert says in done.err
    assert hidden not in done.err + done.out
    assert not (tmp_path / "run").exists()
