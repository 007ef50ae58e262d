"""The part: an immutable triangle mesh on its way through a recipe."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Plane:
    """A flat face that a step made on purpose. Kept in part coordinates and moved with the part.

    `normal` (unit) points out of the material, to where something was cut off or closed.
    `kind`: `base` closes an opening of the scan, `cut` is a trimming cut.
    `bed` marks the face that belongs on the build platform.
    `likeness`, of a cut: there was no neck or other stump to shorten; what it took of the scan is likeness.
    """

    kind: Literal["base", "cut"]
    point: tuple[float, float, float]
    normal: tuple[float, float, float]
    bed: bool = False
    likeness: bool = False

    def height_of(self, points: Floats) -> Floats:
        """Signed distance (n,) in mm of points (n,3) beyond the plane; negative is in the material."""
        return np.asarray((points - np.array(self.point)) @ np.array(self.normal), dtype=np.float64)

    def moved(self, matrix: Floats) -> Plane:
        point = matrix[:3, :3] @ np.array(self.point) + matrix[:3, 3]
        normal = matrix[:3, :3] @ np.array(self.normal)
        normal = normal / np.linalg.norm(normal)
        return replace(self, point=_triple(point), normal=_triple(normal))


@dataclass(frozen=True, eq=False)
class Part:
    """Triangles in millimetres, counter-clockwise seen from outside, Z up.

    vertices   (n,3) float64, mm
    faces      (m,3) int32, indices of vertices
    colours    (n,4) uint8 RGBA, or None
    placement  (4,4) float64, maps a point of the file, in the file's own numbers, to the part
    life_scale part length over life-size length: 1.0 until a step scales the order
    planes     flat faces made on purpose, newest last

    Arrays are read-only: a step makes a new Part. Raises ValueError for arrays of the wrong shape,
    for coordinates that are not finite, and for indices that point nowhere.
    """

    vertices: Floats
    faces: Ints
    colours: Bytes | None = None
    placement: Floats = field(default_factory=lambda: np.eye(4))
    life_scale: float = 1.0
    planes: tuple[Plane, ...] = ()

    def __post_init__(self) -> None:
        vertices = _frozen(self.vertices, np.float64)
        faces = _frozen(self.faces, np.int32)
        if vertices.ndim != 2 or vertices.shape[1] != 3:
            raise ValueError(f"vertices have shape {vertices.shape}, expected (n, 3)")
        if faces.ndim != 2 or faces.shape[1] != 3:
            raise ValueError(f"faces have shape {faces.shape}, expected (m, 3)")
        if not np.isfinite(vertices).all():
            raise ValueError("a vertex coordinate is not a finite number")
        if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
            raise ValueError(f"a face names a vertex outside 0 to {len(vertices) - 1}")
        object.__setattr__(self, "vertices", vertices)
        object.__setattr__(self, "faces", faces)
        object.__setattr__(self, "placement", _frozen(self.placement, np.float64))
        if self.colours is not None:
            colours = _frozen(self.colours, np.uint8)
            if colours.shape != (len(vertices), 4):
                raise ValueError(f"colours have shape {colours.shape}, expected ({len(vertices)}, 4)")
            object.__setattr__(self, "colours", colours)

    def with_mesh(self, vertices: ArrayLike, faces: ArrayLike, colours: Bytes | None = None) -> Part:
        """The same part with another surface in the same place. Colours are dropped unless given."""
        return replace(
            self, vertices=np.asarray(vertices), faces=np.asarray(faces, dtype=np.int32), colours=colours
        )

    def with_plane(self, plane: Plane) -> Part:
        """The part with one more flat face on record; a `bed` plane takes that mark from the others."""
        others = tuple(replace(p, bed=False) if plane.bed else p for p in self.planes)
        return replace(self, planes=(*others, plane))

    def moved(self, matrix: ArrayLike) -> Part:
        """Turned and shifted by a rigid (4,4) matrix, its planes and placement with it."""
        matrix = np.asarray(matrix, dtype=np.float64)
        return self._mapped(matrix)

    def scaled(self, factor: float) -> Part:
        """Scaled about the origin for the order: the part is now `factor` times its size in life."""
        return replace(self._mapped(np.diag([factor] * 3 + [1.0])), life_scale=self.life_scale * factor)

    def in_unit(self, unit_mm: float) -> Part:
        """The numbers read as another unit of `unit_mm`: the subject's own size, not a scaled order."""
        return self._mapped(np.diag([unit_mm] * 3 + [1.0]))

    def _mapped(self, matrix: Floats) -> Part:
        vertices = self.vertices @ matrix[:3, :3].T + matrix[:3, 3]
        return replace(
            self,
            vertices=vertices,
            placement=matrix @ self.placement,
            planes=tuple(plane.moved(matrix) for plane in self.planes),
        )

    @cached_property
    def bounds(self) -> Floats:
        """(2,3) smallest and largest corner, mm, of the vertices that a face uses; read-only."""
        if not len(self.faces):
            return _frozen(np.zeros((2, 3)), np.float64)
        mask = np.zeros(len(self.vertices), dtype=bool)
        mask[self.faces] = True
        used = self.vertices[mask]
        return _frozen(np.stack([used.min(axis=0), used.max(axis=0)]), np.float64)

    @property
    def bed_plane(self) -> Plane | None:
        """The flat face that belongs on the build platform, if a step made one."""
        return next((plane for plane in reversed(self.planes) if plane.bed), None)

    def digest(self) -> str:
        """SHA-256 of everything that makes this part what it is; equal digests, equal parts."""
        return self._digest

    @cached_property
    def _digest(self) -> str:
        sha = hashlib.sha256()
        for array in (self.vertices, self.faces, self.colours, self.placement):
            sha.update(b"none" if array is None else f"{array.shape}{array.dtype.str}".encode())
            sha.update(b"" if array is None else np.ascontiguousarray(array).tobytes())
        sha.update(repr((self.life_scale, self.planes)).encode())
        return sha.hexdigest()


def _frozen(array: ArrayLike, dtype: type) -> NDArray[Any]:
    """A read-only contiguous array; one that is already both is not copied."""
    given = np.asarray(array)
    if given.dtype == dtype and given.flags.c_contiguous and not given.flags.writeable and given.base is None:
        return given
    if given.dtype != dtype and np.issubdtype(dtype, np.integer) and given.size:
        limits = np.iinfo(dtype)
        if given.min() < limits.min or given.max() > limits.max:
            raise ValueError(f"a value does not fit {np.dtype(dtype).name}")
    own: NDArray[Any] = np.array(given, dtype=dtype, order="C", copy=True)
    own.flags.writeable = False
    return own


def _triple(values: Sequence[float] | Floats) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in values)
    return x, y, z
