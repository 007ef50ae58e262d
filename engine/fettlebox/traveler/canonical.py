"""One way to write a JSON value as bytes, and the digest of those bytes."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from pathlib import PurePath
from typing import Any

SIGNIFICANT_DIGITS = 7
"""A micrometre in ten metres: far finer than a scan is true, coarser than the rounding that differs
between processors."""


def canonical(value: Any) -> bytes:
    """RFC 8785 canonical JSON. Raises ValueError for what JSON or a double cannot hold."""
    import rfc8785

    return rfc8785.dumps(value)


def sha256(data: bytes) -> str:
    """FIPS 180-4 SHA-256, as 64 lower-case hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def digest(value: Any) -> str:
    """SHA-256 of the canonical JSON of a value: equal values, equal digests."""
    return sha256(canonical(value))


def plain(value: Any) -> Any:
    """The JSON value of facts and evidence: numpy and paths become plain, keys are sorted.

    Numbers keep SIGNIFICANT_DIGITS; what is not a finite number becomes null. Data classes keep the
    order of their fields, as those are read from top to bottom.
    """
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return rounded(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {key: plain(value[raw]) for key, raw in sorted((str(raw), raw) for raw in value)}
    if isinstance(value, Set):
        return sorted((plain(v) for v in value), key=repr)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        return [plain(v) for v in value]
    if isinstance(value, PurePath):
        return value.as_posix()
    return str(value)


def rounded(value: float) -> float | None:
    """A number to SIGNIFICANT_DIGITS, or None if it is not finite."""
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}") + 0.0 if math.isfinite(value) else None
