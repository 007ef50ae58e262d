"""How thick the walls of a part are, and how wide the gaps between them.

From places all over the surface a ray goes straight in (for gaps: straight out) to what is opposite. It
overrates what narrows to an edge, so the largest ball that touches the place from that side and holds none
of the surface has the last word (H. Blum's medial ball, 1967; touching-ball search after J. Ma, S. W. Bae,
S. Choi, "3D medial axis point approximation using nearest neighbors and the normal field", The Visual
Computer, 2012). A ball stopped by a side that is not opposite, as near the edge of a cube, says nothing; nor
does one where the two sides meet, as near the edge of a wedge (`edge_places`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from .distance import NEVER_ENOUGH, WIDE, DistanceTree, _triangle_distances, nearest_in
from .edge_places import AS_FAR_AS, at_edges
from .measures import area_vectors

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

EXTRA_PLACES = 40_000
"""Every triangle has a place; large ones have more, as many as make this number on the whole surface."""

OPPOSITE = -0.5
"""Cosine between the normals of two sides that make a wall: they face apart by 120 degrees or more. What is
blunter than 60 degrees is an edge, and prints as one."""

START = 1e-6
"""A ray starts this share of the part's size off the surface, so that it does not meet its own triangle."""

HALVINGS = 14
"""The ball's radius is found to 1/16000 of the ray's length."""

TOUCHES = 1e-6
"""A ball is empty that nothing reaches into by more than this share of its radius: the place it touches is
off by rounding."""

BEHIND = 1.25
"""What lies behind an edge or a tip is so many times as thick as the place is, and at least the finest a
printer lays down: else the part is thin there altogether, as a bar with a pointed section is."""

CLEAR = 0.9
"""This share of that thickness does: edges are rounded and sides rough."""

ROUNDING = 1e-12
"""Of a square: far more than it is off by, far less than would matter."""

CHUNKS, STACK = 512, 256
"""Places are shared out to threads in so many lots, each answered by one; levels of the tree, eight each."""

BEYOND = 1.02
"""A ball that is this much larger shows what stopped it, which is then nearer than the place it touches."""

SEEN_MM2, SEEN_SHARE, SEEN_SHARE_OF_SMALL = 1.0, 0.001, 0.01
"""The thinnest wall is that which a thousandth of the surface goes below, a square millimetre at least (of a
small part, a hundredth): less is grain, an edge or a tip, not a wall. Our judgement."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface: point (k,3), outward normal (k,3), face (k,), and area each stands for (k,)."""

    point: Floats
    normal: Floats
    face: Ints
    area_mm2: Floats


class Surface:
    """A closed surface (n,3), (m,3) set up to be asked, any number of times, what lies where."""

    def __init__(self, vertices: ArrayLike, faces: ArrayLike) -> None:
        from embreex.mesh_construction import TriangleMesh
        from embreex.rtcore_scene import EmbreeScene

        self.points = np.asarray(vertices, np.float64)
        self.corners = np.asarray(faces, np.int32)
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        self.size_mm = float(np.linalg.norm(high - low))
        self._middle = (low + high) / 2.0
        self._scene: Any = EmbreeScene(robust=True)
        TriangleMesh(self._scene, (self.points - self._middle).astype(np.float32), np.array(self.corners))

    @cached_property
    def normals(self) -> Floats:
        """(m,3) outward unit normals."""
        return self.normals_of(np.arange(len(self.corners), dtype=np.int32))

    @cached_property
    def tree(self) -> DistanceTree:
        return DistanceTree.of(self.points, self.corners)

    def normals_of(self, faces: Ints) -> Floats:
        """(k,3) outward unit normals."""
        vectors = area_vectors(self.points, self.corners[faces])
        return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-300)[:, None], np.float64)

    def first_hit(self, start: Floats, way: Floats) -> Ints:
        """(k,) the first face along each ray, or -1."""
        from_middle = (start - self._middle).astype(np.float32)
        return np.asarray(self._scene.run(from_middle, way.astype(np.float32)), np.int32)

    def room(self, start: Floats, way: Floats) -> Floats:
        """(k,) how far it is along each ray of unit length to the surface, mm; -1 from outside."""
        hit = self.first_hit(start, way)
        normal = self.normals[hit]
        along = np.einsum("ij,ij->i", normal, way)
        far = np.einsum("ij,ij->i", normal, self.points[self.corners[hit, 0]] - start)
        return np.where((hit >= 0) & (along > 0), far / np.where(along > 0, along, 1.0), -1.0)


