"""Write glTF 2.0 as one `.glb` (ISO/IEC 12113:2022): metres, +Y up, one mesh, colours if there are any."""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..part import Bytes, Part
from .gltf_buffers import BIN_CHUNK, JSON_CHUNK

_ARRAY_BUFFER, _ELEMENT_BUFFER = 34962, 34963
_FLOAT, _USHORT, _UINT = 5126, 5123, 5125


def write(part: Part, about: dict[str, str]) -> bytes:
    is_used = np.zeros(len(part.vertices), bool)
    is_used[part.faces] = True
    used = np.flatnonzero(is_used)
    compact = np.zeros(len(part.vertices), np.uint32)
    compact[used] = np.arange(len(used), dtype=np.uint32)
    x, y, z = (part.vertices[used] / 1000.0).T
    points = np.stack([x, z, -y], axis=1).astype("<f4")
    indices = compact[part.faces].astype("<u4").ravel()
    blocks: list[tuple[NDArray[Any], int, dict[str, Any]]] = [
        (
            points,
            _ARRAY_BUFFER,
            {
                "componentType": _FLOAT,
                "count": len(points),
                "type": "VEC3",
                "min": points.min(axis=0).tolist(),
                "max": points.max(axis=0).tolist(),
            },
        ),
        (indices, _ELEMENT_BUFFER, {"componentType": _UINT, "count": len(indices), "type": "SCALAR"}),
    ]
    attributes = {"POSITION": 0}
    if part.colours is not None:
        attributes["COLOR_0"] = 2
        kind = {"componentType": _USHORT, "normalized": True, "count": len(points), "type": "VEC4"}
        blocks.append((_linear(part.colours[used]), _ARRAY_BUFFER, kind))
    views, accessors, chunks, at = [], [], [], 0
    for number, (block, target, accessor) in enumerate(blocks):
        views.append({"buffer": 0, "byteOffset": at, "byteLength": block.nbytes, "target": target})
        accessors.append({"bufferView": number, **accessor})
        chunks.append(block.tobytes())
        at += block.nbytes  # every block is a multiple of four bytes, so the next one is aligned
    tree = {
        "asset": {"version": "2.0", "generator": about.get("Application", "Fettlebox")},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": about.get("Title", "part")}],
        "meshes": [{"primitives": [{"attributes": attributes, "indices": 1, "material": 0, "mode": 4}]}],
        "materials": [{"pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.8}}],
        "buffers": [{"byteLength": at}],
        "bufferViews": views,
        "accessors": accessors,
    }
    if about:
        tree["extras"] = about
    text = json.dumps(tree, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
    text += b" " * (-len(text) % 4)
    size = 12 + 8 + len(text) + 8 + at
    return b"".join(
        (
            struct.pack("<4sII", b"glTF", 2, size),
            struct.pack("<II", len(text), JSON_CHUNK),
            text,
            struct.pack("<II", at, BIN_CHUNK),
            *chunks,
        )
    )


def _linear(colours: Bytes) -> NDArray[np.uint16]:
    """SRGB bytes (n,4) as the linear 16-bit values glTF wants (IEC 61966-2-1); alpha is linear already."""
    share = colours / 255.0
    colour = share[:, :3]
    share[:, :3] = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    return np.rint(share * 65535.0).astype("<u2")
