"""Drill drain holes into a hollow part: at least two for every hollow, one to drain and one to breathe.

How much liquid stays all the same is worked out by flooding the hollow on a grid, as the part stands.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
    Length,
    Part,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    Volume,
    quantity,
    step,
)
from pydantic import Field, field_validator, model_validator

from .drain_sites import FILM_MM, sites_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.drain_places import Hole
    from .geometry.pooling import Pocket

    Floats = NDArray[np.float64]

MOST_TOLD = 5
"""Pockets that are listed, the largest first."""

POINTS = re.compile(
    r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*(mm|cm|in)\s*(?:;|$)"
)
UNIT_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4}

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
    at: str = Field(
        "",
        description="Places asked for, such as '12, -3, 40 mm; 0, 20, 8 mm': X, Y and Z on the part as it "
        "stands. Each gets a hole in the hollow nearest to it, at the place nearest to it that will do.",
    )
    pockets: Literal["tell", "drill"] = Field(
        "tell",
        description="Pockets in which liquid stays when the others are empty: `tell` how much, or `drill` "
        "them a hole of their own.",
    )
    pool: Volume = quantity(
        "0.2 cm3", at_least="0 mm3", about="Liquid that may stay in one pocket without more ado."
    )
    plugs: bool = Field(False, description="Make a plug for every hole, flush with the outside.")
    clearance: Length = quantity(
        "0.1 mm", at_least="0 mm", at_most="2 mm", about="Gap around a plug, on every side."
    )

    @field_validator("at")
    @classmethod
    def _points_can_be_read(cls, at: str) -> str:
        points_of(at)
        return at

    @model_validator(mode="after")
    def _plugs_are_left(self) -> Params:
        if self.plugs and 2 * self.clearance >= self.diameter / 2:
            raise ValueError(
                f"clearance: {self.clearance:g} mm all round leave little of a plug in a hole of "
                f"{self.diameter:g} mm; expected less than a quarter of the diameter"
            )
        return self


def points_of(text: str) -> list[tuple[float, float, float]]:
    """Places in mm. Raises ValueError for a text that names none."""
    points, at = [], 0
    while text[at:].strip():
        found = POINTS.match(text, at)
        if found is None:
            raise ValueError(
                f"at: cannot read {text[at:].strip()!r} as places; expected X, Y, Z and a unit, such as "
                "'12, -3, 40 mm', with ';' between two of them"
            )
        x, y, z = (float(found[k]) * UNIT_MM[found[4]] for k in (1, 2, 3))
        points.append((x, y, z))
        at = found.end()
    return points


@step("drain", version=3, summary="Drill drain holes into a hollow part.", shorthand="diameter")
def drain(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Holes go straight through the wall. The first is at the lowest place that will do, the next at the
    highest; the rest as far from them as they can be.

    Limits:
        - What stays is worked out for the part as it stands, on a grid of cells: a film on the walls,
          drops held by surface tension and how long draining takes are not.
        - A hole keeps clear of flat faces (unless it is to be in the base), of other holes and of other
          walls; held if there is no such place, or if the wall is too rugged for a clean rim.
        - Plugs are as round as the holes and hold by glue: nothing says that they are tight.
        - Resin inside stays uncured: rinse it out and cure the inside with light.
        - Refuses an open surface, and a part without a closed hollow.
    Sources:
        - L. Vincent, P. Soille, "Watersheds in digital spaces", 1991: the level that stays at each place.
        - L. Euler and H. Poincaré: every hole has to lower vertices - edges + faces by two, which is
          checked.
    Facts:
        holes.cavity, holes.at_mm, holes.direction, holes.diameter_mm, holes.length_mm: every hole: the
            hollow it drains, its mouth, the way it runs outward, its size
        cavities_drained: how many hollows have holes now
        liquid_stays_ml: how much stays in pockets, as the part stands
        pockets.holds_ml, pockets.deep_mm, pockets.lowest_mm: the largest pockets: how much, how deep,
            where
        can_trap_liquid: whether more stays in a pocket than `pool`
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - hollow: {wall: 8 mm}
        - drain: {diameter: 12 mm, where: base}
    Picture: below
    """
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
    pockets: list[Pocket] = []
    asked = _nearest_hollows(part, faces, body, hollows, points_of(params.at))
    for number, k in enumerate(hollows, start=1):
        sites = sites_of(part, faces, body == k, (volumes > 0)[body], number, float(-volumes[k]), params)
        made, aside = sites.holes(asked[k])
        if aside:
            warnings.append(
                f"Hollow {number} has no room for holes through the flat base: "
                "it is drained at its lowest place instead."
            )
        made, left_in = sites.emptied(made)
        pockets += left_in
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
        raise HoldError(
            f"The wall is too rugged for clean holes of {params.diameter:g} mm. "
            "Ask for another diameter or place."
        )
    pockets = sorted(
        (one for one in pockets if one.volume_mm3 > params.pool and one.deep_mm > FILM_MM),
        key=lambda one: -one.volume_mm3,
    )
    stays_ml = sum(one.volume_mm3 for one in pockets) / 1000
    if pockets:
        many = "a pocket" if len(pockets) == 1 else f"{len(pockets)} pockets"
        warnings.append(
            f"As the part stands, about {stays_ml:.2g} ml of liquid stay in {many} that no hole reaches: "
            "turn the part about to empty it, or ask for `pockets: drill`."
        )
    facts = {
        "holes": rows,
        "cavities_drained": len(hollows),
        "liquid_stays_ml": round(stays_ml, 6),
        "pockets": [
            {
                "holds_ml": round(one.volume_mm3 / 1000, 6),
                "deep_mm": round(one.deep_mm, 6),
                "lowest_mm": [round(float(v), 6) + 0.0 for v in one.lowest],
            }
            for one in pockets[:MOST_TOLD]
        ],
        "can_trap_liquid": bool(pockets),
    }
    extras = _plugs(part, faces, (volumes > 0)[body], holes, params) if params.plugs else {}
    return StepResult(
        _coloured(part, vertices, drilled_faces),
        facts,
        tuple(warnings),
        reference=_without_mouths(ctx.reference, part, holes, params.diameter / 2),
        extras=extras,
    )


