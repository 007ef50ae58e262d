"""Letters laid round an upright curved surface: along an arc fitted to it, as high over it everywhere.

The arc is the circle through the surface's outline at the label's height (least squares after I. Kåsa,
"A circle fitting procedure and its error analysis", 1976). Its length is kept, so letters are as wide on the
arc as they are flat; over the arc they follow the surface itself, along rays to the arc's axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .acceptance import judge
from .needles import without_needles
from .prisms import prism
from .sight import first_met
from .slicing import slice_layers
from .thickness import Surface

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Body = tuple[Floats, Ints]

SAMPLES = 121
STRAIGHTEST = 20.0
"""An arc with a radius of more label widths than this is as good as straight: a label turns three degrees."""

FACING = 0.8
"""Cosine: where the surface turns away from the arc by more than 37 degrees, letters would smear."""

FINEST_STEP_MM, LARGEST_STEP_MM = 0.1, 0.5
SAG_MM = 0.002
"""Letters are cut into pieces that follow an arc within this."""

OVERLAP_MM = 0.3
"""How far raised letters reach into the material, and tools for sunk ones out of it, so that both surely
cross the surface between the places where it was looked at."""

SLIVERS_MM = (0.0005, 0.001, 0.002, 0.0002, 0.004)
"""Flat slivers that the boolean leaves are drawn together within the first of these that leaves a sound
solid: all far below any layer."""


@dataclass(frozen=True, eq=False)
class Roll:
    """An upright arc: its axis (2,), radius, the direction in which the label's middle lies (radians
    counter-clockwise from +X), and the height of that middle.
    """

    axis: Floats
    radius_mm: float
    middle_rad: float
    height_mm: float

    def outward(self, across_mm: Floats) -> Floats:
        """(n,3) unit vectors away from the axis at distances (n,) along the arc, to the reader's right."""
        turn = self.middle_rad + across_mm / self.radius_mm
        return np.column_stack([np.cos(turn), np.sin(turn), np.zeros(len(turn))])

    def on_axis(self, up_mm: Floats) -> Floats:
        """(n,3) points of the axis at heights (n,) over the label's middle."""
        return np.column_stack([np.tile(self.axis, (len(up_mm), 1)), self.height_mm + up_mm])


def roll_for(vertices: Floats, faces: Any, toward: Floats, height_mm: float, width_mm: float) -> Roll:
    """The arc for a label `width_mm` wide on the side of a closed surface that looks `toward` (2,).

    Raises ValueError with the reason if the surface is no such arc there.
    """
    import shapely

    loops = slice_layers(vertices, faces, [height_mm]).layer(0)
    if not loops:
        raise ValueError("the part does not reach to that height")
    largest = max((shapely.Polygon(loop) for loop in loops), key=lambda polygon: float(polygon.area))
    centre = np.array(largest.centroid.coords)[0]
    far = float(np.ptp(vertices, axis=0).max()) * 2.0
    line = shapely.LineString([centre, centre + toward * far])
    met = [np.array(hit) for loop in loops for hit in _crossings(line, loop)]
    if not met:
        raise ValueError("nothing of the part lies on that side")
    hit = max(met, key=lambda point: float(point @ toward))
    ring = min((shapely.LinearRing(loop) for loop in loops), key=lambda one: one.distance(shapely.Point(hit)))
    if width_mm > 0.9 * ring.length:
        raise ValueError(
            f"it would be {width_mm:.3g} mm wide, and the part measures {ring.length:.3g} mm round"
        )
    start = float(shapely.line_locate_point(ring, shapely.Point(hit)))
    along = (start + np.linspace(-width_mm / 2.0, width_mm / 2.0, SAMPLES)) % ring.length
    arc = shapely.get_coordinates(shapely.line_interpolate_point(ring, along)) - hit
    columns = np.column_stack([2.0 * arc, np.ones(len(arc))])
    (x, y, _), *_ = np.linalg.lstsq(columns, (arc**2).sum(axis=1), rcond=None)
    axis, radius = np.array([x, y]), float(np.linalg.norm(arc - [x, y], axis=1).mean())
    if radius > STRAIGHTEST * width_mm:
        radius = STRAIGHTEST * width_mm
        axis = -toward * radius
    elif axis @ toward > 0.0:
        raise ValueError("the surface is hollow there")
    return Roll(hit + axis, radius, float(np.arctan2(-axis[1], -axis[0])), height_mm)


