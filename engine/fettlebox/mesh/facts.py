"""What every part's facts say, with units in the names."""

from __future__ import annotations

from typing import Any

import numpy as np

from .part import Part
from .soundness import inspect
from .topology import bodies, boundary_loop_count, check_edges


def measure(part: Part, *, witness: bool = True) -> dict[str, Any]:
    """Facts of a part. `sound` is null unless the witness is asked (it costs the most)."""
    faces, vertices = part.faces, part.vertices
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    shifted = corners - (corners.mean(axis=(0, 1)) if len(faces) else 0.0)
    closed = check_edges(faces, len(vertices)).closed and len(faces) > 0
    low, high = part.bounds
    return {
        "triangles": len(faces),
        "vertices": len(np.unique(faces)),
        "closed": closed,
        "sound": inspect(part).sound if witness else None,
        "bodies": bodies(faces, len(vertices))[0],
        "rims": 0 if closed else boundary_loop_count(faces, len(vertices)),
        "volume_mm3": float((shifted[:, 0] * np.cross(shifted[:, 1], shifted[:, 2])).sum() / 6.0)
        if closed
        else None,
        "area_mm2": float(np.linalg.norm(cross, axis=1).sum() / 2.0),
        "size_mm": [float(v) for v in high - low],
    }
