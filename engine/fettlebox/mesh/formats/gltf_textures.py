"""The base colour texture of a glTF material, looked up at a primitive's vertices (sections 3.8 and 3.9)."""

from __future__ import annotations

import base64
import binascii
import math
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from .gltf_buffers import Document
from .source import shown
from .textures import Images, NoTextureError, from_beside, looked_up

_TRANSFORM = "KHR_texture_transform"
_WHITE = [1.0, 1.0, 1.0, 1.0]


def light_of(
    document: Document, primitive: dict[str, Any], count: int, place: str, images: Images
) -> NDArray[np.float64] | None:
    """Linear light and alpha (count,4) of the vertices; None if there is no texture that can be used.

    What is wrong with a texture costs the colours, never the scan.
    """
    if "material" not in primitive:
        return None
    material = document.item("materials", primitive["material"], f"{place}.material")
    base = _object(material.get("pbrMetallicRoughness"))
    texture = _object(base.get("baseColorTexture"))
    if "index" not in texture:
        return None
    image = _image(document, texture["index"], place, images)
    if image is None:
        return None
    transform = _object(_object(texture.get("extensions")).get(_TRANSFORM))
    which = transform.get("texCoord", texture.get("texCoord", 0))
    name = f"TEXCOORD_{which}"
    if name not in primitive["attributes"]:
        images.leave_out(place, f"the mesh has no {shown(name)}")
        return None
    uv = np.array(document.array(primitive["attributes"][name], (2,), f"{place}.{name}"), dtype=np.float64)
    if len(uv) != count:
        document.source.fail(f"{place}.{name}", f"{len(uv)} coordinates", f"{count}, one a vertex")
    light = looked_up(image, _moved(uv, transform))
    light *= np.array(_numbers(base.get("baseColorFactor"), _WHITE))
    if material.get("alphaMode", "OPAQUE") not in ("MASK", "BLEND"):
        light[:, 3] = 1.0
    return light


def _image(document: Document, number: Any, place: str, images: Images) -> NDArray[np.uint8] | None:
    texture = document.item("textures", number, f"{place}.baseColorTexture")
    if "source" not in texture:
        images.leave_out(f"textures[{number}]", "it names no PNG or JPEG")
        return None
    image = document.item("images", texture["source"], f"textures[{number}]")
    name = f"images[{texture['source']}]"
    return images.once(name, lambda: _decoded(document, image, name, images))


def _decoded(
    document: Document, image: dict[str, Any], name: str, images: Images
) -> NDArray[np.uint8] | None:
    uri = image.get("uri")
    try:
        if "bufferView" in image:
            return images.decode(document.view(image["bufferView"], name))
        if isinstance(uri, str) and uri.startswith("data:"):
            return images.decode(base64.b64decode(uri.partition(",")[2], validate=True))
    except (NoTextureError, binascii.Error, ValueError) as error:
        images.leave_out(name, error)
        return None
    if not isinstance(uri, str):
        images.leave_out(name, "it holds no data")
        return None
    return from_beside(document.source, unquote(uri), images)


def _moved(uv: NDArray[np.float64], transform: dict[str, Any]) -> NDArray[np.float64]:
    """As the extension KHR_texture_transform has it: scaled, turned, shifted."""
    turn = _numbers([transform.get("rotation", 0.0)], [0.0])[0]
    u, v = (uv * np.array(_numbers(transform.get("scale"), [1.0, 1.0]))).T
    cos, sin = math.cos(turn), math.sin(turn)
    turned = np.stack([cos * u + sin * v, cos * v - sin * u], axis=1)
    return np.asarray(turned + np.array(_numbers(transform.get("offset"), [0.0, 0.0])))


def _object(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _numbers(value: Any, default: list[float]) -> list[float]:
    """Plain numbers of the length that is due, else the default."""
    if not isinstance(value, list) or len(value) != len(default):
        return default
    usable = all(type(v) in (int, float) and abs(v) < 1e6 for v in value)
    return [float(v) for v in value] if usable else default