def _crossings(line: Any, loop: Floats) -> Floats:
    import shapely

    return shapely.get_coordinates(shapely.LinearRing(loop).intersection(line))


def radii(surface: Surface, roll: Roll, flat: Floats) -> tuple[Floats, Floats]:
    """How far from the axis (n,) the surface is at places (n,2) of the label, infinite where there is none,
    and the cosine (n,) between it and the arc.
    """
    outward = roll.outward(flat[:, 0])
    far = roll.radius_mm + 2.0 * surface.size_mm
    start = roll.on_axis(flat[:, 1]) + far * outward
    distance, normal = first_met(surface, start, -outward)
    return np.where(np.isfinite(distance), far - distance, np.inf), np.einsum("ij,ij->i", normal, outward)


def even_enough(surface: Surface, roll: Roll, size_mm: Floats) -> bool:
    """Whether the surface looks outward all over a box of this size (2,), without steps."""
    across, up = (np.linspace(-side / 2.0, side / 2.0, max(5, int(side / 0.4) | 1)) for side in size_mm)
    grid = np.stack(np.meshgrid(across, up, indexing="ij"), axis=-1)
    at, facing = radii(surface, roll, grid.reshape(-1, 2))
    if not np.isfinite(at).all() or at.min() <= 0.0 or facing.min() < FACING:
        return False
    height = at.reshape(grid.shape[:2])
    steps = (across[1] - across[0], up[1] - up[0])
    return all(np.abs(np.diff(height, axis=k)).max() <= steps[k] for k in range(2))


def letters_on(
    surface: Surface, roll: Roll, shape: Any, low_mm: float, high_mm: float
) -> tuple[Floats, Ints]:
    """A closed body over a shape (shapely, in the label's plane), between two heights over the surface."""
    import manifold3d

    step = float(np.clip(np.sqrt(8.0 * roll.radius_mm * SAG_MM), FINEST_STEP_MM, LARGEST_STEP_MM))
    points, faces = prism(shape, low_mm, high_mm)
    body = manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64))).refine_to_length(step)
    mesh = body.to_mesh64()
    flat = np.array(mesh.vert_properties, np.float64)[:, :3]
    at, _ = radii(surface, roll, flat[:, :2])
    placed = roll.on_axis(flat[:, 1]) + (at + flat[:, 2])[:, None] * roll.outward(flat[:, 0])
    return placed, np.array(mesh.tri_verts).astype(np.int64).reshape(-1, 3)


def combined(vertices: Floats, faces: Any, letters: Body, *, add: bool) -> Body:
    """The part with the letters added, or taken out. Engine: manifold3d.

    Raises ValueError if either is no solid, or if nothing sound comes of it.
    """
    import manifold3d

    bodies = []
    for points, corners in ((vertices, faces), letters):
        mesh = manifold3d.Mesh64(np.array(points, np.float64), np.array(corners, np.uint64))
        bodies.append(manifold3d.Manifold(mesh))
        if bodies[-1].status() != manifold3d.Error.NoError:
            raise ValueError(f"no solid: {bodies[-1].status()}")
    part, tool = bodies
    rough = part + tool if add else part - tool
    for sliver_mm in SLIVERS_MM:
        made = rough.simplify(sliver_mm).to_mesh64()
        points = np.array(made.vert_properties, np.float64)[:, :3].copy()
        corners = without_needles(points, np.array(made.tri_verts).astype(np.int64).reshape(-1, 3))
        if judge(points, corners).sound:
            return points, corners
    raise ValueError("the surface there is too rugged for clean letters")
