"""Texture images: decoded within bounds, looked up at texture coordinates, and carried to the vertices.

A colour is a number of the light a surface sends back: means are taken in linear light (IEC 61966-2-1).
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .source import ReadLimits, Source, shown

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
FORMATS = ("PNG", "JPEG")
PLAIN = (0.5, 0.5, 0.5, 1.0)
"""Linear light of surface that no texture covers, where other surface has one."""


class NoTextureError(Exception):
    """An image cannot be used; the text says why. The scan is read without it."""


@dataclass
class Images:
    """The images of one scan. What all of them may take together is bounded, not only each."""

    limits: ReadLimits
    pixels: int = 0
    notes: list[str] = field(default_factory=list)
    _seen: dict[str, NDArray[np.uint8] | None] = field(default_factory=dict, repr=False)

    def once(self, name: str, read: Callable[[], NDArray[np.uint8] | None]) -> NDArray[np.uint8] | None:
        """What `read` gives the first time that this name is asked for."""
        if name not in self._seen:
            self._seen[name] = read()
        return self._seen[name]

    def decode(self, data: bytes) -> NDArray[np.uint8]:
        """Pixels (h,w,4) sRGB with alpha, top row first. Raises NoTextureError."""
        from PIL import Image, UnidentifiedImageError

        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what it warns of is bounded more tightly here
                with Image.open(io.BytesIO(data), formats=FORMATS) as image:
                    self.pixels += image.width * image.height
                    if self.pixels > self.limits.texture_pixels:
                        raise NoTextureError(
                            f"{image.width} x {image.height} pixels; expected at most "
                            f"{self.limits.texture_pixels} in all textures"
                        )
                    return _rgba(image)
        except NoTextureError:
            raise
        except UnidentifiedImageError:
            raise NoTextureError("neither PNG nor JPEG") from None
        except Exception as error:  # decoders fail in many ways on damaged data
            raise NoTextureError(f"damaged ({type(error).__name__})") from error

    @property
    def any_used(self) -> bool:
        return any(image is not None for image in self._seen.values())

    def leave_out(self, name: str, reason: object) -> None:
        self.notes.append(f"the texture {shown(name)} was left out: {reason}")


def from_beside(source: Source, name: str, images: Images) -> NDArray[np.uint8] | None:
    """The image of a name that the mesh gives, if it came in the same folder or zip; else None and a note."""
    return images.once(name, lambda: _from_beside(source, name, images))


def _from_beside(source: Source, name: str, images: Images) -> NDArray[np.uint8] | None:
    from ...errors import ScanError

    try:
        data = source.beside(name)
        if data is None:
            images.leave_out(name, "it did not come with the scan, in one folder or zip")
            return None
        return images.decode(data)
    except (NoTextureError, ScanError, OSError) as error:
        images.leave_out(name, error)
        return None


def _rgba(image: Any) -> NDArray[np.uint8]:
    if image.mode.startswith("I"):  # 16 bits of grey, which a plain conversion would clip
        grey = (np.asarray(image).astype(np.int64) >> 8).clip(0, 255).astype(np.uint8)
        return np.dstack([grey, grey, grey, np.full_like(grey, 255)])
    return np.asarray(image.convert("RGBA"))


def looked_up(image: NDArray[np.uint8], uv: Floats) -> Floats:
    """Linear light and alpha (k,4), 0 to 1, at (u, v) (k,2) with (0, 0) at the image's top left corner.

    Bilinear between the middles of pixels; coordinates beyond 0 to 1 repeat the image.
    """
    height, width = image.shape[:2]
    uv = np.nan_to_num(uv, nan=0.0, posinf=0.0, neginf=0.0)
    inside = uv - np.floor(uv)
    # The far edge is the far edge, not the near one of the next repetition.
    inside[(inside == 0.0) & (uv > 0.0)] = 1.0
    x = np.clip(inside[:, 0] * width - 0.5, 0, width - 1)
    y = np.clip(inside[:, 1] * height - 0.5, 0, height - 1)
    left, top = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    right, below = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    along, down = (x - left)[:, None], (y - top)[:, None]
    upper = linear(image[top, left]) * (1 - along) + linear(image[top, right]) * along
    lower = linear(image[below, left]) * (1 - along) + linear(image[below, right]) * along
    return np.asarray(upper * (1 - down) + lower * down)


def linear(colours: NDArray[np.uint8]) -> Floats:
    """Linear light (k,4) of sRGB bytes with alpha."""
    share = np.arange(256) / 255.0
    table = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    result = np.empty(colours.shape, np.float64)
    result[:, :3] = table[colours[:, :3]]
    result[:, 3] = share[colours[:, 3]]
    return result


def encoded(light: Floats) -> NDArray[np.uint8]:
    """Bytes of sRGB with alpha (k,4) of linear light (k,4)."""
    light = np.clip(np.nan_to_num(light), 0.0, 1.0)
    colour = light[:, :3]
    light[:, :3] = np.where(colour <= 0.0031308, 12.92 * colour, 1.055 * colour ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(light * 255.0), dtype=np.uint8)


def carried(vertices: Floats, faces: Ints, light: Floats) -> NDArray[np.uint8] | None:
    """Colours (n,4) of the vertices from the light (m,3,4) at the corners of their faces, NaN where none.

    Where the parts of a texture meet, a vertex has several colours: their mean, by the area of the faces.
    None if no corner has a colour.
    """
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    area += 1e-12 * (area.max(initial=0.0) or 1.0)  # a vertex of slivers alone has a colour, too
    total, weight = np.zeros((len(vertices), 4)), np.zeros(len(vertices))
    for k in range(3):
        known = np.isfinite(light[:, k]).all(axis=1)
        np.add.at(total, faces[known, k], light[known, k] * area[known, None])
        np.add.at(weight, faces[known, k], area[known])
    if not weight.any():
        return None
    bare = weight == 0
    total[bare], weight[bare] = PLAIN, 1.0
    return encoded(total / weight[:, None])
