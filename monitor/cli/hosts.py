"""Hosts as they are named on the command line."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether only this machine answers under that name or address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
