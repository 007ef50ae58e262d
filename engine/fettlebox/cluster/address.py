"""Which cluster may be used: scans are faces, and go encrypted or not at all."""

from __future__ import annotations

import importlib.util
from urllib.parse import urlsplit

from ..errors import UsageError
from ..loopback import is_loopback


def require_address(address: str, *, unencrypted: bool) -> None:
    """Raises UsageError for what is no scheduler's address, or would send scans unencrypted unasked."""
    try:
        parts = urlsplit(address)
        good = parts.scheme in ("tcp", "tls") and parts.hostname and parts.port
    except ValueError:
        good = None
    if not good:
        raise UsageError(
            f"--workers {address!r}: expected a number, or the address of a Dask scheduler, such as "
            "tls://scheduler:8786"
        )
    if parts.scheme == "tcp" and not unencrypted and not is_loopback(parts.hostname or ""):
        raise UsageError(
            f"{address} would send scans unencrypted, and scans are faces. Use tls://, or, if the network is "
            "yours alone, write 'cluster: {unencrypted: true}' into shop.yaml"
        )
    if importlib.util.find_spec("distributed") is None:
        raise UsageError("a cluster needs the package distributed: pip install 'fettlebox[cluster]'")
