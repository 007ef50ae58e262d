"""knockdown: take off the bumps, spikes and pits that the scanner left."""

from __future__ import annotations

import hashlib
import re
from base64 import b32encode
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    HoldError,
    Length,
    Part,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from .geometry.bumps import Bump, Finds

ON_PLANE = 1e-6
"""A vertex within this share of the part's size lies on a flat face; steps put it there exactly."""

ID_LETTERS = 5
"""Thirty million names: patches hardly ever share one, and where they do, all get longer ones."""

SURE = 0.95
"""Confidence from which a find is taken off without asking: on smooth shapes that the judgement was not tuned
on, none of about a hundred such finds was a feature, and seven of ten bumps were found
(benchmarks/knockdown.py)."""

PROPOSED = 0.2
"""Confidence from which a find is put before a person."""

LARGE_PX = (1600, 800)
"""Of the picture that a person ticks patches on."""

SEEN_FROM_AFAR = 0.015
"""Marks are at least this share of the part's size in radius; a foot of 4 mm would be lost on a head."""


class Params(StepParams):
    over: Length = quantity(
        "0.4 mm", at_least="0.05 mm", about="Bumps lower, and pits shallower, than this are left alone."
    )
    across: Length = quantity(
        "8 mm", at_least="1 mm", at_most="40 mm", about="What is wider than this at its foot is shape."
    )
    care: Literal["strict", "ask"] = Field(
        "strict",
        description="strict: only what is certain, nothing on textured surfaces. ask: the job is held with a "
        "picture of what might be a bump, until a person has ticked which ones are.",
    )
    ticked: str = Field(
        "",
        max_length=4000,
        description="For `care: ask`: the names of the patches to take off, or `all`, or `none`. Best asked "
        'of the ticket: `ask: {patches: {type: text, default: ""}}` and `ticked: "${patches}"`. The held job '
        "says what to write there.",
    )


