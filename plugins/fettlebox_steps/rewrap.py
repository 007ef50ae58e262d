"""Wrap what is past repair: a heap of triangles, a body that is inside out, a sheet without an inside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import Length, Part, StepContext, StepError, StepParams, StepResult, quantity, step

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

CLEAR = 0.25
"""A winding number within this of 0, or above 1 less this, says plainly what is outside and what inside."""

CLEAR_SHARE = 0.5
"""Share of plain winding numbers from which a surface counts as that of a solid. A ball with a third of it
missing has 0.8, a flat sheet 0."""

LOOSE_SHARE = 0.01
"""Share of the area that may be left out as ragged fringe; more than that is a sheet of its own."""

THIN_SHARE = 0.02
"""Triangles are saved where that moves the surface by less than this share of the grid's cell."""


class Params(StepParams):
    """How finely the new surface follows the old one, and what becomes of a sheet."""

    finest: Literal["auto"] | Length = quantity(
        "auto",
        at_least="0.02 mm",
        about="The smallest detail that the new surface keeps; auto: what the triangles are fine enough for.",
    )
    thickness: Length = quantity(
        "2 mm",
        at_least="0.2 mm",
        at_most="50 mm",
        about="What has no inside, such as an open sheet, becomes a solid of this thickness.",
    )


