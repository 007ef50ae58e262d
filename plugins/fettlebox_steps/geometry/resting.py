"""On which face a part stands, how firmly, and the turn that puts that face down.

Arrays in, arrays out; lengths in mm, Z up, the bed at z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .measures import Faces, Floats, area_vectors, is_closed, volume_and_centroid
from .refill import spoiled_faces
from .topology import Ints, used_vertices

Flags = NDArray[np.bool_]

FACES_DOWN = np.cos(np.radians(15.0))
"""A face belongs to the bed if it looks down to within 15 degrees; steeper ones are walls that start there.
A base that a step made is flat to rounding, a scanned one has grain of some degrees."""

SAME_FACE = 0.01
"""Radians (half a degree) between normals of hull triangles that belong to one flat face. Qhull splits a face
into triangles that differ by rounding; a grainy scanned base differs by more, and tolerance decides there."""

STIRRED_MM = 1e-9
"""What moved by no more than this was flat to rounding, and spoils nothing."""

TRIED = 200
"""Faces of the hull that are looked at, largest first: a part stands on a fair share of its hull."""


@dataclass(frozen=True, eq=False)
class Rest:
    """One way to stand, on the plane normal·p = offset.

    normal         outward unit normal of the face that is down
    contact_area   area of the part's own faces that lie on the bed
    foot_area      area of the convex hull of all that touches the bed
    margin         from below the centre of mass to the edge of the foot; negative: it topples
    centre_height  height of the centre of mass above the bed
    """

    normal: Floats
    offset: float
    contact_area: float
    foot_area: float
    margin: float
    centre_height: float


def turn_down(normal: Floats) -> Floats:
    """(4,4) smallest turn about the origin that makes the unit vector `normal` look down.

    A part upside down is turned about X, as a person would tip it forward. O. Rodrigues' rotation formula.
    """
    return turn_to(normal, np.array([0.0, 0.0, -1.0]))


def turn_to(source: Floats, target: Floats) -> Floats:
    """(4,4) smallest turn about the origin between unit vectors; half turns are about X, else Y."""
    cosine = float(np.clip(source @ target, -1.0, 1.0))
    axis = np.cross(source, target)
    sine = float(np.linalg.norm(axis))
    matrix = np.eye(4)
    if sine < 1e-12:
        if cosine < 0.0:
            across = np.array([1.0, 0.0, 0.0]) if abs(source[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
            across = across - (across @ source) * source
            across /= np.linalg.norm(across)
            matrix[:3, :3] = 2.0 * np.outer(across, across) - np.eye(3)
        return matrix
    x, y, z = axis / sine
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix[:3, :3] = np.eye(3) + sine * cross + (1.0 - cosine) * (cross @ cross)
    return matrix


def centre_of_mass(vertices: Floats, faces: Faces) -> tuple[Floats, bool]:
    """Centre of mass, and whether it is that of the solid; an open surface is judged by its convex hull."""
    if is_closed(faces):
        volume, centre = volume_and_centroid(vertices, faces)
        if volume > 0.0:
            return centre, True
    hull_vertices, hull_faces = hull(vertices[used_vertices(faces, len(vertices))])
    return volume_and_centroid(hull_vertices, hull_faces)[1], False


def hull(points: Floats) -> tuple[Floats, Faces]:
    """Convex hull as an outward oriented closed mesh. ValueError for points in one plane."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        found = ConvexHull(points)
    except QhullError:
        raise ValueError("all points lie in one plane") from None
    faces = found.simplices.astype(np.int32)
    wrong = np.einsum("ij,ij->i", area_vectors(points, faces), found.equations[:, :3]) < 0.0
    faces[wrong] = faces[wrong][:, ::-1]
    used, inverse = np.unique(faces, return_inverse=True)
    return points[used], inverse.reshape(faces.shape).astype(np.int32)


def rest_on(
    vertices: Floats,
    faces: Faces,
    normal: Floats,
    offset: float,
    centre: Floats,
    tolerance: float,
    used: Ints | None = None,
) -> Rest:
    """How the part would stand with the plane normal·p = offset on the bed.

    `used`: the vertices that faces name, if they are known from looking at another stance of the part.
    """
    used = used_vertices(faces, len(vertices)) if used is None else used
    near = vertices @ normal >= offset - tolerance
    vectors = area_vectors(vertices, _within(near, faces))
    areas = np.linalg.norm(vectors, axis=1)
    flat = vectors @ normal >= FACES_DOWN * areas
    turned = turn_down(normal)[:3, :3]
    foot, foot_area = _outline((vertices[used[near[used]]] @ turned.T)[:, :2])
    below = (turned @ centre)[:2]
    return Rest(
        normal,
        offset,
        float(areas[flat].sum()),
        foot_area,
        inside_by(foot, below),
        float(offset - centre @ normal),
    )


