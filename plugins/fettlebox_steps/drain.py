"""Drill drain holes into a hollow part: at least two for every hollow, one to drain and one to breathe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import Length, Part, StepContext, StepError, StepParams, StepResult, quantity, step
from pydantic import Field

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.drain_places import Hole, Walls

    Floats = NDArray[np.float64]

CANDIDATES = 3000
TRIES = 300
"""Places that are looked at for a hole. They are half a hole apart, so they span a hundred and fifty."""

BACKWARD = 0.5
"""A hole in the back points at most 60 degrees away from straight back (+Y)."""

APART = 2.0
"""Holes are this many diameters apart, middle to middle, so that a wall remains between them."""

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""

POOL_MM = 1.0
"""What stays below the lowest hole is told from this depth on: less runs out when the part is tilted a little
(common practice, no published source)."""

UNCURED = (
    "Resin stays uncured inside a hollow print: rinse it out through the holes and cure the inside with "
    "light, or it seeps out and cracks the part later."
)


class Params(StepParams):
    count: int = Field(
        2, ge=2, le=12, description="Holes for every hollow; two let air in while liquid runs out."
    )
    diameter: Length = quantity("3 mm", at_least="0.5 mm", at_most="50 mm", about="Diameter of the holes.")
    where: Literal["lowest", "base", "back"] = Field(
        "lowest",
        description="`lowest`: at the lowest and the highest place of the hollow as the part stands, clear "
        "of flat faces. `base`: upright through the flat base, out of sight. `back`: as lowest, in the back.",
    )


@step("drain", version=1, summary="Drill drain holes into a hollow part.", shorthand="diameter")
def drain(part: Part, params: Params, ctx: StepContext) -> StepResult:
    import numpy as np

    from .geometry.drilling import drilled, euler
    from .geometry.hollowing import body_volumes
    from .geometry.measures import is_closed
    from .geometry.solids import bodies

    if not len(part.faces) or not is_closed(part.faces):
        raise StepError(
            "The surface is not closed, so it cannot be drilled; put repair and hollow before drain."
        )
    faces = part.faces.astype(np.int64)
    body = bodies(faces)
    volumes = body_volumes(part.vertices, faces, body)
    hollows = [int(k) for k in np.argsort(volumes, kind="stable") if volumes[k] < 0]
    if not hollows:
        raise StepError(
            "The part has no closed hollow, so there is nothing to drain; put hollow before drain."
        )
    holes: list[Hole] = []
    warnings = [UNCURED]
    rows: list[dict[str, Any]] = []
    pool_mm = 0.0
    for number, k in enumerate(hollows, start=1):
        sites = _sites(part, faces, body == k, (volumes > 0)[body], number, float(-volumes[k]), params)
        made, aside = sites.holes()
        if aside:
            warnings.append(
                f"Hollow {number} has no room for holes through the flat base: "
                "it is drained at its lowest place instead."
            )
        pool_mm = max(pool_mm, min(hole.lowest_mm for hole in made) - float(sites.heights.min()))
        holes += made
        rows += [_row(number, hole, params.diameter) for hole in made]
        ctx.progress(0.8 * number / len(hollows))
    try:
        vertices, drilled_faces = drilled(part.vertices, faces, holes, params.diameter / 2)
    except ValueError as error:
        raise StepError(f"The part cannot be drilled: {error}. Put repair before hollow.") from error
    left = int(bodies(drilled_faces).max()) + 1 if len(drilled_faces) else 0
    # Euler and Poincaré: a hole takes two discs out of the surface and puts a tube in: two less each.
    if left != len(volumes) - len(hollows) or euler(drilled_faces) != euler(faces) - 2 * len(holes):
        raise StepError(
            f"The wall is too rugged for clean holes of {params.diameter:g} mm. "
            "Ask for another diameter or place."
        )
    if pool_mm > POOL_MM:
        warnings.append(
            f"About {pool_mm:.2g} mm deep, liquid stays below the lowest hole; tilt the part to empty it."
        )
    facts = {
        "holes": rows,
        "cavities_drained": len(hollows),
        "pool_mm": round(max(pool_mm, 0.0), 6),
        "can_trap_liquid": False,
    }
    return StepResult(_coloured(part, vertices, drilled_faces), facts, tuple(warnings))


@dataclass(frozen=True, eq=False)
class _Sites:
    """Places of one hollow, and what a hole there has to keep to."""

    walls: Walls
    base: Walls | None
    points: Floats
    heights: Floats
    outside: tuple[Floats, Any]
    up: Floats
    number: int
    volume_mm3: float
    params: Params

    def holes(self) -> tuple[list[Hole], bool]:
        """The holes, and whether they had to be made elsewhere than in the base."""
        if self.params.where == "base":
            made = self._in_base()
            if made:
                return made, False
        return self._by_height(), self.params.where == "base"

    def _in_base(self) -> list[Hole]:
        import numpy as np

        from .geometry.drain_places import far_first, thinned

        if self.base is None or self.base.only is None:
            return []
        radius_mm = self.params.diameter / 2
        point, _ = self.base.only
        over_mm = float(self.heights.min() - point @ self.up)
        order = np.argsort(self.heights, kind="stable")
        spacing_mm = max(radius_mm, float(np.ptp(self.points, axis=0).max()) / 20)
        low = order[self.heights[order] <= self.heights.min() + self.params.diameter + over_mm]
        tried = [
            self.base.hole(self.points[i], -self.up, over_mm, radius_mm, self.up)
            for i in thinned(self.points, low, spacing_mm, TRIES)
        ]
        found = [hole for hole in tried if hole is not None]
        if not found:
            return []
        # Short ones only: one through a sloping side of the hollow would be a slot in its wall.
        shortest_mm = min(hole.length_mm for hole in found)
        lowest_mm = min(hole.lowest_mm for hole in found if hole.length_mm <= shortest_mm + radius_mm)
        found = [
            hole
            for hole in found
            if hole.length_mm <= shortest_mm + radius_mm and hole.lowest_mm <= lowest_mm + radius_mm
        ]
        mouths = np.stack([hole.mouth for hole in found])
        middle = mouths.mean(axis=0)
        made = [found[next(far_first(mouths, [middle]))]]
        while len(made) < self.params.count:
            taken = [hole.mouth for hole in made]
            furthest = found[next(far_first(mouths, taken))]
            if not self._clear(furthest, made):
                return []
            made.append(furthest)
        return made

    def _by_height(self) -> list[Hole]:
        import numpy as np

        from .geometry.drain_places import far_first

        rising = np.argsort(self.heights, kind="stable")
        made: list[Hole] = []
        for order in (rising, rising[::-1]):
            hole = self._first(order, made)
            if hole is None:
                raise StepError(self._no_room(len(made)))
            made.append(hole)
        while len(made) < self.params.count:
            order = np.array(list(far_first(self.points, [hole.mouth for hole in made])))
            hole = self._first(order, made)
            if hole is None:
                raise StepError(self._no_room(len(made)))
            made.append(hole)
        return made

    def _first(self, order: Any, made: list[Hole]) -> Hole | None:
        import igl
        import numpy as np

        from .geometry.drain_places import thinned

        radius_mm = self.params.diameter / 2
        if self.params.where == "back":
            order = order[self.points[order, 1] >= float(np.median(self.points[:, 1]))]
        places = self.points[thinned(self.points, order, radius_mm, CANDIDATES)]
        if not len(places):
            return None
        squared, _, nearest = igl.point_mesh_squared_distance(np.ascontiguousarray(places), *self.outside)
        wall = np.sqrt(squared)
        axes = (np.asarray(nearest) - places) / wall[:, None]
        wanted = (
            axes[:, 1] >= BACKWARD if self.params.where == "back" else np.ones(len(places), dtype=np.bool_)
        )
        for i in np.flatnonzero(wanted)[:TRIES]:
            at, axis, wall_mm = places[i], axes[i], wall[i]
            hole = self.walls.hole(at, axis, float(wall_mm), radius_mm, self.up)
            if hole is not None and self._clear(hole, made):
                return hole
        return None

    def _clear(self, hole: Hole, made: list[Hole]) -> bool:
        import numpy as np

        return all(
            np.linalg.norm(hole.mouth - other.mouth) >= APART * self.params.diameter
            and np.linalg.norm(hole.start - other.start) >= APART * self.params.diameter
            for other in made
        )

    def _no_room(self, made: int) -> str:
        import numpy as np

        sides = " x ".join(f"{side:.3g}" for side in np.ptp(self.points, axis=0))
        back = " in its back" if self.params.where == "back" else ""
        return (
            f"Hollow {self.number} ({self.volume_mm3 / 1000:.3g} cm3, {sides} mm) has room{back} for {made} "
            f"of {self.params.count} holes of {self.params.diameter:g} mm: nowhere else is its wall wider "
            "than a hole, all of it over the hollow and clear of flat faces. "
            "Ask for a smaller diameter, another place, or for hollow with a larger `smallest`."
        )


def _sites(
    part: Part, faces: Any, hollow: Any, outside: Any, number: int, volume_mm3: float, params: Params
) -> _Sites:
    import numpy as np

    from .geometry.drain_places import Walls, spread_over

    bed = part.bed_plane
    up = np.array([0.0, 0.0, 1.0]) if bed is None else -np.array(bed.normal)
    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    planes = tuple((np.array(plane.point), np.array(plane.normal)) for plane in part.planes)
    base = None
    if params.where == "base":
        used = part.vertices[np.unique(faces)]
        point = used[np.argmin(used @ up)] if bed is None else np.array(bed.point)
        base = Walls(part.vertices, faces, hollow, outside, (), (point, -up), near_mm)
    points = spread_over(part.vertices, faces[hollow])
    return _Sites(
        walls=Walls(part.vertices, faces, hollow, outside, planes, None, near_mm),
        base=base,
        points=points,
        heights=points @ up,
        outside=(np.ascontiguousarray(part.vertices), np.ascontiguousarray(faces[outside])),
        up=up,
        number=number,
        volume_mm3=volume_mm3,
        params=params,
    )


def _row(number: int, hole: Hole, diameter_mm: float) -> dict[str, Any]:
    return {
        "cavity": number,
        "at_mm": [round(float(v), 6) for v in hole.mouth],
        "direction": [round(float(v), 6) + 0.0 for v in hole.axis],
        "diameter_mm": diameter_mm,
        "length_mm": round(hole.length_mm, 6),
    }


def _coloured(part: Part, vertices: Floats, faces: Any) -> Part:
    """The drilled part; new vertices have the colour of the nearest old one."""
    import numpy as np

    colours = None
    if part.colours is not None:
        from scipy.spatial import cKDTree

        used = np.unique(part.faces)
        _, nearest = cKDTree(part.vertices[used]).query(vertices)
        colours = part.colours[used[nearest]]
    return part.with_mesh(vertices, faces, colours)
