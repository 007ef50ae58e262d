"""The example of a step: the recipe in its words, run on a scan, and a picture of what the step did.

The picture is what the words call for:

    (nothing)   before and after, drawn apart at one scale, from the front; of a step that does not change the
                part, the first of its own pictures, if it has any
    side, below, behind   the same, seen from there
    open        the same, without the half in front, so that the inside shows
    near        the same, only what lies about the foremost point, so that the surface shows
    none        no picture
    NAME        the step's own picture of that name
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..api import Step
from ..catalog import Catalog
from ..declaring import declared
from ..errors import UsageError
from ..mesh import Part, read_scan
from ..pictures import View, render_pair
from ..printer import EVERYDAY
from ..recipe import PlannedStep, parse_recipe
from ..run_steps import Run, run_steps
from ..shipped import shipped
from ..step_cache import StepCache
from .words import Words, words_of

USUAL_SCAN = "miller.ply"
"""The example scan that is used unless a step's words name another: a carved head, grainy, with holes."""

PAIR_PX = (640, 360)
NEAR_SHARE = 0.25
"""Of the part's diagonal: what counts as near its foremost point."""

COLOURS = 64
"""Of the palette that pictures are stored with: they are small then, and shading still looks even."""

ALIKE = 1.0
"""Pictures whose grey levels differ by less, of 255 in the mean, show the same: other processors round
otherwise, which moves an edge here and there by a pixel."""

VIEWS = {
    "": View("front", 30.0, 15.0),
    "side": View("side", 90.0, 5.0),
    "below": View("below", 20.0, -40.0),
    "behind": View("behind", 205.0, 20.0),
    "open": View("front", 10.0, 8.0),
    "near": View("front", 35.0, 10.0),
}


@dataclass(frozen=True)
class Example:
    """What the step did in the example: PNG bytes or None, and its facts and evidence."""

    picture: bytes | None
    facts: Mapping[str, Any]
    evidence: Mapping[str, Any]


def run_example(
    step: Step[Any], catalog: Catalog, *, scan: Path | None = None, kept: Path | None = None
) -> Example | None:
    """Run the recipe in the step's words; None if they have none. Without `scan`, on one that ships.

    `kept` is a folder in which results of steps are kept for the examples of others. Raises UsageError if the
    recipe does not end with this step, or does not get through.
    """
    words = words_of(step)
    if not words.recipe:
        return None
    recipe = parse_recipe(f"recipe: example\nsteps:\n{words.recipe}\ndeliver: []\n", step.name, catalog)
    if recipe.steps[-1].step.name != step.name:
        raise UsageError(f"the recipe in the words of step {step.name!r} has to end with it")
    scan = scan or shipped("inbox_example") / "inbox" / (words.scan or USUAL_SCAN)
    part, origin, _ = declared(read_scan(scan), None)
    parts = [part]

    def watch(planned: PlannedStep, run: Run) -> None:
        parts.append(run.part)

    with TemporaryDirectory() as scratch:
        run = run_steps(
            part,
            origin,
            recipe.plan({}, None),
            EVERYDAY,
            seed="example",
            scratch=Path(scratch),
            progress=lambda step, fraction: None,
            watch=watch,
            kept=StepCache(kept) if kept else None,
        )
    record = run.records[-1]
    if record.id != recipe.steps[-1].id or record.outcome not in ("done", "held"):
        raise UsageError(f"the recipe in the words of step {step.name!r} ends early: {run.reason}")
    own = {
        name.removeprefix(f"{record.id}-"): png
        for name, png in run.pictures.items()
        if name.startswith(f"{record.id}-")
    }
    return Example(_picture(words, parts[-2], parts[-1], own), record.facts, record.evidence)


def _picture(words: Words, before: Part, after: Part, own: Mapping[str, bytes]) -> bytes | None:
    if words.picture == "none":
        return None
    if words.picture in own:
        return _small(own[words.picture])
    if words.picture not in VIEWS:
        known = ", ".join([*filter(None, VIEWS), "none", *own])
        raise UsageError(f"there is no picture {words.picture!r}; there are {known}")
    if after is before or after.digest() == before.digest():
        return _small(next(iter(own.values()))) if own else None
    if words.picture in ("open", "near"):
        chosen = _behind if words.picture == "open" else _near
        before, after = (replace(part, faces=part.faces[chosen(part)]) for part in (before, after))
    names = ("before", "after")
    view = VIEWS[words.picture]
    return _small(render_pair(before, after, size=PAIR_PX, names=names, view=view, as_they_lie=True))


def _behind(part: Part) -> NDArray[np.bool_]:
    """(m,) triangles behind the part's middle."""
    flags: NDArray[np.bool_] = part.vertices[part.faces].mean(axis=1)[:, 1] > part.bounds.mean(axis=0)[1]
    return flags


def _near(part: Part) -> NDArray[np.bool_]:
    """(m,) triangles about the part's foremost point."""
    middles = part.vertices[part.faces].mean(axis=1)
    away = np.linalg.norm(middles - middles[np.argmin(middles[:, 1])], axis=1)
    flags: NDArray[np.bool_] = away < NEAR_SHARE * np.linalg.norm(np.ptp(part.bounds, axis=0))
    return flags


def _small(png: bytes) -> bytes:
    """The picture at most as wide as a page, with few colours. The same picture gives the same bytes."""
    from PIL import Image

    picture = Image.open(io.BytesIO(png)).convert("RGB")
    if picture.width > PAIR_PX[0]:
        size = (PAIR_PX[0], round(picture.height * PAIR_PX[0] / picture.width))
        picture = picture.resize(size, Image.Resampling.LANCZOS)
    out = io.BytesIO()
    few = picture.quantize(COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(out, "PNG", optimize=True)
    return out.getvalue()


def unlike(one: bytes, other: bytes) -> float:
    """How far two pictures differ: the mean difference of their grey levels, 0 to 255; 255 by size."""
    from PIL import Image

    pictures = [Image.open(io.BytesIO(png)).convert("L") for png in (one, other)]
    if pictures[0].size != pictures[1].size:
        return 255.0
    first, second = (np.asarray(picture, dtype=np.float64) for picture in pictures)
    return float(np.abs(first - second).mean())