def _within(chosen: Flags, faces: Faces) -> Faces:
    """The faces of which all corners are chosen, which mostly few are: corner by corner."""
    for k in range(3):
        faces = faces[chosen[faces[:, k]]]
    return faces


def resting_faces(
    vertices: Floats, faces: Faces, centre: Floats, tolerance: float, tried: int = TRIED
) -> list[Rest]:
    """Ways to stand on a face of the convex hull, largest first. ValueError for a flat sheet."""
    used = used_vertices(faces, len(vertices))
    corners, triangles = hull(vertices[used])
    found = []
    for normal in _hull_faces(corners, triangles, tolerance)[:tried]:
        offset = float((corners @ normal).max())
        found.append(rest_on(vertices, faces, normal, offset, centre, tolerance, used))
    return found


def _hull_faces(corners: Floats, triangles: Faces, tolerance: float) -> list[Floats]:
    """Unit normals of the flat faces of a hull, largest first: triangles that share a plane are one face.

    A face is led by its largest triangle; triangles within SAME_FACE of it and touching its plane to within
    the tolerance belong to it.
    """
    from scipy.spatial import cKDTree

    vectors = area_vectors(corners, triangles)
    areas = np.linalg.norm(vectors, axis=1)
    real = areas > 0.0
    triangles, vectors, areas = triangles[real], vectors[real], areas[real]
    normals = vectors / areas[:, None]
    together = cKDTree(normals).query_ball_point(normals, SAME_FACE, return_sorted=True)
    middles = corners[triangles].mean(axis=1)
    members = []
    for k, near in enumerate(together):
        close = np.array(near)
        flush = np.abs((middles[close] - middles[k]) @ normals[k]) <= max(tolerance, 1e-9)
        members.append(close[flush])
    sizes = np.array([areas[near].sum() for near in members])
    # A triangle leads by the size of its face, then by its own.
    order = np.lexsort((-areas, -np.round(sizes / sizes.max(), 9)))
    taken = np.zeros(len(areas), dtype=bool)
    faces = []
    for k in order:
        if not taken[k]:
            faces.append(normals[k])
            taken[members[k]] = True
    return faces


def settled(vertices: Floats, faces: Faces, rest: Rest, centre: Floats, tolerance: float) -> Rest:
    """The same stance on a grainy face, sunk in until it rests on the face as a whole.

    The plane is fitted by area to the faces that lie within twice the tolerance of the bed, then put where
    the deepest point is at most the tolerance under it. A face that is flat already comes back unchanged.
    """
    normal, offset = rest.normal, rest.offset
    vectors = area_vectors(vertices, faces)
    areas = np.linalg.norm(vectors, axis=1)
    centres = vertices[faces].mean(axis=1)
    used = vertices[used_vertices(faces, len(vertices))]
    for _ in range(4):
        low = (vertices @ normal >= offset - 2.0 * tolerance)[faces].all(axis=1)
        low &= vectors @ normal >= FACES_DOWN * areas
        if low.sum() < 3 or areas[low].sum() <= 0.0:
            return rest
        weights = areas[low] / areas[low].sum()
        middle = weights @ centres[low]
        spread = centres[low] - middle
        _, axes = np.linalg.eigh(spread.T @ (spread * weights[:, None]))
        fitted = axes[:, 0] if axes[:, 0] @ normal >= 0.0 else -axes[:, 0]
        if fitted @ normal < np.cos(np.radians(2.0)):
            return rest
        deepest = float((used @ fitted).max())
        normal, offset = fitted, min(max(float(middle @ fitted), deepest - tolerance), deepest)
    found = rest_on(vertices, faces, normal, offset, centre, tolerance)
    return found if found.contact_area > rest.contact_area else rest


