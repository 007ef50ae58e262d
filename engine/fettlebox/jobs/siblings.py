"""Which scans in a folder of arrivals belong together: a ticket lists them as takes of one subject."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from ..errors import FettleboxError
from .digest import Signature

TAKES_TICKET = ".takes.ticket.yaml"
"""How a ticket is called that lists scans beside it: it is found before any of them is taken in alone."""
MOST_BYTES = 64_000
"""A ticket that is larger is not read; whoever takes it in says so."""


@dataclass(frozen=True)
class Siblings:
    """Scans that become one job, in the ticket's order; the first one names the job."""

    ticket: str
    scans: tuple[str, ...]


class TakeLists:
    """The takes that tickets list. A ticket is read once, and again when it has changed."""

    def __init__(self) -> None:
        self._read: dict[Path, tuple[Signature, tuple[str, ...]]] = {}

    def look(self, tickets: Mapping[Path, Signature]) -> dict[Path, tuple[str, ...]]:
        """What each ticket lists, by the ticket's path in order. Those that have gone are forgotten."""
        now: dict[Path, tuple[Signature, tuple[str, ...]]] = {}
        for path, found in sorted(tickets.items()):
            known = self._read.get(path)
            if known is None or known[0] != found:
                known = (found, takes_in(path) if found.size <= MOST_BYTES else ())
            now[path] = known
        self._read = now
        return {path: takes for path, (_, takes) in now.items()}


def takes_in(ticket: Path) -> tuple[str, ...]:
    """The plain names that a ticket lists as takes, even if something else in it is wrong: all its scans are
    told so together.
    """
    from ..recipe.nodes import Problems
    from ..recipe.text import read_file, read_nodes

    try:
        root = read_nodes(read_file(ticket, ticket.name, "ticket"), ticket.name, Problems())
        plain = root.plain() if root is not None else None
    except (FettleboxError, OSError, ValueError):
        return ()
    listed = plain.get("takes") if isinstance(plain, dict) else None
    names = [take for take in listed if isinstance(take, str)] if isinstance(listed, list) else []
    return tuple(dict.fromkeys(name for name in names if _is_plain(name)))


def _is_plain(name: str) -> bool:
    return bool(name) and not name.startswith(".") and not any(c in "/\\" or ord(c) < 32 for c in name)


def still_coming(takes: Iterable[str], scans: Mapping[str, Signature], partial: Iterable[str]) -> bool:
    """Is a take that is not there yet being written under another name, as uploads do?"""
    missing = [take for take in takes if take not in scans]
    return any(take in name for name in partial for take in missing)
