"""Whether an address is this machine's own, where what is sent goes over no wire."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """True for localhost, and for an address of 127.0.0.0/8 or ::1 (RFC 6890)."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