def places_on(vertices: ArrayLike, faces: ArrayLike) -> Places:
    """The middle of every triangle, and evenly spread ones in large triangles. Flat slivers have none."""
    points = np.asarray(vertices, np.float64)
    corners = np.asarray(faces, np.int32)
    vectors = area_vectors(points, corners)
    area = np.linalg.norm(vectors, axis=1)
    real = np.flatnonzero(area > 0)
    count = np.maximum(np.ceil(area[real] / max(area.sum(), 1e-300) * EXTRA_PLACES), 1).astype(np.int64)
    face = np.repeat(real, count)
    rank = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
    # M. Roberts' R2 sequence, "The unreasonable effectiveness of quasirandom sequences", 2018; folded.
    golden = 1.32471795724474602596
    u, v = (rank + 1) / golden % 1.0, (rank + 1) / golden**2 % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    alone = np.repeat(count == 1, count)
    u, v = np.where(alone, 1 / 3, u), np.where(alone, 1 / 3, v)
    a, b, c = (points[corners[face, k]] for k in range(3))
    return Places(
        a + u[:, None] * (b - a) + v[:, None] * (c - a),
        vectors[face] / area[face, None],
        face.astype(np.int32),
        area[face] / np.repeat(count, count),
    )


def walls(surface: Surface, places: Places, at_most_mm: float, finest_mm: float) -> Floats:
    """(k,) thickness of the wall under each place, mm; infinite where nothing is opposite.

    Beyond `at_most_mm` the ray alone is told. Under `finest_mm`, and as far up as the thinnest wall, places
    at edges are infinite too, if the part is thick behind.
    """
    found, other, middle = _measured(surface, places, -places.normal, at_most_mm)
    across = surface.first_hit(places.point - places.normal * surface.size_mm * START, -places.normal)
    looked = np.zeros(len(found), np.bool_)
    fresh = np.flatnonzero(found < min(finest_mm, at_most_mm))
    while len(fresh):
        looked[fresh] = True
        edge = fresh[_at_edges(surface, places, fresh, found, other, middle)]
        thick = np.maximum(finest_mm, BEHIND * found[edge])
        behind = np.zeros(len(edge), np.bool_)
        # Around the tip of a cone the ball may be stopped anywhere: straight across is what the ray met.
        for opposite in (across, other):
            normals = places.normal[edge], surface.normals[opposite[edge]]
            behind |= _thick_behind(surface, middle[edge], normals, found[edge], thick)
        found[edge[behind]] = np.inf
        fresh = np.flatnonzero((found <= min(thinnest(found, places.area_mm2), at_most_mm)) & ~looked)
    return found


def gaps(surface: Surface, places: Places, at_most_mm: float, finest_mm: float) -> Floats:
    """(k,) width of the gap over each place, mm; infinite where nothing is opposite.

    Beyond `at_most_mm` the ray alone is told. Under `finest_mm`, places in a crease are infinite too.
    """
    found, other, middle = _measured(surface, places, places.normal, at_most_mm)
    narrow = np.flatnonzero(found < min(finest_mm, at_most_mm))
    found[narrow[_at_edges(surface, places, narrow, found, other, middle)]] = np.inf
    return found


def _at_edges(
    surface: Surface, places: Places, which: NDArray[np.intp], width: Floats, other: Ints, middle: Floats
) -> NDArray[np.bool_]:
    return at_edges(
        surface.points,
        surface.corners,
        surface.normals,
        places.face[which],
        other[which],
        middle[which],
        width[which],
    )


def _thick_behind(
    surface: Surface, middle: Floats, normals: tuple[Floats, Floats], width: Floats, thick: Floats
) -> NDArray[np.bool_]:
    """(k,) whether the part gets `thick` (k,) mm as far behind a place as a wedge of the least angle does.

    middle (k,3) between two sides with those normals (k,3) that are `width` (k,) mm apart.
    """
    ahead = normals[0] + normals[1]
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1), 1e-300)[:, None]
    far = np.maximum(AS_FAR_AS * (thick - width), thick / 2.0)
    behind = middle - ahead * far[:, None]
    # Seen from there, nothing lies before the middle, and both sides are far enough away.
    found = surface.room(behind, ahead) >= far - width
    for normal in normals:
        found &= surface.room(behind, normal) >= CLEAR * thick / 2.0
    return found


def _measured(
    surface: Surface, places: Places, way: Floats, at_most_mm: float
) -> tuple[Floats, Ints, Floats]:
    """(k,) how far it is to the other side, (k,) the face that is opposite, (k,3) the middle between."""
    found, other = _across(surface, places, way)
    thin = np.flatnonzero(found < 2.0 * at_most_mm)
    if len(thin):
        narrowed, stop = _narrowed(surface, places.point[thin], places.normal[thin], way[thin], found[thin])
        found[thin] = narrowed
        other[thin] = np.where(stop >= 0, stop, other[thin])
    middle = places.point + way * np.where(np.isfinite(found), found / 2.0, 0.0)[:, None]
    return found, other, middle


def thinnest(width_mm: Floats, area_mm2: Floats) -> float:
    """The width that only a thousandth of the surface goes below (see SEEN_SHARE); may be infinite."""
    if not len(width_mm):
        return float("inf")
    order = np.argsort(width_mm, kind="stable")
    sums = np.cumsum(area_mm2[order])
    seen = min(max(SEEN_MM2, SEEN_SHARE * sums[-1]), SEEN_SHARE_OF_SMALL * sums[-1])
    at = int(np.searchsorted(sums, seen))
    return float(width_mm[order[min(at, len(order) - 1)]])


