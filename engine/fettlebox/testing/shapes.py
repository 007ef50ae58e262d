"""Small shapes that need no file: a ball, a brick, a bust, the bust as a scanner would see it, and seated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..mesh import Part
from ..mesh.part import Plane

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

NECK_MM = -95.0
"""Height below which the scan of the bust has no surface."""


def ball(level: int = 3, radius_mm: float = 20.0) -> Part:
    """A ball of 20·4^level triangles about the origin, every corner exactly `radius_mm` away."""
    directions, faces = _directions(level)
    return Part(directions * radius_mm, faces)


def brick(x_mm: float = 30.0, y_mm: float = 20.0, z_mm: float = 10.0) -> Part:
    """A box of 12 triangles that stands on z = 0, its footprint centred on the origin."""
    corners = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (0.0, 1.0)])
    quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    faces = [f for a, b, c, d in quads for f in ((a, b, c), (a, c, d))]
    return Part(corners * [x_mm, y_mm, z_mm], np.array(faces, dtype=np.int32))


def bust(level: int = 4) -> Part:
    """A life-size head with nose, brow and neck, 20·4^level triangles: closed, sound, upright, facing -Y."""
    directions, faces = _directions(level)
    return Part(_head(directions), faces)


def bust_scan(level: int = 4, grain_mm: float = 0.1, seed: int = 1) -> Part:
    """The bust as a raw scan: open at the neck, grainy, with one loose crumb in the air."""
    directions, faces = _directions(level)
    vertices = _head(directions)
    rng = np.random.default_rng(seed)
    vertices = vertices + directions * rng.normal(0.0, grain_mm, len(vertices))[:, None]
    kept = faces[(vertices[faces][:, :, 2] > NECK_MM).all(axis=1)]
    crumb = np.array([[150.0, 0.0, 0.0], [152.0, 0.0, 0.0], [150.0, 2.0, 0.0]])
    loose = np.array([[0, 1, 2]]) + len(vertices)
    return Part(np.concatenate([vertices, crumb]), np.concatenate([kept, loose]).astype(np.int32))


def seated_bust(level: int = 4) -> Part:
    """The bust as `cut` and `seat` leave it: closed, flat below the neck, standing on z = 0 with that face on
    record as its bed plane.
    """
    directions, faces = _directions(level)
    vertices = _head(directions)
    low = vertices[:, 2] < NECK_MM
    vertices[low] *= NECK_MM / vertices[low, 2:]  # towards the middle, so that it stays free of crossings
    up = np.eye(4)
    up[2, 3] = -NECK_MM
    bed = Plane("cut", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0), bed=True)
    return Part(vertices, faces).moved(up).with_plane(bed)


def usual_parts() -> dict[str, Part]:
    """What a plugin is tried on that brings no parts of its own: a bust, the bust as a raw scan and as seated
    on the bed, a ball and a brick.
    """
    return {"bust": bust(), "scan": bust_scan(), "seated": seated_bust(), "ball": ball(), "brick": brick()}


def odd_parts() -> dict[str, Part]:
    """Nothing, one triangle, a tiny and a huge ball: what a plugin may be given as well."""
    return {
        "nothing": Part(np.zeros((0, 3)), np.zeros((0, 3), np.int32)),
        "one triangle": Part(np.eye(3), np.array([[0, 1, 2]], np.int32)),
        "a part of 1 km": ball(2, 5e5),
        "a part of 1 µm": ball(2, 5e-4),
    }


def _head(directions: Floats) -> Floats:
    """Corners (n,3) of the head, mm, along directions from its middle: an egg with nose, brow and neck."""
    x, y, z = directions.T
    egg = 1.0 / np.sqrt((x / 75.0) ** 2 + (y / 95.0) ** 2 + (z / 115.0) ** 2)
    nose = 18.0 * np.exp(-((x / 0.16) ** 2) - ((z + 0.12) / 0.22) ** 2) * (y < 0)
    brow = 5.0 * np.exp(-((x / 0.5) ** 2) - ((z - 0.22) / 0.12) ** 2) * (y < 0)
    neck = 45.0 * np.exp(-(((z + 1.0) / 0.35) ** 2))
    front = np.clip(-y, 0.0, 1.0) ** 2
    reach: Floats = egg + (nose + brow) * front + neck
    return directions * reach[:, None]


def _directions(level: int) -> tuple[Floats, Ints]:
    """Unit vectors and faces of an icosahedron whose faces were quartered `level` times."""
    golden = (1.0 + 5.0**0.5) / 2.0
    corners = np.array(
        [[-1, golden, 0], [1, golden, 0], [-1, -golden, 0], [1, -golden, 0],
         [0, -1, golden], [0, 1, golden], [0, -1, -golden], [0, 1, -golden],
         [golden, 0, -1], [golden, 0, 1], [-golden, 0, -1], [-golden, 0, 1]],
    )  # fmt: skip
    faces = np.array(
        [[0, 11, 5], [0, 5, 1], [0, 1, 7], [0, 7, 10], [0, 10, 11], [1, 5, 9], [5, 11, 4], [11, 10, 2],
         [10, 7, 6], [7, 1, 8], [3, 9, 4], [3, 4, 2], [3, 2, 6], [3, 6, 8], [3, 8, 9], [4, 9, 5],
         [2, 4, 11], [6, 2, 10], [8, 6, 7], [9, 8, 1]],
    )  # fmt: skip
    corners = corners / np.linalg.norm(corners, axis=1)[:, None]
    for _ in range(level):
        edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        unique, which = np.unique(edges, axis=0, return_inverse=True)
        middles = corners[unique].sum(axis=1)
        middles /= np.linalg.norm(middles, axis=1)[:, None]
        ab, bc, ca = (which.reshape(-1, 3) + len(corners)).T
        a, b, c = faces.T
        corners = np.concatenate([corners, middles])
        faces = np.concatenate(
            [np.stack(t, axis=1) for t in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
        )
    return corners, faces.astype(np.int32)
