"""The paper around the views: captions, title, scale bar, legend."""

from __future__ import annotations

import io
import math
import struct
import zlib
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .shade import PAPER, Image

if TYPE_CHECKING:
    from PIL import Image as Pillow

INK = (44, 46, 48)
QUIET = (96, 99, 102)
TEXT_PX = 17
SMALL_PX = 15
LONGEST_TEXT = 250
"""Characters that are looked at: measuring text is slow, and a name may be as long as a stranger likes."""
TAG_PLACES = 11
"""How far up and down, in lines, a free place for a tag's label is looked for."""

CAPTION = "Description"
"""The keyword under which a PNG tells what it shows (W3C, Portable Network Graphics, 11.3.3)."""

LONGEST_CAPTION = 500

SIGNATURE = b"\x89PNG\r\n\x1a\n"
FROM_ROW_ABOVE = 2
SAYING = (b"tEXt", b"zTXt", b"iTXt")
"""The chunks of a PNG that hold text."""


@cache
def font(size_px: int) -> Any:
    """The typeface that comes inside Pillow, so that pictures are the same on every machine."""
    from PIL import ImageFont

    return ImageFont.load_default(size_px)


def round_length(at_most: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above `at_most`."""
    power = 10.0 ** math.floor(math.log10(at_most))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= at_most * (1 + 1e-9))


def fit_text(text: str, size_px: int, width_px: float) -> str:
    """The text on one line, with what does not fit left out of its middle."""
    clean = "".join(c if c.isprintable() else " " for c in text[:LONGEST_TEXT])
    if len(text) <= LONGEST_TEXT and font(size_px).getlength(clean) <= width_px:
        return clean
    tail = "".join(c if c.isprintable() else " " for c in text[-LONGEST_TEXT:])
    for kept in range(min(len(text), LONGEST_TEXT) - 1, 1, -1):
        short = clean[: (kept + 1) // 2] + "…" + tail[len(tail) - kept // 2 :]
        if font(size_px).getlength(short) <= width_px:
            return short
    return ""


class Sheet:
    """A picture in the making. Pixels count from the upper left corner."""

    def __init__(self, width: int, height: int) -> None:
        from PIL import Image as Pillow
        from PIL import ImageDraw

        self.height = height
        self.image: Pillow.Image = Pillow.new("RGB", (width, height), PAPER)
        self._draw = ImageDraw.Draw(self.image)
        self._tags: list[tuple[float, float, float, float]] = []

    def paste(self, pixels: Image, left: int, top: int) -> None:
        from PIL import Image as Pillow

        self.image.paste(Pillow.fromarray(pixels), (left, top))

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size_px: int = TEXT_PX,
        anchor: str = "ls",
        quiet: bool = False,
    ) -> None:
        self._draw.text((x, y), text, fill=QUIET if quiet else INK, font=font(size_px), anchor=anchor)

    def tags(self, tagged: Sequence[tuple[float, float, str, tuple[float, float]]], floor: float) -> None:
        """A small ring around each (x, y), and its label beside it, above the row `floor`, where neither a
        ring nor another label is; if there is room, between the columns of its own panel, which come last.
        """
        self._tags = [(0, floor, self.image.width, self.height)]
        for x, y, _, _ in tagged:
            self._draw.ellipse((x - 5, y - 5, x + 5, y + 5), outline=INK, width=2)
            self._tags.append((x - 5, y - 5, x + 5, y + 5))
        for x, y, text, own in tagged:
            self._label(x, y, text, own)

    def _label(self, x: float, y: float, text: str, own: tuple[float, float]) -> None:
        wide, high = font(SMALL_PX).getlength(text) + 8, SMALL_PX + 6
        boxes = []
        for step in range(TAG_PLACES):
            down = y - high / 2 + (step + 1) // 2 * (high + 1) * (-1 if step % 2 else 1)
            boxes += [(x + 12, down), (x - 12 - wide, down)]
        boxes.sort(key=lambda box: box[0] < own[0] or box[0] + wide > own[1])
        free = (box for box in boxes if not self._taken(*box, wide, high))
        left, top = next(free, boxes[0])
        self._tags.append((left, top, left + wide, top + high))
        near = left if left > x else left + wide
        self._draw.line((x + (5 if left > x else -5), y, near, top + high / 2), fill=INK)
        self._draw.rectangle((left, top, left + wide, top + high), fill=PAPER, outline=QUIET)
        self.text(left + wide / 2, top + high / 2, text, size_px=SMALL_PX, anchor="mm")

    def _taken(self, left: float, top: float, wide: float, high: float) -> bool:
        if left < 0 or top < 0 or left + wide > self.image.width:
            return True
        return any(
            left < right and left + wide > start and top < low and top + high > up
            for start, up, right, low in self._tags
        )

    def scale_bar(self, x: int, y: int, mm_per_px: float, longest_px: int) -> None:
        """A bar of a round length with its label, its lower left corner at (x, y)."""
        length_mm = round_length(longest_px * mm_per_px)
        length_px = round(length_mm / mm_per_px)
        self._draw.rectangle((x, y - 3, x + length_px - 1, y - 1), fill=INK)
        for end in (x, x + length_px - 2):
            self._draw.rectangle((end, y - 9, end + 1, y - 1), fill=INK)
        self.text(x + length_px + 8, y, f"{length_mm:g} mm", size_px=SMALL_PX)

    def ramp(self, x: int, y: int, colours: Image, labels: tuple[str, ...], height_px: int = 14) -> None:
        """A strip of colours (n,3), one pixel each, with labels spread evenly under it."""
        self.paste(np.repeat(colours[None], height_px, axis=0), x, y)
        for i, label in enumerate(labels):
            at = x + (len(colours) - 1) * i / (len(labels) - 1)
            self._draw.rectangle((at, y + height_px, at, y + height_px + 3), fill=INK)
            self.text(at, y + height_px + 6, label, size_px=SMALL_PX, anchor="mt")

    def swatch(self, x: int, y: int, colour: tuple[int, int, int], label: str, height_px: int = 14) -> None:
        self._draw.rectangle((x, y, x + height_px * 2 - 1, y + height_px - 1), fill=colour)
        self.text(x + height_px * 2 + 8, y + height_px / 2, label, size_px=SMALL_PX, anchor="lm")

    def png(self, caption: str = "") -> bytes:
        """The file, with its caption. No date and no program name, so that equal pictures are equal bytes.

        Every row is told by what differs from the row above (W3C, PNG, 9.2, filter type 2): as small as with
        a filter chosen for each row, which takes half as long again. Level 3 takes a third of the time of the
        usual 6 for much the same size: shading hardly repeats itself.
        """
        pixels = np.asarray(self.image).reshape(self.image.height, -1)
        rows = np.empty((len(pixels), pixels.shape[1] + 1), np.uint8)
        rows[:, 0] = FROM_ROW_ABOVE
        rows[0, 1:] = pixels[0]
        np.subtract(pixels[1:], pixels[:-1], out=rows[1:, 1:])
        head = struct.pack(">2I5B", *self.image.size, 8, 2, 0, 0, 0)  # bits a channel, RGB, no interlacing
        return b"".join(
            (
                SIGNATURE,
                _chunk(b"IHDR", head),
                _caption_chunk(caption) if caption else b"",
                _chunk(b"IDAT", zlib.compress(rows.tobytes(), 3)),
                _chunk(b"IEND", b""),
            )
        )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))


def _caption_chunk(caption: str) -> bytes:
    """Keyword, not compressed, no language, no keyword in that language (W3C, PNG, 11.3.3.4)."""
    return _chunk(b"iTXt", CAPTION.encode() + b"\0\0\0\0\0" + caption.encode())


def caption_in(png: bytes) -> str:
    """The caption that a picture carries, whichever program wrote it; "" if there is none."""
    from PIL import Image as Pillow

    try:
        with Pillow.open(io.BytesIO(png), formats=("PNG",)) as picture:
            said = picture.info.get(CAPTION, "")
    except (OSError, ValueError, SyntaxError, Pillow.DecompressionBombError):
        return ""
    return " ".join(str(said).split())[:LONGEST_CAPTION]


def captioned(png: bytes, caption: str) -> bytes:
    """The same picture, whichever program wrote it, with this caption in place of any that it carries.

    Its pixels are not touched. Raises ValueError for what is no whole PNG.
    """
    kept, at = [], len(SIGNATURE)
    while png.startswith(SIGNATURE) and at + 12 <= len(png):
        end = at + 12 + int.from_bytes(png[at : at + 4], "big")
        kind, data = png[at + 4 : at + 8], png[at + 8 : end - 4]
        if end > len(png):
            break
        if kind not in SAYING or not data.startswith(CAPTION.encode() + b"\0"):
            kept.append(png[at:end])
        at = end
    if not kept or kept[0][4:8] != b"IHDR" or kept[-1][4:8] != b"IEND":
        raise ValueError("a caption can only be put into a whole PNG")
    return SIGNATURE + kept[0] + _caption_chunk(caption) + b"".join(kept[1:])
