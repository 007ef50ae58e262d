"""How much likeness the cuts of a finished part took, and a picture of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fettlebox.api import Part, Plane

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STUMP_DEG = 45.0
"""A flat base that closed the scan belongs to a neck or another stump if it looks down to within this, and a
cut that leaves some of it only shortens the stump. One that looks further to a side closed the back of what
was scanned from in front, whose lower end is likeness. Our judgement, as of the search for a cut."""


def likeness_taken(part: Part, reference: Part) -> float:
    """Share, 0 to 1, that cuts took of what is seen of the scan as the part stands.

    0 where they shortened a neck or another stump: that is what a cut is for. A scan that came closed had
    no opening to tell where its stump is, and counts as having one.
    """
    import numpy as np
    from fettlebox.mesh.surfaces import spread

    from .cut_scan import SCAN_POINTS
    from .geometry.scan_surface import ScanSurface
    from .geometry.support_columns import unit_normals

    planes = _through_likeness(part)
    if not planes:
        return 0.0
    vertices = _on_part(part, reference)
    try:
        points, face, _ = spread(vertices, reference.faces, SCAN_POINTS)
    except ValueError:  # no area
        return 0.0
    surface = ScanSurface(points, unit_normals(vertices, reference.faces[face]))
    seen = surface.is_seen(np.array([0.0, 0.0, 1.0]))
    gone = np.zeros(len(points), dtype=np.bool_)
    for plane in planes:
        gone |= plane.height_of(points) > 0
    return float(gone[seen].mean()) if seen.any() else 0.0


def taken_picture(part: Part, reference: Part, title: str) -> bytes:
    """PNG of the scan as it would stand on the part's cuts, those that took of it; pink is what they took."""
    import numpy as np

    from .cut_picture import CHOSEN, Frame, cut_picture

    scan = Part(_on_part(part, reference), reference.faces)
    frames = [
        Frame(np.array(plane.point), -np.array(plane.normal), CHOSEN)
        for plane in _through_likeness(part)
        if plane.height_of(scan.vertices).max() > 0
    ]
    return cut_picture(scan, frames, frames, title)


def has_no_stump(part: Part) -> bool:
    """Whether the face that closed the scan does not look down, of a part that stands as `orient` turned it
    and is about to be cut. Where an earlier cut took that face, what held for that cut holds.
    """
    down = math.cos(math.radians(STUMP_DEG))
    closed_aside = any(plane.kind == "base" and -plane.normal[2] < down for plane in part.planes)
    return closed_aside or bool(_through_likeness(part))


def _through_likeness(part: Part) -> list[Plane]:
    return [plane for plane in part.planes if plane.kind == "cut" and plane.likeness]


def _on_part(part: Part, reference: Part) -> Floats:
    """(n,3) the scan's vertices where they are, or were, on the part."""
    import numpy as np

    to_part = part.placement @ np.linalg.inv(reference.placement)
    return np.asarray(reference.vertices @ to_part[:3, :3].T + to_part[:3, 3], dtype=np.float64)
