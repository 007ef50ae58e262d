"""What OBJ lines say about texture: coordinates, which of them each corner has, and which material each face.

A second pass over text that `obj_text` has found to be sound; scans without a texture never pay for it.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators
from __future__ import annotations

import re
from itertools import islice

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .mtl import Material, materials
from .numerals import read_number, skip_blanks
from .obj_text import _line_end
from .source import Source
from .textures import Images, carried, from_beside, looked_up

_V, _F, _T, _SLASH = 118, 102, 116, 47
_LIBRARY = re.compile(rb"^[ \t]*mtllib[ \t]+([^\r\n]+)", re.MULTILINE)
_USE = re.compile(rb"^[ \t]*usemtl[ \t]+([^\r\n]+)", re.MULTILINE)
MOST_LIBRARIES = 16


def colours(
    source: Source, text: NDArray[np.uint8], points: NDArray[np.float64], index: NDArray[np.int64],
    lengths: NDArray[np.int64], corners: NDArray[np.int64],
) -> tuple[NDArray[np.uint8] | None, tuple[str, ...]]:  # fmt: skip
    """Colours (n,4) of the vertices from the texture that the file names, or None; and notes.

    index (c,) vertex of each corner; lengths (p,) corners of each polygon; corners (m,3) places in `index`.
    """
    named = _materials(source)
    if not any(material.texture for material in named.values()):
        return None, ()
    uv, corner_uv, face_at = read_uv(text, text.tobytes().count(b"vt"), len(lengths), len(index))
    used = corners.astype(np.int64)
    polygon = np.searchsorted(np.cumsum(lengths), used[:, 0], side="right")
    uses = [(found.start(), found[1].strip()) for found in _USE.finditer(source.data)]
    which = np.searchsorted(np.array([at for at, _ in uses], np.int64), face_at[polygon], side="right") - 1
    light = np.full((len(used), 3, 4), np.nan)
    images = Images(source.limits)
    for name in dict.fromkeys(name for _, name in uses):
        mine = np.flatnonzero(np.isin(which, [k for k, (_, other) in enumerate(uses) if other == name]))
        material = named.get(name, Material())
        if len(mine):
            light[mine] = _light(source, material, corner_uv[used[mine]], uv, images)
    if not images.any_used:
        return None, tuple(images.notes)
    return carried(points, index[used], light), tuple(images.notes)


def _materials(source: Source) -> dict[bytes, Material]:
    named: dict[bytes, Material] = {}
    for library in islice(_LIBRARY.finditer(source.data), MOST_LIBRARIES):
        name = library[1].strip().decode("utf-8", "replace")
        # A name may hold blanks, and a line may hold several names.
        for each in (name, *name.split()[:MOST_LIBRARIES]):
            data = source.beside(each)
            if data is not None:
                named.update(materials(data))
    return named


def _light(
    source: Source, material: Material, numbers: NDArray[np.int64], uv: NDArray[np.float64], images: Images
) -> NDArray[np.float64]:
    """(k,3,4) at corners whose texture coordinates have these numbers (k,3); -1 for none."""
    light = np.full((*numbers.shape, 4), np.nan)
    if material.colour is not None:
        light[:] = (*material.colour, 1.0)
    image = None if material.texture is None else from_beside(source, material.texture, images)
    has = (numbers >= 0) & (numbers < len(uv))
    if image is not None and has.any():
        at = uv[numbers[has]]
        # OBJ counts v from the bottom of the image.
        light[has] = looked_up(image, np.stack([at[:, 0], 1.0 - at[:, 1]], axis=1))
        light[..., 3] = 1.0  # how transparent a material is stands elsewhere, and no print is
    return light


@njit(cache=True)
def read_uv(text, most_uv, face_count, corner_count):
    """Texture coordinates (t,2), their number (c,) at each corner or -1, and the offset (f,) of each face."""
    end = text.shape[0]
    uv = np.zeros((most_uv, 2), np.float64)
    corner = np.full(corner_count, -1, np.int64)
    face_at = np.zeros(face_count, np.int64)
    t = f = c = 0
    at = 0
    while True:
        at = skip_blanks(text, at, end, True)
        if at >= end:
            return uv[:t], corner, face_at
        if text[at] == _V and at + 2 < end and text[at + 1] == _T and text[at + 2] <= 32:
            at += 2
            for k in range(2):
                at = skip_blanks(text, at, end, False)
                if at >= end or text[at] in (10, 13, 35):
                    break
                value, behind = read_number(text, at, end)
                if behind < 0:
                    break
                uv[t, k] = value
                at = behind
            t += 1
        elif text[at] == _F and at + 1 < end and (text[at + 1] == 32 or text[at + 1] == 9):
            face_at[f] = at
            at += 1
            while True:
                at = skip_blanks(text, at, end, False)
                if at >= end or text[at] in (10, 13, 35):
                    break
                while at < end and text[at] > 32 and text[at] != _SLASH:
                    at += 1
                if at + 1 < end and text[at] == _SLASH and text[at + 1] != _SLASH and text[at + 1] > 32:
                    value, behind = read_number(text, at + 1, end)
                    if behind > 0 and value == np.floor(value) and abs(value) < 2147483647.0 and value != 0:
                        corner[c] = np.int64(value) - 1 if value > 0 else t + np.int64(value)
                while at < end and text[at] > 32:
                    at += 1
                c += 1
            f += 1
        at = _line_end(text, at, end)