@step(
    "knockdown",
    version=6,
    summary="Take off scanning bumps, spikes and pits; features stay.",
    shorthand="over",
)
def knockdown(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Round places that stand out of the surface around them are judged one by one; those that are surely
    none of the subject's features are cut out and laid anew through their rims.

    Limits:
        - With `care: strict` only what is certain goes: some scanning bumps stay.
        - On textured surfaces, such as hair, scales or knitwear, nothing is certain: where more than half of
          the surface within twice `across` stands out in waves as wide as bumps and two thirds as deep as
          `over` or deeper; nor is a find about which six others stand out a third as much. Where three fifths
          of a part are textured, strict care changes nothing on it at all, and says so. Brows, ears and lips
          count as well. A larger `over` lets more texture pass.
        - It finds bumps of at least about two and a half triangle edges across, and no ridges, seams or
          steps.
        - On a sharp bend nothing is said, on open rims and flat faces nothing is looked for.
        - A real wart, rivet or button may look like a bump; with `care: ask` the job is held until a
          person has ticked which are which.
        - Where the refilled place would cross, fold or vanish the bump is left. Vertices outside stay as
          they are.
        - Refuses a part without triangles.
    Sources:
        - T. Lindeberg, "Feature detection with automatic scale selection", 1998: where something stands
          out, and how wide it is.
        - The judgement is a logistic regression fitted on planted bumps (`benchmarks/knockdown.py`).
        - G. Wahba, "Spline models for observational data", 1990: the surface laid through the rim.
        - W. Tutte, "How to draw a graph", 1963: vertices spread anew where a spike had carried them past
          another.
    Facts:
        found, changed, refused: places that may be bumps, those taken off, and those left
        largest_height_mm: the highest or deepest that was taken off
        residual_mm: the most that is left of the height of one
        area_share_percent: share of the surface that was laid anew
        textured_percent: share of the surface that is textured, on which strict care changes nothing
    Evidence:
        patches.id, patches.centre_mm, patches.height_mm, patches.width_mm: every place: its name, where it
            is, how high it is (negative for a pit), how wide its foot is
        patches.confidence: how sure it is that the scanner made it, from 0 to 1
        patches.decision: what became of it
        grain_mm: deviation of the surface's finest part
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - knockdown: {over: 0.3 mm, care: ask}
    Picture: patches
    Scan: old king.ply
    """
    import numpy as np

    from .geometry.bumps import find_bumps, height_left, level

    if not len(part.faces):
        raise StepError("There is nothing to knock down: the part has no triangles.")
    fixed = _fixed(part)
    finds = find_bumps(part.vertices, part.faces, fixed, params.over, params.across)
    ctx.progress(0.7)
    shown = [bump for bump in finds.bumps if bump.confidence >= PROPOSED]
    names = _names(part, shown)
    chosen = _chosen(part, params, finds, shown, names)
    levelled = level(part.vertices, part.faces, finds.relief, chosen, fixed)
    ctx.progress(0.9)
    unsure = [bump for bump in shown if bump.textured] if params.care == "strict" else []
    decisions = {bump.seen.vertex: "left: on texture, or one of many like it" for bump in unsure}
    for bump, done in zip(chosen, levelled.done, strict=True):
        decisions[bump.seen.vertex] = "taken off" if done else "left: no room to refill it"
    changed = [bump for bump, done in zip(chosen, levelled.done, strict=True) if done]
    left = [bump for bump in shown if bump not in changed]
    areas = _areas(part)
    facts = {
        "found": len(shown),
        "changed": len(changed),
        "refused": len(left),
        "largest_height_mm": max((abs(bump.height_mm) for bump in changed), default=0.0),
        "residual_mm": max(
            (abs(height_left(levelled.vertices, finds.relief, bump)) for bump in changed), default=0.0
        ),
        "area_share_percent": 100.0 * float(areas[levelled.moved].sum() / max(areas.sum(), 1e-30)),
        "textured_percent": 100.0 * finds.textured_share,
    }
    evidence = {"patches": _table(shown, names, decisions, "left alone"), "grain_mm": finds.relief.grain_mm}
    if not changed:
        return StepResult(part, facts, _warnings(left, finds, params), evidence)
    result = part.with_mesh(levelled.vertices, part.faces, part.colours)
    moved_mm = np.linalg.norm(levelled.vertices - part.vertices, axis=1)
    pictures = {"patches": _picture(part, moved_mm)}
    return StepResult(result, facts, _warnings(left, finds, params), evidence, pictures=pictures)


def _chosen(part: Part, params: Params, finds: Finds, shown: list[Bump], names: dict[int, str]) -> list[Bump]:
    """The finds to take off. With `care: ask`, those a person ticked; as long as nobody has, HoldError."""
    if params.care == "strict":
        return [bump for bump in shown if bump.confidence >= SURE]
    if not shown:
        return []
    words = [word.lower() for word in re.split(r"[\s,;]+", params.ticked) if word]
    by_name = {names[bump.seen.vertex]: bump for bump in shown}
    if words == ["none"]:
        return []
    if words == ["all"]:
        return shown
    unknown = [word for word in words if word not in by_name]
    evidence = {"patches": _table(shown, names, {}, "to be decided"), "grain_mm": finds.relief.grain_mm}
    listed = ", ".join(by_name)
    example = " ".join(list(by_name)[:2])
    how = (
        "Name those to take off in a ticket that you put into this job's folder, say patches.ticket.yaml, "
        f'with the line `set: {{patches: "{example}"}}`, or `all`, or `none`; keep what an earlier ticket '
        "set, and try the job again"
    )
    if unknown:
        raise HoldError(
            f"no patch of this scan is named {', '.join(unknown)}; its patches are {listed}. {how}",
            evidence,
            _marked(part, shown, names),
        )
    if not words:
        raise HoldError(
            f"{_places(len(shown))} may be bumps that the scanner left: {listed}. The picture shows each "
            f"with its name. {how}",
            evidence,
            _marked(part, shown, names),
        )
    return [bump for bump in shown if names[bump.seen.vertex] in words]


def _warnings(left: list[Bump], finds: Finds, params: Params) -> tuple[str, ...]:
    if params.care == "ask":
        return ()
    if finds.all_over:
        rest = f" `care: ask` shows {_places(len(left))} to a person." if left else ""
        return (
            f"The part is textured: on {100 * finds.textured_share:.0f} % of its surface so much stands out "
            f"that no bump of {params.over:g} mm is certain, and nothing was changed.{rest}",
        )
    if not left:
        return ()
    looks, them = ("looks", "it") if len(left) == 1 else ("look", "them")
    on = sum(bump.textured for bump in left)
    where = f" ({on} on texture or among many like it)" if on else ""
    return (
        f"{_places(len(left))} {looks} like a scanning bump{where} but may be texture or shape, and nothing "
        f"was changed there; `care: ask` shows {them} to a person",
    )


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def _names(part: Part, bumps: list[Bump]) -> dict[int, str]:
    """Vertex → name. Made of where the bump is in the scan's own coordinates: the same scan gives the same
    names, and a name given for another surface is not mistaken for one of this.
    """
    import numpy as np

    back = np.linalg.inv(part.placement)
    digests = {}
    for bump in bumps:
        at = back[:3, :3] @ part.vertices[bump.seen.vertex] + back[:3, 3]
        digest = hashlib.sha256(",".join(f"{v:.6g}" for v in at).encode()).digest()
        digests[bump.seen.vertex] = b32encode(digest).decode().lower()
    letters = ID_LETTERS
    while len({text[:letters] for text in digests.values()}) < len(digests):
        letters += 1
    return {vertex: text[:letters] for vertex, text in digests.items()}


def _table(
    shown: list[Bump], names: dict[int, str], decisions: dict[int, str], otherwise: str
) -> list[dict[str, Any]]:
    return [
        {
            "id": names[bump.seen.vertex],
            "centre_mm": [float(v) for v in bump.seen.centre],
            "height_mm": bump.height_mm,
            "width_mm": bump.width_mm,
            "confidence": bump.confidence,
            "decision": decisions.get(bump.seen.vertex, otherwise),
        }
        for bump in shown
    ]


def _fixed(part: Part) -> NDArray[np.bool_]:
    """(n,) vertices of open rims, and of triangles that lie in a flat face made on purpose."""
    import numpy as np

    from .geometry.surface_links import links_of

    fixed = links_of(part.faces, len(part.vertices)).rim
    near_mm = ON_PLANE * float(np.ptp(part.bounds, axis=0).max())
    for plane in part.planes:
        on = np.abs(plane.height_of(part.vertices)) < near_mm
        fixed[part.faces[on[part.faces].all(axis=1)]] = True
    return fixed


def _areas(part: Part) -> NDArray[np.float64]:
    """(n,) the surface that each vertex stands for."""
    import numpy as np

    from .geometry.measures import face_areas

    shares = np.repeat(face_areas(part.vertices, part.faces) / 3.0, 3)
    return np.asarray(np.bincount(part.faces.ravel(), shares, len(part.vertices)), dtype=np.float64)


def _picture(part: Part, moved_mm: NDArray[np.float64]) -> bytes:
    """The part as it came, coloured by how far the surface went where it was refilled."""
    from fettlebox.pictures import render_map

    return render_map(part, moved_mm, "taken off, mm", at_least=0.1, views=_all_round())


def _marked(part: Part, shown: list[Bump], names: dict[int, str]) -> dict[str, bytes]:
    """The part from all round, with the feet of the finds coloured by how sure they are, and their names."""
    import numpy as np
    from fettlebox.pictures import render_map

    least_mm = SEEN_FROM_AFAR * float(np.ptp(part.bounds, axis=0).max())
    sure = np.full(len(part.vertices), np.nan)
    for bump in reversed(shown):
        near = np.linalg.norm(part.vertices - bump.seen.centre, axis=1) <= max(bump.seen.radius_mm, least_mm)
        sure[near] = 100.0 * bump.confidence
    picture = render_map(
        part,
        sure,
        "how sure, %",
        high=100.0,
        views=_all_round(),
        size=LARGE_PX,
        unknown="left as it is",
        tags=[(_above(part, bump), names[bump.seen.vertex]) for bump in shown],
    )
    return {"patches": picture}


def _above(part: Part, bump: Bump) -> NDArray[np.float64]:
    """(3,) over the bump, clear of the walls of a pit."""
    import numpy as np

    return np.asarray(part.vertices[bump.seen.vertex] + bump.seen.normal * bump.seen.radius_mm)


def _all_round() -> tuple[Any, ...]:
    from fettlebox.pictures import View

    return (
        View("front", 0.0, 10.0),
        View("left", 90.0, 10.0),
        View("back", 180.0, 10.0),
        View("right", -90.0, 10.0),
    )
