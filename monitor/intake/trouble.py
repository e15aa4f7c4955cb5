"""Why there is no connection to the broker: one plain sentence for every face. Pure."""

from __future__ import annotations

import re
import ssl
from typing import Final

_EXPIRED = 10  # X.509 verification results, as OpenSSL numbers them
_NOT_YET_VALID = 9
_OTHER_NAME = frozenset({62, 64})  # host name, IP address
_OF_CERTIFICATE = frozenset(
    {
        "UNKNOWN_CA",
        "BAD_CERTIFICATE",
        "UNSUPPORTED_CERTIFICATE",
        "CERTIFICATE_EXPIRED",
        "CERTIFICATE_REVOKED",
        "CERTIFICATE_UNKNOWN",
        "ACCESS_DENIED",
        "DECRYPT_ERROR",
    }
)
_SET_CERTIFICATE: Final = "set LIFEBOUND_MQTT_CERT_FILE and LIFEBOUND_MQTT_KEY_FILE"


def why(host: str, port: int, error: BaseException, heard: str = "", *, tls: bool) -> str:
    """The reason of a failed connection to ``host``; ``heard`` is what the client had logged until then."""
    if isinstance(error, TimeoutError):
        return f"{host}:{port} does not answer"
    if isinstance(error, ssl.SSLCertVerificationError):
        return _of_certificate(host, error)
    if tls and (sentence := _of_handshake(host, port, error, heard)):
        return sentence
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error) or type(error).__name__


def _of_certificate(host: str, error: ssl.SSLCertVerificationError) -> str:
    reason = error.verify_message.rstrip(".")
    if error.verify_code == _EXPIRED:
        return f"certificate of {host} has expired"
    if error.verify_code == _NOT_YET_VALID:
        return f"certificate of {host} is not valid yet"
    if error.verify_code in _OTHER_NAME:
        return f"certificate of {host} is for another name: {reason}"
    return (
        f"certificate of {host} is not trusted: {reason}; LIFEBOUND_MQTT_CA_FILE names the authority to trust"
    )


def _of_handshake(host: str, port: int, error: BaseException, heard: str) -> str | None:
    """What went wrong in TLS; None if nothing of it did."""
    alert = _alert(f"{error} {heard}")
    if alert in {"CERTIFICATE_REQUIRED", "HANDSHAKE_FAILURE"}:
        return f"{host} asks for a client certificate: {_SET_CERTIFICATE}"
    if alert in _OF_CERTIFICATE:
        return f"{host} does not accept the client certificate: {_words(alert)}"
    if alert is not None:
        return f"{host} refuses the TLS handshake: {_words(alert)}"
    if isinstance(error, ssl.SSLError | ConnectionResetError | BrokenPipeError):
        reason = getattr(error, "reason", None) or error.strerror or type(error).__name__
        return f"{host} breaks off the TLS handshake ({_words(reason)}); is port {port} one for TLS?"
    return None


def _alert(text: str) -> str | None:
    """The alert in OpenSSL's name of an error, as CERTIFICATE_REQUIRED in TLSV13_ALERT_CERTIFICATE_REQUIRED."""
    found = re.search(r"\b(?:TLSV1|TLSV13|SSLV3)_ALERT_([A-Z_]+)", text)
    return found[1] if found else None


def _words(name: str) -> str:
    return name.replace("_", " ").lower()
