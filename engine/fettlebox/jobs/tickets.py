"""What a scan's ticket is called, and where it may lie: beside the scan, or inside one that is a folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from ..recipe import TICKET_SUFFIX

TICKET_ENDINGS = (TICKET_SUFFIX, ".ticket.yml")


def ticket_names(scan: str) -> tuple[str, ...]:
    """What a scan's ticket may be called: `bust.stl.ticket.yaml`, else `bust.ticket.yaml`; also `.yml`."""
    return tuple(name + ending for name in (scan, Path(scan).stem) for ending in TICKET_ENDINGS)


def ticket_of(scan: str, tickets: Mapping[str, Any]) -> str | None:
    """The name of a scan's ticket, if it is there."""
    return next((name for name in ticket_names(scan) if name in tickets), None)


def lone_ticket(name: str, scans: Iterable[str]) -> str:
    """What to tell of a ticket without a scan."""
    stem = next(name.removesuffix(ending) for ending in TICKET_ENDINGS if name.endswith(ending))
    near = get_close_matches(stem, [Path(scan).stem for scan in scans], n=1)
    hint = f"did you mean {near[0] + TICKET_SUFFIX!r}?" if near else "put the scan beside it, or take it away"
    return f"a ticket without a scan: nothing here is called {stem!r}; {hint}"


def ticket_inside(folder: Path) -> str | None:
    """The one ticket that lies in a folder beside its mesh, `FOLDER/NAME`; None for none or several."""
    found = [path.name for path in folder.iterdir() if path.name.endswith(TICKET_ENDINGS) and path.is_file()]
    return f"{folder.name}/{found[0]}" if len(found) == 1 else None


def ticket_beside(scan: Path) -> Path | None:
    """The ticket that lies beside a scan, else the one inside it; None if there is none."""
    for name in ticket_names(scan.name):
        if scan.with_name(name).is_file():
            return scan.with_name(name)
    inside = ticket_inside(scan) if scan.is_dir() else None
    return None if inside is None else scan.parent / inside
