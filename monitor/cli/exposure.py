"""Where HTTP is served, and what must hold before it is served beyond loopback."""

from __future__ import annotations

import ssl
import stat
import sys
from argparse import Namespace
from dataclasses import dataclass
from pathlib import Path

from monitor.cli.hosts import is_loopback
from monitor.service.access import TokenStore
from shared.errors import InputError

_WILDCARDS = {"0.0.0.0": "127.0.0.1", "::": "::1"}


@dataclass(frozen=True, slots=True)
class Exposure:
    """An address, and who can reach it: ``beyond`` loopback, through a proxy or by TLS of our own."""

    host: str
    port: int
    tls: ssl.SSLContext | None
    behind_proxy: bool
    beyond: bool

    def url(self, port: int) -> str:
        """How a client on this host reaches it; an address that means all of them is no name to ask by."""
        host = _WILDCARDS.get(self.host, self.host)
        scheme = "https" if self.tls else "http"
        return f"{scheme}://[{host}]:{port}" if ":" in host else f"{scheme}://{host}:{port}"


def exposure(args: Namespace, run_dir: Path) -> Exposure:
    """What ``--http``, ``--http-cert``, ``--http-key`` and ``--behind-proxy`` ask for. Raises InputError.

    A proxy on this host reaches a loopback address and opens it to others, so it counts as beyond loopback too.
    """
    host, port = _address(args.http)
    tls = _tls(args.http_cert, args.http_key)
    beyond = args.behind_proxy or not is_loopback(host)
    if beyond:
        _check(args, run_dir, protected=tls is not None or args.behind_proxy)
    return Exposure(host, port, tls, args.behind_proxy, beyond)


def _check(args: Namespace, run_dir: Path, *, protected: bool) -> None:
    missing = []
    if not protected:
        missing.append(
            "TLS (give --http-cert and --http-key, or --behind-proxy if a TLS proxy stands in front of it)"
        )
    if not TokenStore(run_dir).exists():
        missing.append(f"a token (make one with lifebound token --run {run_dir})")
    if missing:
        raise InputError(
            f"--http {args.http}: served beyond loopback, which needs {' and '.join(missing)}; without them only a "
            "loopback address is served"
        )


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not (port.isascii() and port.isdecimal()) or int(port) > 65535:
        raise InputError(f"--http {text}: use HOST:PORT, as in 127.0.0.1:8417 (port 0 takes a free one)")
    return host.strip("[]"), int(port)


def _tls(cert: str | None, key: str | None) -> ssl.SSLContext | None:
    if cert is None and key is None:
        return None
    if cert is None or key is None:
        raise InputError("--http-cert and --http-key: give both, the certificate and its key")
    for option, path in (("--http-cert", cert), ("--http-key", key)):
        try:
            with Path(path).open("rb"):
                pass
        except OSError as error:
            raise InputError(f"{option} {path}: cannot be read ({error.strerror or error})") from None
    if stat.S_IMODE(Path(key).stat().st_mode) & (stat.S_IRGRP | stat.S_IROTH):
        print(
            f"lifebound serve: warning: --http-key {key} can be read by others; chmod 600 it", file=sys.stderr
        )
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(cert, key, password=lambda: _no_password(key))
    except ssl.SSLError as error:
        raise InputError(
            f"--http-cert {cert}, --http-key {key}: not a certificate in PEM form and its key "
            f"({error.reason or 'unreadable'})"
        ) from None
    return context


def _no_password(key: str) -> str:
    """Called for an encrypted key; without it OpenSSL would ask on the terminal."""
    raise InputError(
        f"--http-key {key}: is encrypted; give a key without a password that only its owner can read"
    )
