"""The embedded broker: for a demo or a try, not for a campaign. It keeps nothing on disk and speaks MQTT 3.1.1."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager

from shared.errors import UnavailableError

LOOPBACK = "127.0.0.1"


@contextmanager
def embedded_broker(port: int) -> Iterator[int]:
    """Run a broker on ``port`` of loopback (0: a free one) in a child process; yields the port.

    Raises UnavailableError when it does not start.
    """
    from iotcore import Broker

    number = port or _free_port()
    broker = Broker(port=number, listen=LOOPBACK)
    try:
        broker.start()
    except (OSError, RuntimeError) as error:
        raise UnavailableError(
            f"the embedded broker does not start on {LOOPBACK}:{number} ({error}); choose a port: embedded:PORT"
        ) from error
    try:
        yield number
    finally:
        broker.stop()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])
