"""The pictures that go with a job, and the measurement that one of them shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..mesh.fidelity import COVERED_WITHIN_MM, Fidelity, by_face, compare
from ..mesh.part import Floats, Part
from ..mesh.soundness import inspect
from ..pictures import Stage, caption_in, render_map, render_pair, render_views
from .model import MODEL, model_of

FOLDER = "pictures"


PART = "part"
SO_FAR = "surface so far"
"""What a job that a step stopped has, in place of a part."""

CAPTIONS = {
    "scan.png": "The scan from three sides, at one scale.",
    "part.png": "The {} from three sides, at one scale.",
    "before-after.png": "The scan and the {}, drawn equally large from the same side.",
    "distance.png": "How far the {} is from the scan. Cuts, fills and the inside of a hollow stay out.",
}


@dataclass(frozen=True)
class Seen:
    """`paths` are relative to the job's folder, `captions` by path; `fidelity` is null when nothing could be
    compared.
    """

    paths: tuple[str, ...]
    captions: Mapping[str, str]
    fidelity: Mapping[str, Any] | None


def picture_job(
    folder: Path,
    before: Part,
    after: Part,
    reference: Part,
    pictures: Mapping[str, bytes] | None = None,
    *,
    after_is: str = PART,
    said: Mapping[str, str] | None = None,
) -> Seen:
    """Draw scan and part into `folder/pictures/`, beside the pictures (name → PNG) that steps made and the
    light copies that the page lets one turn.

    `before` is the scan in life-size millimetres; all three are tied by their placements. `after_is` is what
    to call what the scan has become; if that is nothing, there is only the scan to draw. `said` are captions
    of pictures that do not carry their own.
    """
    made: dict[str, bytes] = {}
    fidelity = None
    drawn = bool(after_is) and len(after.faces) > 0
    if drawn:
        stage = Stage(after, solid=inspect(after).sound)
        made["part.png"] = render_views(after, stage=stage)
        if len(before.faces):
            made["before-after.png"] = render_pair(before, after, names=("scan", after_is), stage=stage)
        measured = _measured(reference, after)
        if measured is not None:
            fidelity = measured.as_facts()
            far, invented = by_face(after, measured)
            made["distance.png"] = render_map(
                after, _evened(after, far), "from the scan, mm", at_least=COVERED_WITHIN_MM,
                marked=invented, mark="no scan there", stage=stage,
            )  # fmt: skip
    elif len(before.faces):
        made["scan.png"] = render_views(before)
    captions = {name: CAPTIONS[name].format(after_is) for name in made}
    for name, data in (pictures or {}).items():
        if made.setdefault(picture_name(name), data) is data:
            captions[picture_name(name)] = caption_in(data) or (said or {}).get(name, "")
    (folder / FOLDER).mkdir(exist_ok=True)
    for name, data in made.items():
        (folder / FOLDER / name).write_bytes(data)
    if drawn:
        (folder / FOLDER / MODEL).write_bytes(model_of(before, after))
    told = {f"{FOLDER}/{name}": caption for name, caption in captions.items() if caption}
    return Seen(tuple(f"{FOLDER}/{name}" for name in made), told, fidelity)


def _evened(part: Part, values: Floats) -> Floats:
    """Values (m,) of faces, each the mean of its corners', theirs that of the faces around them: the grain of
    single triangles is not what the picture is for. NaN stays, and counts nowhere.
    """
    known = np.isfinite(values)
    corners = part.faces[known].ravel()
    count = np.bincount(corners, minlength=len(part.vertices))
    total = np.bincount(corners, np.repeat(values[known], 3), len(part.vertices))
    mean = total / np.maximum(count, 1)
    return np.where(known, mean[part.faces].mean(axis=1), np.nan)


def _measured(reference: Part, after: Part) -> Fidelity | None:
    try:
        return compare(reference, after)
    except ValueError:
        return None  # one of the two has no area; the witness says so in words


def picture_name(name: str) -> str:
    """A file name of plain letters for what a plugin calls its picture."""
    stem = name.removesuffix(".png")
    return (
        "".join(c if c.isascii() and (c.isalnum() or c == "-") else "-" for c in stem)[:60] or "step"
    ) + ".png"
