"""Which addresses are this machine itself, so that nobody else hears what is said there."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Tell whether a host is this machine itself, whatever a name server says."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