def mean_by_face(values: ArrayLike, places: Places, count: int) -> Floats:
    """(m,) mean over each face's places; zero for slivers, which have none."""
    sums = np.bincount(places.face, np.asarray(values, np.float64), count)
    return np.asarray(sums / np.maximum(np.bincount(places.face, minlength=count), 1), np.float64)


def _across(surface: Surface, places: Places, way: Floats) -> tuple[Floats, Ints]:
    """Distance along a ray to a side that faces the other way, worked out in double precision; its face."""
    hit = surface.first_hit(places.point + way * surface.size_mm * START, way)
    found = np.full(len(hit), np.inf)
    met = np.flatnonzero(hit >= 0)
    other = surface.normals[hit[met]]
    facing = np.einsum("ij,ij->i", other, places.normal[met])
    along = np.einsum("ij,ij->i", other, way[met])
    corner = surface.points[surface.corners[hit[met], 0]]
    far = np.einsum("ij,ij->i", other, corner - places.point[met])
    wall = (facing < OPPOSITE) & (np.abs(along) > 1e-9)
    found[met[wall]] = np.maximum(far[wall] / along[wall], 0.0)
    return found, hit


def _narrowed(
    surface: Surface, start: Floats, normal: Floats, way: Floats, across: Floats
) -> tuple[Floats, Ints]:
    """The diameter of the largest empty ball instead, and the face that stops it, where an opposite side does
    (else -1).
    """
    tree = surface.tree
    fits = _largest_empty(tree.leaves, tree.boxes, tree.first, start, way, across)
    centre = start + way * (fits * BEYOND)[:, None]
    # What stops the ball lies where the distance from its centre falls fastest.
    reach = np.maximum(fits * 1e-3, 1e-7 * surface.size_mm)
    toward = _falls(tree.leaves, tree.boxes, tree.first, centre, reach)
    toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-300)[:, None]
    hit = surface.first_hit(centre, toward)
    opposite = (np.einsum("ij,ij->i", surface.normals[hit], normal) < OPPOSITE) & (hit >= 0)
    nearer = opposite & (2.0 * fits < across)
    return np.where(nearer, 2.0 * fits, across), np.where(nearer, hit, -1).astype(np.int32)


@njit(parallel=True, cache=True)
def _largest_empty(leaves, boxes, first, start, way, across):
    """(k,) radius of the largest ball that touches its place from one side and holds none of the surface.

    A ball is empty if all is at least its radius away but for a millionth; whatever is nearer ends the
    search, and is looked at first for the next ball.
    """
    count = len(start)
    found = np.empty(count)
    chunks = min(count, CHUNKS)
    for chunk in prange(chunks):
        stack, depth = np.empty(STACK, np.int64), np.empty(STACK, np.int64)
        bound, squared = np.empty(STACK), np.empty(WIDE)
        last = 0
        for i in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            fits, too_large = 0.0, across[i] / 2.0
            for _ in range(HALVINGS):
                radius = (fits + too_large) / 2.0
                x = start[i, 0] + way[i, 0] * radius
                y = start[i, 1] + way[i, 1] * radius
                z = start[i, 2] + way[i, 2] * radius
                clear = radius * (1.0 - TOUCHES)
                enough = clear * clear * (1.0 - ROUNDING)
                _triangle_distances(leaves[last], x, y, z, squared)
                best = min(squared.min(), clear * clear * (1.0 + ROUNDING))
                if best >= enough:
                    best, last = nearest_in(
                        leaves, boxes, first, x, y, z, best, last, enough, stack, depth, bound, squared
                    )
                if np.sqrt(best) >= clear:
                    fits = radius
                else:
                    too_large = radius
            found[i] = fits
    return found


@njit(parallel=True, cache=True)
def _falls(leaves, boxes, first, centre, reach):
    """(k,3) by how much nearer the surface gets along each axis, from `reach` (k,) behind to as far ahead."""
    count = len(centre)
    falls = np.empty((count, 3))
    chunks = min(count, CHUNKS)
    for chunk in prange(chunks):
        stack, depth = np.empty(STACK, np.int64), np.empty(STACK, np.int64)
        bound, squared = np.empty(STACK), np.empty(WIDE)
        last = 0
        for i in range(chunk * count // chunks, (chunk + 1) * count // chunks):
            for axis in range(3):
                away = np.zeros(2)
                for side in range(2):
                    x, y, z = centre[i, 0], centre[i, 1], centre[i, 2]
                    step = reach[i] if side else -reach[i]
                    x += step if axis == 0 else 0.0
                    y += step if axis == 1 else 0.0
                    z += step if axis == 2 else 0.0
                    _triangle_distances(leaves[last], x, y, z, squared)
                    best, last = nearest_in(
                        leaves, boxes, first, x, y, z, squared.min(), last, NEVER_ENOUGH, stack, depth, bound,
                        squared,
                    )  # fmt: skip
                    away[side] = np.sqrt(best)
                falls[i, axis] = away[0] - away[1]
    return falls
