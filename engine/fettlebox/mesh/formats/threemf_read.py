"""Read 3MF: every object that the build places, as one mesh, in the model's own unit.

After the 3MF Core Specification 1.4.0, with the model parts of the Production Extension 1.2 and the
colour groups of the Materials and Properties Extension 1.2.1 (3MF Consortium). An own reader: trimesh
reads the XML through a tree that takes ten times the memory and can not be bounded.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from .bundle import open_zip, unpacked
from .source import RawMesh, Source, checked, shown
from .threemf_model import Model, ModelObject, Placed, parse_model

UNITS_MM = {
    "micron": 0.001, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0,
}  # fmt: skip
MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
MOST_PLACINGS = 10_000
"""Uses of objects in one build: components that use components multiply, also when they are empty."""


def read(source: Source) -> RawMesh:
    package = _Package(source)
    root = package.root()
    model = package.model(root)
    unit_mm = UNITS_MM.get(model.unit)
    if unit_mm is None:
        source.fail("the model", f"unit {shown(model.unit)}", f"one of {', '.join(UNITS_MM)}")
    notes: list[str] = []
    items = model.items
    if not items:
        used = {placed.object_id for thing in model.objects.values() for placed in thing.components}
        items = [Placed(id_, None, np.eye(4, 3)) for id_ in model.objects if id_ not in used]
        notes.append("the file places nothing to be built, so every object in it was read")
    vertices: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int64]] = []
    colours: list[NDArray[np.uint8] | None] = []
    start = triangles = 0
    for thing, home, matrix in _placings(package, root, items):
        if thing.type == "support":
            notes.append(f"object {shown(thing.id)} is support and was left out")
            continue
        points, corners, shade = _mesh(source, thing, home)
        triangles += len(corners)
        source.within(triangles, start + len(points))
        with np.errstate(all="ignore"):
            vertices.append(points @ matrix[:3] + matrix[3])
        faces.append((corners[:, ::-1] if np.linalg.det(matrix[:3]) < 0 else corners) + start)
        colours.append(shade)
        start += len(points)
    if not vertices:
        source.fail("the model", "no object with a mesh", "at least one")
    given = [shade for shade in colours if shade is not None]
    merged = np.concatenate(given) if len(given) == len(colours) else None
    mesh = RawMesh(np.concatenate(vertices), np.concatenate(faces), merged, unit_mm, None, tuple(notes))
    return checked(source, mesh)


class _Package:
    """The zip and the model parts read from it so far."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.archive = open_zip(source)
        self.names = {name.lower(): name for name in self.archive.namelist()}
        self.models: dict[str, Model] = {}

    def root(self) -> str:
        """Path of the model part that the package's relationships name as its start."""
        text = unpacked(self.source, self.archive, self.part("_rels/.rels"))
        targets: list[str] = []

        def start(tag: str, given: dict[str, str]) -> None:
            if tag.endswith("Relationship") and given.get("Type") == MODEL_RELATION:
                targets.append(given.get("Target", ""))

        def refuse(*_: object) -> None:
            self.source.fail("_rels/.rels", "a document type", "none")

        parser = expat.ParserCreate()
        parser.StartElementHandler = start
        parser.StartDoctypeDeclHandler = refuse
        try:
            parser.Parse(text, True)
        except (expat.ExpatError, ValueError, LookupError) as error:
            self.source.fail("_rels/.rels", shown(str(error)), "well-formed XML")
        if not targets:
            self.source.fail("_rels/.rels", "no 3D model", "a relationship to one")
        return targets[0]

    def part(self, path: str) -> str:
        """The zip entry of a part name; part names are compared without case (ISO/IEC 29500-2)."""
        plain = posixpath.normpath(path.lstrip("/")).lower()
        if plain not in self.names:
            self.source.fail(f"part {shown(path)}", "no such part in the package", "a model part")
        return self.names[plain]

    def model(self, path: str) -> Model:
        name = self.part(path)
        if name not in self.models:
            self.models[name] = parse_model(self.source, unpacked(self.source, self.archive, name))
        return self.models[name]


