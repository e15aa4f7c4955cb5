"""Broker URLs, and the secrets that never stand in them."""

from __future__ import annotations

import os
import ssl
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from monitor.intake.link import Address, Version
from shared.errors import InputError

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_HELP = "use mqtt://HOST[:PORT], mqtts://HOST[:PORT] or embedded[:PORT]"


@dataclass(frozen=True, slots=True)
class Embedded:
    """The embedded broker, on a port of loopback (0: a free one)."""

    port: int


def parse_broker(text: str) -> Address | Embedded:
    """What ``--broker`` names. Raises InputError."""
    if text == "embedded" or text.startswith("embedded:"):
        return Embedded(_embedded_port(text))
    try:
        url = urlsplit(text)
        port = url.port
    except ValueError as error:
        raise InputError(f"--broker {text}: {error}; {_HELP}") from None
    if url.username is not None or url.password is not None:
        raise InputError(
            "--broker: a user name or password in the URL can be seen by others; set LIFEBOUND_MQTT_USERNAME and "
            "LIFEBOUND_MQTT_PASSWORD or LIFEBOUND_MQTT_PASSWORD_FILE instead"
        )
    if url.scheme not in _PORTS or not url.hostname or url.path.strip("/") or url.fragment or port == 0:
        raise InputError(f"--broker {text}: not a broker; {_HELP}")
    return Address(
        host=url.hostname,
        port=port or _PORTS[url.scheme],
        version=_version(text, url.query),
        username=os.environ.get("LIFEBOUND_MQTT_USERNAME"),
        password=_password(),
        tls=_tls() if url.scheme == "mqtts" else None,
    )


def _embedded_port(text: str) -> int:
    _, _, port = text.partition(":")
    if text == "embedded":
        return _PORTS["mqtt"]
    if not port.isdecimal() or int(port) > 65535:
        raise InputError(f"--broker {text}: {port!r} is no port; {_HELP}")
    return int(port)


def _version(text: str, query: str) -> Version:
    match parse_qs(query, keep_blank_values=True):
        case {} as nothing if not nothing:
            return "5"
        case {"version": ["5"], **rest} if not rest:
            return "5"
        case {"version": ["3.1.1"], **rest} if not rest:
            return "3.1.1"
    raise InputError(f"--broker {text}: after ? only version=5 or version=3.1.1 may stand")


def _password() -> str | None:
    path = os.environ.get("LIFEBOUND_MQTT_PASSWORD_FILE")
    if not path:
        return os.environ.get("LIFEBOUND_MQTT_PASSWORD")
    try:
        return Path(path).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"LIFEBOUND_MQTT_PASSWORD_FILE {path}: cannot be read ({error})") from None


def _tls() -> ssl.SSLContext:
    authority = os.environ.get("LIFEBOUND_MQTT_CA_FILE")
    try:
        return ssl.create_default_context(cafile=authority or None)
    except OSError as error:
        raise InputError(f"LIFEBOUND_MQTT_CA_FILE {authority}: cannot be read ({error})") from None
