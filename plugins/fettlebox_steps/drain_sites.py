"""Where the holes of one hollow go, and the pockets in which liquid stays all the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fettlebox.api import HoldError, Part

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .drain import Params
    from .geometry.drain_places import Hole, Walls
    from .geometry.pooling import Pocket

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

MOST_HOLES = 12
"""Holes for one hollow, pockets included."""

FILM_MM = 1.0
"""What stays in a pocket less deep than this runs out when the part is tilted a little (common practice, no
published source)."""


@dataclass(frozen=True, eq=False)
class Sites:
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

    def holes(self, asked: list[Floats]) -> tuple[list[Hole], bool]:
        """The holes, and whether they had to be made elsewhere than in the base."""
        made = self._asked(asked)
        if made:
            return self._by_height(made), False
        if self.params.where == "base":
            made = self._in_base()
            if made:
                return made, False
        return self._by_height([]), self.params.where == "base"

    def _asked(self, asked: list[Floats]) -> list[Hole]:
        import numpy as np

        made: list[Hole] = []
        for point in asked:
            order = np.argsort(np.linalg.norm(self.points - point, axis=1), kind="stable")
            hole = self._first(order, made)
            if hole is None:
                raise HoldError(self._no_room(len(made)))
            made.append(hole)
        return made

    def emptied(self, made: list[Hole]) -> tuple[list[Hole], list[Pocket]]:
        """The holes, with those for pockets if they are wanted, and the pockets that stay."""
        import numpy as np

        from .geometry.pooling import HollowGrid
        from .geometry.resting import turn_down

        radius_mm = self.params.diameter / 2
        grid = HollowGrid.of(
            self.walls.vertices, self.walls.faces[self.walls.hollow], turn_down(-self.up)[:3, :3]
        )
        made = list(made)
        stuck: list[Floats] = []
        while True:
            pockets = grid.pockets(made, radius_mm)
            if self.params.pockets == "tell" or len(made) >= MOST_HOLES:
                return made, pockets
            worth = [
                one
                for one in pockets
                if one.volume_mm3 > self.params.pool
                and one.deep_mm > FILM_MM
                and not any(np.array_equal(one.lowest, place) for place in stuck)
            ]
            if not worth:
                return made, pockets
            lowest = worth[0].lowest
            near = np.linalg.norm(self.points - lowest, axis=1)
            order = np.argsort(near, kind="stable")
            hole = self._first(order[near[order] <= worth[0].deep_mm + self.params.diameter], made)
            if hole is None:
                stuck.append(lowest)
            else:
                made.append(hole)

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

    def _by_height(self, made: list[Hole]) -> list[Hole]:
        """Lowest and highest, then those furthest from all before; after those that were asked for."""
        import numpy as np

        from .geometry.drain_places import far_first

        rising = np.argsort(self.heights, kind="stable")
        made = list(made)
        for order in (rising, rising[::-1]):
            if len(made) >= self.params.count:
                break
            hole = self._first(order, made)
            if hole is None:
                raise HoldError(self._no_room(len(made)))
            made.append(hole)
        while len(made) < self.params.count:
            order = np.array(list(far_first(self.points, [hole.mouth for hole in made])))
            hole = self._first(order, made)
            if hole is None:
                raise HoldError(self._no_room(len(made)))
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


def sites_of(
    part: Part, faces: Any, hollow: Any, outside: Any, number: int, volume_mm3: float, params: Params
) -> Sites:
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
    return Sites(
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