def _nearest_hollows(
    part: Part, faces: Any, body: Any, hollows: list[int], points: list[tuple[float, float, float]]
) -> dict[int, list[Floats]]:
    """The places asked for, each with the hollow that it is nearest to."""
    import igl
    import numpy as np

    asked: dict[int, list[Floats]] = {k: [] for k in hollows}
    for point in points:
        at = np.array([point])
        far = [
            float(igl.point_mesh_squared_distance(at, part.vertices.copy(), faces[body == k])[0][0])
            for k in hollows
        ]
        asked[hollows[int(np.argmin(far))]].append(at[0])
    return asked


def _without_mouths(reference: Part, part: Part, holes: list[Hole], radius_mm: float) -> Part:
    """The reference without what was drilled away: the walls of a hole are no part of the likeness."""
    import numpy as np

    to_part = part.placement @ np.linalg.inv(reference.placement)
    corners = reference.vertices[reference.faces] @ to_part[:3, :3].T + to_part[:3, 3]
    middles = corners.mean(axis=1)
    reach = np.linalg.norm(corners - middles[:, None], axis=2).max(axis=1, initial=0.0)
    gone = np.zeros(len(middles), dtype=np.bool_)
    for hole in holes:
        away = middles - hole.start
        along = away @ hole.axis
        across = np.linalg.norm(away - along[:, None] * hole.axis, axis=1)
        gone |= (across <= radius_mm + reach) & (along >= -reach) & (along <= hole.length_mm + reach)
    return replace(reference, faces=reference.faces[~gone]) if gone.any() else reference


def _plugs(part: Part, faces: Any, outside: Any, holes: list[Hole], params: Params) -> dict[str, Part]:
    """A plug for each hole, flush with the outside, standing on its inner end."""
    import numpy as np

    from .geometry.drilling import plug
    from .geometry.resting import turn_down

    made = {}
    for number, hole in enumerate(holes, start=1):
        vertices, own = plug(part.vertices, faces[outside], hole, params.diameter / 2 - params.clearance)
        one = replace(part.with_mesh(vertices, own), planes=()).moved(turn_down(-hole.axis))
        move = np.eye(4)
        move[:3, 3] = -one.bounds.mean(axis=0)
        move[2, 3] = -one.bounds[0, 2]
        made[f"plug {number}"] = one.moved(move)
    return made


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