def _placings(
    package: _Package, root: str, items: list[Placed]
) -> Iterator[tuple[ModelObject, Model, NDArray[np.float64]]]:
    """Every object with a mesh, once for each place it is built in, with its (4,3) matrix."""
    waiting = [(placed, root, np.eye(4), 0) for placed in reversed(items)]
    count = 0
    while waiting:
        placed, home, outer, depth = waiting.pop()
        count += 1
        place = f"object {shown(placed.object_id)}"
        if depth > package.source.limits.nesting or count > MOST_PLACINGS:
            package.source.fail(place, "components nested or repeated without end", "a plain assembly")
        home = placed.path or home
        model = package.model(home)
        thing = model.objects.get(placed.object_id)
        if thing is None:
            package.source.fail(place, "a use of it, but no such object", "an object with this id")
        own = np.eye(4)
        own[:, :3] = placed.transform
        with np.errstate(all="ignore"):
            matrix = own @ outer
        if not np.isfinite(matrix).all():
            package.source.fail(place, "a transform without bounds", "finite numbers")
        if thing.vertices is not None:
            yield thing, model, matrix[:, :3]
        waiting += [(inner, home, matrix, depth + 1) for inner in reversed(thing.components)]


def _mesh(
    source: Source, thing: ModelObject, model: Model
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.uint8] | None]:
    """Vertices (n,3), faces (m,3) and, if every corner has a colour, those of the vertices (n,4)."""
    points = thing.vertices if thing.vertices is not None else np.empty((0, 3))
    rows = thing.triangles if thing.triangles is not None else np.empty((0, 7))
    corners = rows[:, :3].astype(np.int64)
    wrong = (corners < 0) | (corners >= len(points)) | (corners != rows[:, :3])
    if wrong.any():
        row = int(np.argmax(wrong.any(axis=1)))
        listed = ", ".join(f"{v:g}" for v in rows[row, :3])
        source.fail(
            f"object {shown(thing.id)}, triangle {row}", f"vertices {listed}", f"0 to {len(points) - 1}"
        )
    return points, corners, _colours(thing, model, rows)


def _colours(thing: ModelObject, model: Model, rows: NDArray[np.float64]) -> NDArray[np.uint8] | None:
    """Colours (n,4) of an object's vertices, if a colour group gives every corner one."""
    if not model.colours or thing.vertices is None or not len(rows):
        return None
    index = rows[:, 3:6].copy()
    index[:, 0] = np.where(index[:, 0] < 0, thing.default, index[:, 0])
    index[:, 1:] = np.where(index[:, 1:] < 0, index[:, :1], index[:, 1:])  # one for all three corners
    table = np.empty((len(rows), 3, 4), dtype=np.uint8)
    for number in np.unique(rows[:, 6]):
        group = model.colours.get(f"{number:.0f}" if number >= 0 else thing.group or "")
        those = rows[:, 6] == number
        wanted = index[those]
        if not group or (wanted < 0).any() or (wanted >= len(group)).any():
            return None
        table[those] = np.array([_rgba(text) for text in group], dtype=np.uint8)[wanted.astype(np.int64)]
    shade = np.full((len(thing.vertices), 4), 255, dtype=np.uint8)
    corners = rows[:, :3].astype(np.int64).ravel()
    shade[corners[::-1]] = table.reshape(-1, 4)[::-1]  # where corners differ, the first one's stays
    return shade


def _rgba(text: str) -> tuple[int, ...]:
    """`#RRGGBB` or `#RRGGBBAA`, opaque white for anything else."""
    if not re.fullmatch(r"#(?:[0-9A-Fa-f]{6}|[0-9A-Fa-f]{8})", text):
        return (255, 255, 255, 255)
    return tuple(bytes.fromhex(text[1:].ljust(8, "F")))