def inside_by(outline: Floats, point: Floats) -> float:
    """Distance from a point to the edge of a convex outline (k,2) counter-clockwise; negative outside it."""
    if len(outline) < 3:
        return -float(np.linalg.norm(outline - point, axis=1).min()) if len(outline) else -np.inf
    ends = np.roll(outline, -1, axis=0)
    along = ends - outline
    lengths = np.linalg.norm(along, axis=1)
    offset = point - outline
    side = (along[:, 0] * offset[:, 1] - along[:, 1] * offset[:, 0]) / lengths
    if side.min() >= 0.0:
        return float(side.min())
    t = np.clip(np.einsum("ij,ij->i", offset, along) / lengths**2, 0.0, 1.0)
    return -float(np.linalg.norm(offset - t[:, None] * along, axis=1).min())


def flatten(vertices: Floats, faces: Faces, tolerance: float) -> tuple[Floats, Flags, float]:
    """Put the vertices of faces that lie on the bed to within `tolerance` exactly on z = 0.

    Returns new vertices, which of them are on the bed, and how far the farthest moved. Corners of a wall
    lower than the tolerance would collapse it: they stay, or if under the bed come up keeping their order.
    Vertices above the bed stay too where faces would cross, fold or vanish that did not, as between the
    small triangles of a fine scan.
    """
    near = np.abs(vertices[:, 2]) <= tolerance
    touching = _within(near, faces)
    vectors = area_vectors(vertices, touching)
    areas = np.linalg.norm(vectors, axis=1)
    bottom = -vectors[:, 2] >= FACES_DOWN * areas
    on_bed = np.zeros(len(vertices), dtype=bool)
    on_bed[touching[bottom].ravel()] = True
    spared = np.zeros(len(vertices), dtype=bool)
    wall_corners = touching[~bottom & (areas > 0.0)]
    sinks = on_bed[wall_corners].all(axis=1)
    spared[wall_corners[sinks].ravel()] = True
    # Vertices doubled along a seam stay together.
    low = np.flatnonzero(near)
    place = np.unique(vertices[low], axis=0, return_inverse=True)[1].reshape(-1)
    for flags in (on_bed, spared):
        flags[low] = (np.bincount(place, flags[low]) > 0)[place]
    on_bed &= ~(spared & (vertices[:, 2] != 0.0))
    # What dips under the bed by no more than the tolerance comes up to it, whatever it belongs to.
    on_bed |= (vertices[:, 2] < 0.0) & near & ~spared
    moved = np.array(vertices)
    moved[on_bed, 2] = 0.0
    under = spared & (vertices[:, 2] < 0.0)
    moved[under, 2] = (vertices[under, 2] + tolerance) / 2.0
    back = _back_up(vertices, moved, faces, low, place)
    moved[back, 2] = vertices[back, 2]
    return moved, on_bed & ~back, float(np.abs(moved[:, 2] - vertices[:, 2]).max())


def _back_up(vertices: Floats, moved: Floats, faces: Faces, low: Ints, place: Ints) -> Flags:
    """(n,) vertices that had better not come down: faces would be spoiled that were not.

    low, place  vertices (k,) near the bed, and for each the number of the point where it is: those of one
                point go together
    """
    back = np.zeros(len(vertices), dtype=bool)
    down = vertices[:, 2] - moved[:, 2] > STIRRED_MM
    stirred: Flags = np.asarray((np.abs(vertices[:, 2] - moved[:, 2]) > STIRRED_MM)[faces].any(axis=1))
    if not stirred.any() or not (wrong := spoiled_faces(moved, faces, stirred)).any():
        return back
    were_wrong = spoiled_faces(vertices, faces, stirred)
    while True:  # every turn puts at least one vertex back, or is the last
        corners = np.zeros(len(vertices), dtype=bool)
        corners[faces[wrong & ~were_wrong]] = True
        new = corners & down & ~back
        new[low] = (np.bincount(place, new[low]) > 0)[place]
        if not new.any():
            return back
        back |= new
        wrong = spoiled_faces(np.where(back[:, None], vertices, moved), faces, stirred)


def _outline(points: Floats) -> tuple[Floats, float]:
    from scipy.spatial import ConvexHull, QhullError

    if len(points) < 3:
        return points, 0.0
    try:
        found = ConvexHull(points)
    except QhullError:
        return np.zeros((0, 2)), 0.0
    return np.asarray(points[found.vertices], dtype=np.float64), float(found.volume)
