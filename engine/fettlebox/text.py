"""Text from outside, made safe to print."""

from __future__ import annotations

import unicodedata

UNSAFE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def plain(text: str) -> str:
    """The same text with everything that could steer a terminal shown as its code point (`\\x1b`)."""
    return "".join(c if unicodedata.category(c) not in UNSAFE else _shown(c) for c in text)


def _shown(c: str) -> str:
    code = ord(c)
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"
