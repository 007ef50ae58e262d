"""Read glTF 2.0 (ISO/IEC 12113:2022), `.glb` and self-contained `.gltf`: metres, +Y up.

An own reader: trimesh follows outside addresses, and reports damage as many kinds of exception.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .gltf_buffers import Document, open_document
from .gltf_textures import light_of
from .polygons import colour_bytes
from .source import RawMesh, Source, checked, shown
from .textures import Images, carried, encoded, linear

METRE_MM = 1000.0
_HARMLESS = ("KHR_materials_", "KHR_texture_", "KHR_lights_", "EXT_texture_", "KHR_mesh_quantization")
_TRIANGLES, _STRIP, _FAN = 4, 5, 6


@dataclass(frozen=True)
class _Piece:
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    colours: NDArray[np.uint8] | None


def read(source: Source) -> RawMesh:
    document = open_document(source)
    required = document.tree.get("extensionsRequired", [])
    for name in required if isinstance(required, list) else []:
        if not str(name).startswith(_HARMLESS):
            source.fail("extensionsRequired", shown(str(name)), "a mesh that needs no such extension")
    meshes: dict[int, _Piece] = {}
    pieces: list[_Piece] = []
    notes: list[str] = []
    images = Images(source.limits)
    triangles = vertices = 0
    for node, matrix in _placed_nodes(document):
        number = node["mesh"]
        mesh = document.item("meshes", number, "a node's mesh")
        if number not in meshes:
            meshes[number] = _mesh(document, number, mesh, notes, images)
        piece = _moved(meshes[number], matrix)
        triangles += len(piece.faces)
        vertices += len(piece.vertices)
        source.within(triangles, vertices)
        pieces.append(piece)
    if not pieces:
        source.fail("the scene", "no node with a mesh", "at least one")
    notes += images.notes
    merged = merge(pieces)
    mesh_ = RawMesh(merged.vertices, merged.faces, merged.colours, METRE_MM, "+y", tuple(notes))
    return checked(source, mesh_)


def merge(pieces: list[_Piece]) -> _Piece:
    """One mesh of many; colours only if every piece has them."""
    starts = np.cumsum([0] + [len(piece.vertices) for piece in pieces])
    faces = np.concatenate([p.faces + start for p, start in zip(pieces, starts[:-1], strict=True)])
    colours = [piece.colours for piece in pieces if piece.colours is not None]
    shade = np.concatenate(colours) if len(colours) == len(pieces) else None
    return _Piece(np.concatenate([piece.vertices for piece in pieces]), faces, shade)


def _placed_nodes(document: Document) -> list[tuple[dict[str, Any], NDArray[np.float64]]]:
    """Nodes with a mesh and their (4,4) matrix in the scene."""
    source, tree = document.source, document.tree
    nodes = tree.get("nodes", [])
    count = len(nodes) if isinstance(nodes, list) else 0
    if "scenes" in tree:
        roots = document.item("scenes", tree.get("scene", 0), "scene").get("nodes", [])
    else:
        children = {c for n in nodes if isinstance(n, dict) for c in _numbers(n.get("children"))}
        roots = [k for k in range(count) if k not in children]
    placed = []
    seen: set[int] = set()
    waiting = [(number, np.eye(4), 0) for number in reversed(_numbers(roots))]
    while waiting:
        number, outer, depth = waiting.pop()
        node = document.item("nodes", number, "a list of nodes")
        if number in seen or depth > source.limits.nesting:
            source.fail(f"nodes[{number}]", "a node that hangs in two places, or too deep", "a tree")
        seen.add(number)
        with np.errstate(all="ignore"):
            matrix = outer @ _matrix(source, node, f"nodes[{number}]")
        if "mesh" in node:
            placed.append((node, matrix))
        waiting += [(child, matrix, depth + 1) for child in reversed(_numbers(node.get("children")))]
    return placed


def _numbers(value: Any) -> list[int]:
    return [v for v in value if isinstance(v, int)] if isinstance(value, list) else []


def _matrix(source: Source, node: dict[str, Any], place: str) -> NDArray[np.float64]:
    if "matrix" in node:
        return np.array(_vector(source, node, "matrix", [0.0] * 16, place)).reshape(4, 4).T
    x, y, z, w = _vector(source, node, "rotation", [0.0, 0.0, 0.0, 1.0], place)
    matrix = np.eye(4)
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix[:3, :3] = turn * np.array(_vector(source, node, "scale", [1.0, 1.0, 1.0], place))
    matrix[:3, 3] = _vector(source, node, "translation", [0.0, 0.0, 0.0], place)
    return matrix


def _vector(source: Source, node: dict[str, Any], key: str, default: list[float], place: str) -> list[float]:
    value = node.get(key, default)
    if isinstance(value, list) and len(value) == len(default):
        numbers = [float(v) for v in value if type(v) in (int, float) and abs(v) < 1e30]
        if len(numbers) == len(default) and all(math.isfinite(v) for v in numbers):
            return numbers
    source.fail(f"{place}.{key}", shown(repr(value)[:60]), f"{len(default)} plain numbers")


def _mesh(document: Document, number: int, mesh: dict[str, Any], notes: list[str], images: Images) -> _Piece:
    """All triangles of one mesh, in its own space, welded: the format splits vertices at texture seams."""
    from .weld import weld

    source = document.source
    primitives = mesh.get("primitives")
    positions, faces, colours, textured = [], [], [], False
    start = 0
    for k, primitive in enumerate(primitives if isinstance(primitives, list) else []):
        place = f"meshes[{number}].primitives[{k}]"
        if not isinstance(primitive, dict) or not isinstance(primitive.get("attributes"), dict):
            source.fail(place, "no attributes", "an object with attributes")
        mode = document.whole(primitive, "mode", _TRIANGLES, place)
        if mode not in (_TRIANGLES, _STRIP, _FAN):
            notes.append(f"{place} holds points or lines and was left out")
            continue
        attributes = primitive["attributes"]
        points = document.array(attributes.get("POSITION"), (3,), f"{place}.POSITION")
        if "indices" in primitive:
            index = document.array(primitive["indices"], (1,), f"{place}.indices")[:, 0]
            if not np.issubdtype(index.dtype, np.unsignedinteger):
                source.fail(f"{place}.indices", "numbers with a sign or a fraction", "whole numbers")
        else:
            index = np.arange(len(points))
        if len(index) and index.max() >= len(points):
            source.fail(f"{place}.indices", f"vertex number {index.max()}", f"0 to {len(points) - 1}")
        if mode == _TRIANGLES and len(index) % 3:
            source.fail(f"{place}.indices", f"{len(index)} of them", "three a triangle")
        faces.append(_triangles(index.astype(np.int64), mode) + start)
        positions.append(points.astype(np.float32))
        given = _colours(document, attributes, len(points), place)
        light = light_of(document, primitive, len(points), place, images)
        if light is not None:
            textured = True
            given = encoded(light if given is None else light * linear(given))
        colours.append(given)
        start += len(points)
        source.within(sum(map(len, faces)), start)
    if not positions:
        source.fail(f"meshes[{number}]", "no triangles", "at least one")
    corners = np.concatenate(positions)
    if not np.isfinite(corners).all():
        row = int(np.argmin(np.isfinite(corners).all(axis=1)))
        source.fail(f"meshes[{number}], vertex {row}", str(corners[row].tolist()), "finite numbers")
    kept, where = weld(corners)
    shade = None
    every = [colour for colour in colours if colour is not None]
    corners_of = np.concatenate(faces)
    triangles = where.astype(np.int64)[corners_of]
    points_ = kept.astype(np.float64)
    if len(every) == len(colours) and textured:
        shade = carried(points_, triangles, linear(np.concatenate(every))[corners_of])
    elif len(every) == len(colours):
        shade = np.empty((len(kept), 4), np.uint8)
        shade[where[::-1]] = np.concatenate(every)[::-1]  # of welded vertices the first one's colour stays
    return _Piece(points_, triangles, shade)


def _triangles(index: NDArray[np.int64], mode: int) -> NDArray[np.int64]:
    """(m,3) of a list, a strip or a fan, as section 3.7.2.1 of the standard winds them."""
    if mode == _TRIANGLES:
        return index.reshape(-1, 3)
    if len(index) < 3:
        return np.empty((0, 3), np.int64)
    if mode == _FAN:
        first = np.full(len(index) - 2, index[0])
        return np.stack([index[1:-1], index[2:], first], axis=1)
    odd = np.arange(len(index) - 2) % 2
    strip = np.stack([index[:-2], index[1:-1], index[2:]], axis=1)
    strip[odd == 1] = strip[odd == 1][:, [0, 2, 1]]
    return strip


def _colours(
    document: Document, attributes: dict[str, Any], count: int, place: str
) -> NDArray[np.uint8] | None:
    """COLOR_0, which is linear, as sRGB bytes (IEC 61966-2-1)."""
    if "COLOR_0" not in attributes:
        return None
    linear = np.array(document.array(attributes["COLOR_0"], (3, 4), f"{place}.COLOR_0"), dtype=np.float64)
    if len(linear) != count:
        document.source.fail(f"{place}.COLOR_0", f"{len(linear)} colours", f"{count}, one a vertex")
    linear = np.clip(np.nan_to_num(linear), 0.0, 1.0)
    colour = linear[:, :3]
    linear[:, :3] = np.where(colour <= 0.0031308, 12.92 * colour, 1.055 * colour ** (1 / 2.4) - 0.055)
    return colour_bytes(linear)


def _moved(piece: _Piece, matrix: NDArray[np.float64]) -> _Piece:
    """In the scene; a mirroring matrix turns the triangles over, so they are turned back (3.5.3)."""
    with np.errstate(all="ignore"):
        vertices = piece.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    mirrored = np.linalg.det(matrix[:3, :3]) < 0
    return _Piece(vertices, piece.faces[:, ::-1] if mirrored else piece.faces, piece.colours)
