"""What is known of a scan and need not be judged, its unit and up axis, applied to it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from .mesh import Origin, Part, Scan
from .recipe import Ticket

UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


def declared(scan: Scan, ticket: Ticket | None) -> tuple[Part, Origin, tuple[str, ...]]:
    """Apply what is known and need not be judged: the unit and up axis of the ticket or of the file."""
    part, origin, notes = scan.part, scan.origin, list(scan.origin.notes)
    if ticket is not None and ticket.unit is not None:
        unit_mm = UNIT_MM[ticket.unit]
        if origin.unit_mm not in (None, unit_mm):
            notes.append(
                f"the file says a unit of {origin.unit_mm:g} mm, the ticket {unit_mm:g} mm; the ticket wins"
            )
        origin = replace(origin, unit_mm=unit_mm, unit_from="ticket")
    if ticket is not None and ticket.up is not None:
        if origin.up not in (None, ticket.up):
            notes.append(f"the file says {origin.up} is up, the ticket {ticket.up}; the ticket wins")
        origin = replace(origin, up=ticket.up, up_from="ticket")
    if origin.unit_mm is not None:
        part = part.in_unit(origin.unit_mm)
    if origin.up is not None:
        part = part.moved(z_up_from(origin.up))
    return part, origin, tuple(notes)


def z_up_from(up: str) -> Any:
    """The (4,4) quarter turn about X or Y (or half turn about X) that brings a named axis to +Z."""
    import numpy as np

    turns: dict[str, list[list[float]]] = {
        "+z": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
        "-z": [[1, 0, 0], [0, -1, 0], [0, 0, -1]],
        "+y": [[1, 0, 0], [0, 0, -1], [0, 1, 0]],
        "-y": [[1, 0, 0], [0, 0, 1], [0, -1, 0]],
        "+x": [[0, 0, -1], [0, 1, 0], [1, 0, 0]],
        "-x": [[0, 0, 1], [0, 1, 0], [-1, 0, 0]],
    }
    matrix = np.eye(4)
    matrix[:3, :3] = turns[up]
    return matrix


def life_unit_mm(part: Part) -> float:
    """Millimetres, life-size, in one unit of the scan file's numbers, as judged by the end."""
    import numpy as np

    return float(np.cbrt(np.linalg.det(part.placement[:3, :3])) / part.life_scale)
