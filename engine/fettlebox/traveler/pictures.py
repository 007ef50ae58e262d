"""The pictures that go with a job, and the measurement that one of them shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..mesh.fidelity import COVERED_WITHIN_MM, Fidelity, by_face, compare
from ..mesh.part import Part
from ..pictures import Stage, render_map, render_pair, render_views
from .model import MODEL, model_of

FOLDER = "pictures"


@dataclass(frozen=True)
class Seen:
    """`paths` are relative to the job's folder; `fidelity` is null when nothing could be compared."""

    paths: tuple[str, ...]
    fidelity: Mapping[str, Any] | None


def picture_job(
    folder: Path, before: Part, after: Part, reference: Part, pictures: Mapping[str, bytes] | None = None
) -> Seen:
    """Draw scan and part into `folder/pictures/`, beside the pictures (name → PNG) that steps made and the
    light copies that the page lets one turn.

    `before` is the scan in life-size millimetres; all three are tied by their placements.
    """
    made: dict[str, bytes] = {}
    fidelity = None
    if len(after.faces):
        stage = Stage(after)
        made["part.png"] = render_views(after, stage=stage)
        if len(before.faces):
            made["before-after.png"] = render_pair(before, after, stage=stage)
        measured = _measured(reference, after)
        if measured is not None:
            fidelity = measured.as_facts()
            far, invented = by_face(after, measured)
            made["distance.png"] = render_map(
                after, far, "from the scan, mm", at_least=COVERED_WITHIN_MM,
                marked=invented, mark="no scan there", stage=stage,
            )  # fmt: skip
    for name, data in (pictures or {}).items():
        made.setdefault(picture_name(name), data)
    (folder / FOLDER).mkdir(exist_ok=True)
    for name, data in made.items():
        (folder / FOLDER / name).write_bytes(data)
    if len(after.faces):
        (folder / FOLDER / MODEL).write_bytes(model_of(before, after))
    return Seen(tuple(f"{FOLDER}/{name}" for name in made), fidelity)


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
