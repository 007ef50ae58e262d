"""What every part's facts say, with units in the names."""

from __future__ import annotations

import weakref
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from .part import Ints, Part
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
    area_mm2 = float(np.linalg.norm(cross, axis=1).sum() / 2.0)
    del cross
    hang = _hanging(faces, len(vertices))
    volume = signed_volumes(corners, hang.body, hang.count) if hang.closed else None
    low, high = part.bounds
    return {
        "triangles": len(faces),
        "vertices": hang.used,
        "closed": hang.closed,
        "sound": None,
        "bodies": hang.count if volume is None else int((volume > 0).sum()),
        "cavities": None if volume is None else int((volume < 0).sum()),
        "rims": hang.rims,
        "volume_mm3": None if volume is None else float(volume.sum()),
        "area_mm2": area_mm2,
        "size_mm": [float(v) for v in high - low],
    }


@dataclass(frozen=True, eq=False)
class _Hanging:
    """How faces hang together, wherever their vertices are: bodies (m,) and how many, rims, vertices used."""

    closed: bool
    count: int
    body: NDArray[np.int32]
    rims: int
    used: int


_hanging_of: dict[int, tuple[weakref.ref[Ints], _Hanging]] = {}


def _hanging(faces: Ints, vertex_count: int) -> _Hanging:
    """A step that turns, moves or scales a part passes its very array of faces on, which nobody can write
    to: what was found for one such part holds for the next.
    """
    kept = _hanging_of.get(id(faces))
    if kept is not None and kept[0]() is faces:
        return kept[1]
    closed = len(faces) > 0 and is_closed(faces, vertex_count)
    count, body = bodies(faces, vertex_count)
    rims = 0 if closed else boundary_loop_count(faces, vertex_count)
    used = int(np.bincount(faces.ravel(), minlength=1).astype(bool).sum())
    found = _Hanging(closed, count, body, rims, used)
    here = id(faces)
    _hanging_of[here] = (weakref.ref(faces, lambda gone: _hanging_of.pop(here, None)), found)
    return found
