"""The shipped broker configuration as a test runs it: only its port, its paths and its passwords are its own."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

SHIPPED = Path(__file__).resolve().parents[2] / "config" / "mosquitto"
TLS = (
    "#listener 8883",
    "#certfile /etc/mosquitto/certs/server.crt",
    "#keyfile /etc/mosquitto/certs/server.key",
    "#tls_version tlsv1.2",
    "#use_username_as_clientid true",
)
CLIENT_CERTIFICATES = (
    "#cafile /etc/mosquitto/certs/clients-ca.crt",
    "#require_certificate true",
    "#use_identity_as_username true",
)
BOUND_S = 20


@dataclass(frozen=True)
class Secured:
    """The TLS listener: certificate chain and key of the broker (PEM); ``clients``: the authority of its clients."""

    certificate: Path
    key: Path
    clients: Path | None = None


def replace_line(text: str, line: str, by: str) -> str:
    """``text`` with one whole line replaced; fails when it does not stand there exactly once."""
    replaced, count = re.subn(rf"^{re.escape(line)}$", lambda _: by, text, flags=re.MULTILINE)
    assert count == 1, f"the shipped configuration has {count} lines {line!r}"
    return replaced


def configuration(port: int, folder: Path, passwords: Path, secured: Secured | None = None) -> str:
    """The shipped file with its listener on ``port`` and everything else of it in ``folder``.

    ``secured`` opens the TLS listener there, as the file says how, and leaves the plain one out.
    """
    text = (SHIPPED / "mosquitto.conf").read_text("utf-8")
    database = folder / "database"
    database.mkdir(exist_ok=True)
    places = {
        "pid_file /run/mosquitto/mosquitto.pid": f"pid_file {folder / 'mosquitto.pid'}",
        "log_dest file /var/log/mosquitto/mosquitto.log": f"log_dest file {folder / 'mosquitto.log'}",
        "password_file /etc/mosquitto/passwd": f"password_file {passwords}",
        "acl_file /etc/mosquitto/acl": f"acl_file {SHIPPED / 'acl'}",
        "persistence_location /var/lib/mosquitto/": f"persistence_location {database}/",
    }
    if secured is None:
        places["listener 1883 127.0.0.1"] = f"listener {port} 127.0.0.1"
    else:
        places |= {"listener 1883 127.0.0.1": "", "use_username_as_clientid true": ""}
        places |= _opened(TLS, {"8883": f"{port} 127.0.0.1"}, secured)
        if secured.clients is not None:
            places |= _opened(CLIENT_CERTIFICATES, {}, secured)
    for line, by in places.items():
        text = replace_line(text, line, by)
    return text


def _opened(lines: Sequence[str], values: Mapping[str, str], secured: Secured) -> dict[str, str]:
    files = {
        "/etc/mosquitto/certs/server.crt": secured.certificate,
        "/etc/mosquitto/certs/server.key": secured.key,
        "/etc/mosquitto/certs/clients-ca.crt": secured.clients,
    }
    opened: dict[str, str] = {}
    for line in lines:
        name, value = line.removeprefix("#").split(maxsplit=1)
        opened[line] = f"{name} {values.get(value) or files.get(value) or value}"
    return opened


def write_passwords(path: Path, mosquitto_passwd: str, users: Mapping[str, str]) -> None:
    """A password file of mosquitto, hashed."""
    path.touch(mode=0o600)
    path.write_text("".join(f"{user}:{password}\n" for user, password in users.items()))
    subprocess.run([mosquitto_passwd, "-U", path], check=True, timeout=BOUND_S)
    assert not any(password in path.read_text() for password in users.values())
