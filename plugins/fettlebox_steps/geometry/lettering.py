"""Text as flat shapes: shaped by HarfBuzz, outlines from the font, curves flattened within a tolerance.

Shapes are shapely polygons in mm, x to the right and y up, as a reader sees them.
"""

from __future__ import annotations

import math
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .text_direction import runs

Floats = NDArray[np.float64]

SHIPPED = {
    "light": "Light",
    "regular": "Regular",
    "semibold": "Semibold",
    "bold": "Bold",
    "black": "Black",
    "italic": "It",
    "bold italic": "BoldIt",
}
"""Weights of the font that comes along, under the SIL Open Font License."""

PACKAGE = "font_source_sans_pro"

CURVE_MM = 0.001
"""How far a flattened curve is from the font's: a fiftieth of the finest pixel of a resin printer."""

NEAR_MM = 0.0005
"""Points of an outline closer together than this become one."""

LEADING = 1.75
"""From one line to the next, in heights of a capital: a capital is about 0.7 of a font's nominal size, and
lines are set 1.2 of that apart (common practice, no published source)."""


def font_file(name: str) -> Path:
    """The file of a shipped font, or of one given by its full path. Raises ValueError with a sentence."""
    if name in SHIPPED:
        spec = find_spec(PACKAGE)
        if spec is None or spec.origin is None:
            raise ValueError("the fonts that come with Fettlebox are missing; install it again")
        return Path(spec.origin).parent / "files" / f"SourceSansPro-{SHIPPED[name]}.otf"
    path = Path(name)
    known = ", ".join(SHIPPED)
    if path.suffix.lower() not in (".ttf", ".otf"):
        raise ValueError(
            f"no font is called {name!r}; expected {known}, or the full path of a .ttf or .otf file"
        )
    if not path.is_absolute():
        raise ValueError(
            f"{name!r} is not a full path; expected one from the root on, such as /fonts/shop.ttf"
        )
    if not path.is_file():
        raise ValueError(f"there is no font file {name}; expected {known}, or the full path of a file")
    try:
        font = _font(path)
        if not font.face.glyph_count or not font.face.unicodes:
            raise ValueError("no characters")
    except Exception as error:
        raise ValueError(f"{name} cannot be read as a font; expected a .ttf or .otf file") from error
    return path


def missing(text: str, path: Path) -> list[str]:
    """The characters of a text that a font has no glyph for, in their order."""
    lacking: set[str] = set()
    for line in text.split("\n"):
        for run, leftward in runs(line):
            infos, _ = _shaped(path, run, leftward)
            lacking |= {run[info.cluster] for info in infos if info.codepoint == 0}
    return [character for character in dict.fromkeys(text) if character in lacking]


def lettered(text: str, path: Path, capital_mm: float, within_mm: float = CURVE_MM) -> Any:
    """The shape of a text whose capitals are `capital_mm` high, the middle of its box at the origin.

    Lines are centred on one another. Raises ValueError if there is nothing to see in it.
    """
    import shapely
    from shapely import affinity

    scale = capital_mm / _capital_units(path)
    placed = []
    for number, line in enumerate(text.split("\n")):
        glyphs, width = _line(path, line, within_mm / scale)
        down = number * LEADING * capital_mm
        placed += [
            affinity.affine_transform(shape, [scale, 0, 0, scale, (x - width / 2) * scale, y * scale - down])
            for shape, x, y in glyphs
        ]
    whole = clean(shapely.union_all(placed))
    if whole.is_empty:
        raise ValueError("there is nothing to see in the text")
    left, low, right, high = whole.bounds
    return affinity.translate(whole, -(left + right) / 2.0, -(low + high) / 2.0)


def clean(shape: Any) -> Any:
    """A shape whose outlines neither touch one another nor have points that fall together."""
    import shapely

    shape = shapely.remove_repeated_points(shape, NEAR_MM)
    points = shapely.get_coordinates(shapely.get_parts(shape))
    rings = shapely.get_num_interior_rings(shapely.get_parts(shape)).sum() + len(shapely.get_parts(shape))
    if len(np.unique(np.round(points / NEAR_MM), axis=0)) < len(points) - rings:
        # Outlines that touch in a point are drawn together there, as ink would run.
        shape = shape.buffer(2 * NEAR_MM, quad_segs=2).buffer(-NEAR_MM, quad_segs=2)
        shape = shapely.remove_repeated_points(shape, NEAR_MM)
    return shapely.orient_polygons(shape)


@cache
def _font(path: Path) -> Any:
    import uharfbuzz

    return uharfbuzz.Font(uharfbuzz.Face(uharfbuzz.Blob.from_file_path(str(path))))


