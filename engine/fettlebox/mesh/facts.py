"""What every part's facts say, with units in the names."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from .part import Part
from .soundness import inspect, signed_volumes
from .topology import bodies, boundary_loop_count, is_closed

_known: WeakKeyDictionary[Part, dict[str, Any]] = WeakKeyDictionary()


def measure(part: Part, *, witness: bool = True) -> dict[str, Any]:
    """Facts of a part. `sound` is null unless the witness is asked (it costs the most).

    Of an open surface `bodies` counts pieces, and volume and cavities are null.
    """
    if part not in _known:
        _known[part] = _measure(part)
    return {**_known[part], "sound": inspect(part).sound if witness else None}


def _measure(part: Part) -> dict[str, Any]:
    faces, vertices = part.faces, part.vertices
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    closed = len(faces) > 0 and is_closed(faces, len(vertices))
    count, body = bodies(faces, len(vertices))
    volume = signed_volumes(corners, body, count) if closed else None
    low, high = part.bounds
    return {
        "triangles": len(faces),
        "vertices": int(np.bincount(faces.ravel(), minlength=1).astype(bool).sum()),
        "closed": closed,
        "sound": None,
        "bodies": count if volume is None else int((volume > 0).sum()),
        "cavities": None if volume is None else int((volume < 0).sum()),
        "rims": 0 if closed else boundary_loop_count(faces, len(vertices)),
        "volume_mm3": None if volume is None else float(volume.sum()),
        "area_mm2": float(np.linalg.norm(cross, axis=1).sum() / 2.0),
        "size_mm": [float(v) for v in high - low],
    }
