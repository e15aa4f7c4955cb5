"""Broker URLs, and the secrets and certificates that never stand in them.

For ``mqtts://`` the broker's certificate and its name are always checked; nothing turns that off.
"""

from __future__ import annotations

import os
import ssl
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, parse_qs, urlsplit

from monitor.cli.hosts import is_loopback
from monitor.cli.secrets import secret, secret_in
from monitor.intake.link import Address, Version
from shared.errors import InputError

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_CERT, _KEY = "LIFEBOUND_MQTT_CERT_FILE", "LIFEBOUND_MQTT_KEY_FILE"
_KEY_PASSWORD = "LIFEBOUND_MQTT_KEY_PASSWORD_FILE"
_HELP = "use mqtt://HOST[:PORT], mqtts://HOST[:PORT] or embedded[:PORT]"


@dataclass(frozen=True, slots=True)
class Embedded:
    """The embedded broker, on a port of loopback (0: a free one)."""

    port: int


def _on_stderr(warning: str) -> None:
    print(f"lifebound: warning: {warning}", file=sys.stderr)


def parse_broker(text: str, warn: Callable[[str], None] = _on_stderr) -> Address | Embedded:
    """What ``--broker`` names, with what the environment says of users and certificates. Raises InputError.

    ``warn`` is told of what works and is not safe.
    """
    if text == "embedded" or text.startswith("embedded:"):
        return Embedded(_embedded_port(text))
    url, port = _split(text)
    address = Address(
        host=url.hostname or "",
        port=port or _PORTS[url.scheme],
        version=_version(text, url.query),
        username=os.environ.get("LIFEBOUND_MQTT_USERNAME") or None,
        password=secret("LIFEBOUND_MQTT_PASSWORD"),
        tls=_tls(warn) if url.scheme == "mqtts" else None,
    )
    if address.tls is None:
        _warn_of_plain(address, warn)
    return address


def _split(text: str) -> tuple[SplitResult, int | None]:
    try:
        url = urlsplit(text)
        port = url.port
        (url.hostname or "").encode("idna")  # as it will be looked up
    except ValueError:  # whose words may quote a password
        raise InputError(f"--broker {_without_user(text)}: not a URL with a valid port; {_HELP}") from None
    if url.username is not None or url.password is not None:
        raise InputError(
            "--broker: a user name or password in the URL can be seen by others; set LIFEBOUND_MQTT_USERNAME and "
            "LIFEBOUND_MQTT_PASSWORD or LIFEBOUND_MQTT_PASSWORD_FILE instead"
        )
    if url.scheme not in _PORTS or not url.hostname or url.path.strip("/") or url.fragment or port == 0:
        raise InputError(f"--broker {_without_user(text)}: not a broker; {_HELP}")
    return url, port


def _without_user(text: str) -> str:
    """The URL as it may be shown: without what stands before an @."""
    return text.rpartition("@")[2]


def _warn_of_plain(address: Address, warn: Callable[[str], None]) -> None:
    if (address.username or address.password) and not is_loopback(address.host):
        warn(
            f"the user name and password cross the network to {address.host} in the clear, and so does every "
            "message; use mqtts://"
        )
    if os.environ.get(_CERT) or os.environ.get(_KEY):
        warn(f"{_CERT} and {_KEY} are of no use with mqtt://; use mqtts://")


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


class _TlsSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the MQTT client leaves it open then, once for each attempt."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _tls(warn: Callable[[str], None]) -> ssl.SSLContext:
    authority = os.environ.get("LIFEBOUND_MQTT_CA_FILE")
    try:
        context = ssl.create_default_context(cafile=authority or None)
    except OSError as error:
        raise InputError(f"LIFEBOUND_MQTT_CA_FILE {authority}: {_no_pem(error, 'certificate')}") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _TlsSocket
    _client_certificate(context, warn)
    return context


def _client_certificate(context: ssl.SSLContext, warn: Callable[[str], None]) -> None:
    """Load what the environment names; nothing if it names nothing."""
    certificate, key = os.environ.get(_CERT), os.environ.get(_KEY)
    if not certificate and not key:
        return
    if not certificate or not key:
        missing, other = (_KEY, _CERT) if certificate else (_CERT, _KEY)
        raise InputError(f"{missing} is not set, and {other} is: a client certificate needs both")
    for name, path in ((_CERT, certificate), (_KEY, key)):
        _can_be_read(name, path)
    if stat.S_IMODE(os.stat(key).st_mode) & (stat.S_IRGRP | stat.S_IROTH):
        warn(f"{_KEY} {key} can be read by others; chmod 600 it")
    used: list[str] = []

    def password() -> str:
        used.append(_key_password(key))
        return used[0]

    try:
        context.load_cert_chain(certificate, key, password=password)
    except ssl.SSLError as error:
        raise InputError(_no_pair(certificate, key, error, encrypted=bool(used))) from None
    except ValueError as error:  # a password longer than OpenSSL takes
        raise InputError(f"{_KEY_PASSWORD}: {error}") from None


def _can_be_read(name: str, path: str) -> None:
    try:
        with Path(path).open("rb"):
            pass
    except OSError as error:
        raise InputError(f"{name} {path}: cannot be read ({error.strerror or error})") from None


def _key_password(key: str) -> str:
    """Asked for only if the key is encrypted; without it OpenSSL would ask on the terminal. Raises InputError."""
    path = os.environ.get(_KEY_PASSWORD)
    if not path:
        raise InputError(f"{_KEY} {key}: is encrypted; name a file with its password in {_KEY_PASSWORD}")
    return secret_in(_KEY_PASSWORD, path)


def _no_pair(certificate: str, key: str, error: ssl.SSLError, *, encrypted: bool) -> str:
    if error.reason == "KEY_VALUES_MISMATCH":
        return f"{_KEY} {key}: is not the key of the certificate in {_CERT} {certificate}"
    if encrypted:
        return f"{_KEY} {key}: the password in the file that {_KEY_PASSWORD} names does not open it"
    return f"{_CERT} {certificate}, {_KEY} {key}: cannot be used, both must be PEM"


def _no_pem(error: OSError, what: str) -> str:
    if isinstance(error, ssl.SSLError):
        return f"holds no {what} in PEM form"
    return f"cannot be read ({error.strerror or error})"