def _shaped(path: Path, run: str, leftward: bool) -> tuple[Any, Any]:
    import uharfbuzz

    buffer = uharfbuzz.Buffer()
    buffer.add_str(run)
    buffer.language = "und"  # else it would be the machine's
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if leftward else "ltr"
    uharfbuzz.shape(_font(path), buffer)
    return buffer.glyph_infos, buffer.glyph_positions


def _line(path: Path, line: str, within: float) -> tuple[list[tuple[Any, float, float]], float]:
    """Shapes of a line's glyphs with where they go, and how wide the line is; all in font units."""
    placed = []
    x = 0.0
    for run, leftward in runs(line):
        infos, positions = _shaped(path, run, leftward)
        for info, position in zip(infos, positions, strict=True):
            shape = _glyph(path, info.codepoint, within)
            if not shape.is_empty:
                placed.append((shape, x + position.x_offset, float(position.y_offset)))
            x += position.x_advance
    return placed, x


def _capital_units(path: Path) -> float:
    """Height of a capital: that of the font's H, else what the font says, else 0.7 of its nominal size."""
    import uharfbuzz

    font = _font(path)
    glyph = font.get_nominal_glyph(ord("H"))
    if glyph:
        return float(_glyph(path, glyph, 1.0).bounds[3])
    stated = font.get_metric_position(uharfbuzz.OTMetricsTag.CAP_HEIGHT)
    return float(stated or 0.7 * font.face.upem)


@cache
def _glyph(path: Path, glyph: int, within: float) -> Any:
    pen = _Outlines(within)
    _font(path).draw_glyph_with_pen(glyph, pen)
    return filled(pen.closed)


class _Outlines:
    """A pen that keeps closed outlines (k,2), curves as chords that are nowhere further off than `within`.

    Enough chords by G. Wang's bound (1984): √(d(d-1)/8 · longest second difference / within).
    """

    def __init__(self, within: float) -> None:
        self.closed: list[Floats] = []
        self._within = within
        self._points: list[Floats] = []

    def moveTo(self, point: tuple[float, float]) -> None:  # noqa: N802 (the protocol's name, as are the others)
        self._points = [np.array(point, float)]

    def lineTo(self, point: tuple[float, float]) -> None:  # noqa: N802
        self._points.append(np.array(point, float))

    def qCurveTo(self, control: tuple[float, float], end: tuple[float, float]) -> None:  # noqa: N802
        a, b, c = self._points[-1], np.array(control, float), np.array(end, float)
        t = self._steps(0.25 * float(np.linalg.norm(a - 2 * b + c)))
        self._points += list((1 - t) ** 2 * a + 2 * t * (1 - t) * b + t**2 * c)

    def curveTo(  # noqa: N802
        self, first: tuple[float, float], second: tuple[float, float], end: tuple[float, float]
    ) -> None:
        a, b, c, d = self._points[-1], *(np.array(p, float) for p in (first, second, end))
        bend = max(float(np.linalg.norm(a - 2 * b + c)), float(np.linalg.norm(b - 2 * c + d)))
        t = self._steps(0.75 * bend)
        self._points += list((1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t**2 * (1 - t) * c + t**3 * d)

    def closePath(self) -> None:  # noqa: N802
        if len(self._points) > 2:
            self.closed.append(np.array(self._points))
        self._points = []

    def _steps(self, sag: float) -> Floats:
        count = max(1, math.ceil(math.sqrt(sag / self._within)))
        return (np.arange(1, count + 1) / count)[:, None]


def filled(outlines: list[Floats]) -> Any:
    """What closed outlines (k,2) enclose by the rule of fonts: where they wind around a place at all."""
    import shapely

    rings = [np.r_[one, one[:1]] if (one[0] != one[-1]).any() else one for one in outlines]
    if not rings:
        return shapely.MultiPolygon()
    lines = shapely.union_all([shapely.LineString(one) for one in rings])
    faces = shapely.get_parts(shapely.polygonize([lines]))
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    winding = sum(_winding(one, inner) for one in rings)
    return shapely.union_all(faces[winding != 0])


def _winding(ring: Floats, points: Floats) -> NDArray[np.int64]:
    """How often a closed ring (k,2) goes round each of the points (p,2), counter-clockwise positive."""
    a, b = ring[:-1, None], ring[1:, None]
    left = (b[..., 0] - a[..., 0]) * (points[:, 1] - a[..., 1]) - (points[:, 0] - a[..., 0]) * (
        b[..., 1] - a[..., 1]
    )
    up = (a[..., 1] <= points[:, 1]) & (b[..., 1] > points[:, 1]) & (left > 0)
    down = (a[..., 1] > points[:, 1]) & (b[..., 1] <= points[:, 1]) & (left < 0)
    return np.asarray(up.sum(axis=0) - down.sum(axis=0), np.int64)