@step(
    "rewrap",
    version=5,
    summary="Wrap a heap of triangles that is past repair in one new closed surface.",
    shorthand="thickness",
)
def rewrap(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """The new surface runs where the winding number of the triangles is one half; a sheet, which winds around
    nothing, becomes a plate.

    Limits:
        - Every vertex is new, and what is finer than `finest` is gone. Where a scan can be closed by
          `repair`, that keeps more.
        - Openings are spanned as by a soap film: there is no flat base, and a wide one bulges or sinks.
        - Closed voids inside are filled in, crumbs left out.
        - A sheet's solid reaches half its thickness beyond the scan on both sides.
        - Refuses what has no area, what is too large for so fine a surface, and scraps around which
          nothing winds.
    Sources:
        - A. Jacobson, L. Kavan, O. Sorkine-Hornung, "Robust inside-outside segmentation using generalized
          winding numbers", 2013; G. Barill et al., "Fast winding numbers for soups and clouds", 2018.
        - K. Takayama, A. Jacobson, L. Kavan, O. Sorkine-Hornung, "A simple method for correcting facet
          orientations in polygon meshes based on ray casting", 2014: which way each piece faces.
        - W. Lorensen, H. Cline, "Marching cubes", 1987; table derived anew. M. Dowell, P. Jarratt, "A
          modified regula falsi method", 1971: where on its edge a vertex lies.
    Facts:
        kind: `solid`, `sheet`, or `solid with sheets`
        cell_mm: cell of the grid that the surface was found on
        triangles: how many the new surface has
    Evidence:
        kind: the same
        clear_inside_share: share of the surface on which it is plain what is inside
        sheet_area_share: area of what became a plate
        fringe_left_out_share: area of ragged fringe that was left out
        spanned_share: share of the new vertices that span an opening, where no scan is
        pieces: pieces of the old surface
        turned_triangles: how many looked the wrong way
        bodies, bodies_dropped: bodies of the new surface, and crumbs and voids that were left out
    Recipe:
        - units: {expect: head}
        - rewrap: {thickness: 2 mm}
    Picture: below
    """
    import numpy as np

    from .geometry.carrying import nearest_values
    from .geometry.clean import welded
    from .geometry.facing import turned_outward
    from .geometry.solids import bodies, keep_solid_bodies, thin_out
    from .geometry.volumetric import cell_for, follow_scan

    vertices, faces = welded(part.vertices, part.faces)
    if not len(faces):
        raise StepError("There is nothing to wrap: the part has no triangle with an area.")
    faces, turned, pieces = turned_outward(vertices, faces)
    ctx.progress(0.2)
    cell_mm = cell_for(vertices, faces) if isinstance(params.finest, str) else params.finest
    area_mm2, front, back = _around(vertices, faces, cell_mm)
    total_mm2 = float(area_mm2.sum())
    plain = [(np.abs(w) <= CLEAR) | (w >= 1 - CLEAR) for w in (front, back)]
    clear = float((area_mm2 * plain[0] + area_mm2 * plain[1]).sum() / (2 * total_mm2))
    loose = _loose(front, back) if clear >= CLEAR_SHARE else np.ones(len(faces), dtype=np.bool_)
    loose_share = float(area_mm2[loose].sum() / total_mm2)
    sheet = loose if loose_share > LOOSE_SHARE else np.zeros(len(faces), dtype=np.bool_)
    ctx.progress(0.4)
    surface, cell_mm = _wrapped(vertices, faces, sheet, cell_mm, params)
    drawn = (surface.vertices, surface.faces)
    if len(surface.faces) and not sheet.any():
        drawn = follow_scan(surface, vertices, faces, cell_mm)
    new_vertices, new_faces, dropped = keep_solid_bodies(*drawn)
    if not len(new_faces):
        raise StepError(
            f"Nothing solid came out of wrapping {len(faces)} triangles with a finest detail of "
            f"{cell_mm:.3g} mm. Check the scan's unit, or ask for a smaller `finest`."
        )
    new_vertices, new_faces = thin_out(new_vertices, new_faces, THIN_SHARE * cell_mm)
    kind = "solid" if not sheet.any() else "sheet" if sheet.all() else "solid with sheets"
    evidence: dict[str, Any] = {
        "kind": kind,
        "clear_inside_share": round(clear, 4),
        "sheet_area_share": round(loose_share, 4) if sheet.any() else 0.0,
        "fringe_left_out_share": 0.0 if sheet.any() else round(loose_share, 4),
        "spanned_share": round(float(surface.free.mean()), 4) if kind == "solid" else None,
        "pieces": pieces,
        "turned_triangles": turned,
        "bodies": int(bodies(new_faces).max()) + 1,
        "bodies_dropped": dropped,
    }
    facts = {"kind": kind, "cell_mm": cell_mm, "triangles": len(new_faces)}
    colours = None
    if part.colours is not None:
        used = np.unique(part.faces)
        colours = nearest_values(part.vertices[used], part.colours[used], new_vertices)
    result = part.with_mesh(new_vertices, new_faces, colours)
    return StepResult(result, facts, _warnings(kind, evidence, params), evidence)


def _around(
    vertices: NDArray[np.float64], faces: NDArray[np.int64], cell_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Area (m,) in mm² of every face, and the winding numbers close to its front and to its back."""
    import numpy as np

    from .geometry.winding import WindingTree

    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    double = np.linalg.norm(normal, axis=1)
    step_mm = 0.25 * cell_mm * normal / double[:, None]
    tree = WindingTree.of(vertices, faces)
    middle = (a + b + c) / 3
    return double / 2, tree.at(middle + step_mm), tree.at(middle - step_mm)


def _loose(front: NDArray[np.float64], back: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Faces that would be left outside: the place on neither side is inside."""
    import numpy as np

    from .geometry.volumetric import BACKWARD

    return np.asarray((np.maximum(front, back) <= 0.5) & (np.minimum(front, back) >= BACKWARD))


def _wrapped(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int64],
    sheet: NDArray[np.bool_],
    cell_mm: float,
    params: Params,
) -> tuple[Any, float]:
    """The closed surface, and the cell of the grid that it was found on."""
    import numpy as np

    from .geometry.thickening import CELLS_PER_THICKNESS, thicken
    from .geometry.volumetric import CELL_BUDGET, CELLS_PER_AREA, close_by_winding

    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area_mm2 = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
    if sheet.any():
        cell_mm = min(cell_mm, params.thickness / CELLS_PER_THICKNESS)
        area_mm2 *= 2
    finest_mm = float(np.sqrt(CELLS_PER_AREA * area_mm2 / CELL_BUDGET))
    if cell_mm < finest_mm * (1 - 1e-9):
        what = (
            f"a thickness of {params.thickness:g} mm needs cells of {cell_mm:.3g} mm"
            if sheet.any()
            else f"a finest detail of {cell_mm:.3g} mm was asked for"
        )
        raise StepError(
            f"The surface of {area_mm2:.0f} mm² is too large to be wrapped so finely: {what}, and "
            f"{finest_mm:.3g} mm is the least that can be done. Ask for a larger "
            f"{'`thickness`' if sheet.any() else '`finest`'}, or set the scan's unit right first."
        )
    if sheet.any():
        body = None if sheet.all() else faces[~sheet]
        return thicken(vertices, faces[sheet], cell_mm, params.thickness, body), cell_mm
    return close_by_winding(vertices, faces, cell_mm), cell_mm


def _warnings(kind: str, evidence: dict[str, Any], params: Params) -> tuple[str, ...]:
    warnings = []
    if kind == "sheet":
        warnings.append(
            f"The surface has no clear inside ({100 * evidence['clear_inside_share']:.0f} % of it says "
            f"plainly what is inside): it became a solid {params.thickness:g} mm thick."
        )
    if kind == "solid with sheets":
        warnings.append(
            f"{100 * evidence['sheet_area_share']:.0f} % of the surface belongs to open sheets, which became "
            f"{params.thickness:g} mm thick."
        )
    if evidence["bodies"] > 1:
        warnings.append(
            f"It came out in {evidence['bodies']} bodies that do not touch; if some of them do not belong to "
            "the subject, put `debris` before this step."
        )
    if evidence["bodies_dropped"]:
        warnings.append(f"{evidence['bodies_dropped']} crumbs or enclosed voids were left out.")
    return tuple(warnings)
