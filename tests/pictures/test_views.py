"""Pictures measured with a ruler: areas, lengths, left and right, and the same bytes every time."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.pictures import (
    FROM_ABOVE,
    FRONT_VIEW,
    SIDE_VIEW,
    THREE_QUARTER,
    THREE_VIEWS,
    Stage,
    View,
    caption_in,
    captioned,
    render_map,
    render_pair,
    render_views,
)
from fettlebox.pictures.shade import INSIDE, PAPER
from fettlebox.pictures.sheet import INK, fit_text, font, round_length
from fettlebox.pictures.views import NOT_COMPARED, RAMP
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.int64]
RED, WHITE = (220, 20, 20, 255), (200, 200, 200, 255)


def _sphere(radius_mm: float = 20.0, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(subdivisions=4, radius=radius_mm)
    mesh.apply_translation(at)
    return mesh


def _part(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))


def _pixels(png: bytes) -> Pixels:
    image = Image.open(io.BytesIO(png))
    image.verify()
    image = Image.open(io.BytesIO(png))
    assert image.format == "PNG" and image.mode == "RGB"
    return np.asarray(image).astype(np.int64)


def _drawn(pixels: Pixels) -> NDArray[np.bool_]:
    """Pixels that belong more to the part than to the paper, above the captions."""
    high = pixels.shape[0] - 78
    return np.abs(pixels[:high] - PAPER).max(axis=2) > 30


def _bars(pixels: Pixels) -> list[tuple[int, int]]:
    """First pixel and length of every scale bar, from the runs of ink near the lower edge."""
    row = (pixels[-28 + 6 - 2] == INK).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return [(int(a), int(b - a)) for a, b in edges.reshape(-1, 2) if b - a > 30]


def test_a_sphere_covers_its_disc_and_the_bar_tells_its_size() -> None:
    # Elementary geometry: the parallel projection of a sphere is a disc of its radius.
    pixels = _pixels(render_views(_part(_sphere()), (FRONT_VIEW,), size=(700, 700)))
    drawn = _drawn(pixels)
    ((_, bar_px),) = _bars(pixels)
    # 2r = 40 mm take nearly 600 px, and the bar may take a fifth of 700: the round length is 5 mm.
    mm_per_px = 5.0 / bar_px
    assert np.ptp(np.flatnonzero(drawn.any(axis=0))) + 1 == pytest.approx(40.0 / mm_per_px, rel=0.01)
    assert drawn.sum() * mm_per_px**2 == pytest.approx(np.pi * 20.0**2, rel=0.01)


@pytest.mark.parametrize("radius_mm", [0.3, 7.0, 20.0, 140.0, 2500.0])
def test_the_bar_has_a_round_length_at_every_size(radius_mm: float) -> None:
    pixels = _pixels(render_views(_part(_sphere(radius_mm))))
    width_px = np.ptp(np.flatnonzero(_drawn(pixels)[:, :400].any(axis=0))) + 1
    ((_, bar_px),) = _bars(pixels)
    length_mm = bar_px * 2 * radius_mm / width_px
    nearest = min((round_length(length_mm * f) for f in (0.98, 1.02)), key=lambda r: abs(r - length_mm))
    assert length_mm == pytest.approx(nearest, rel=0.02)
    assert 0.06 * 1200 <= bar_px <= 0.2 * 1200 + 1


@pytest.mark.parametrize(
    ("most", "length"),
    [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (4.9, 2.0), (5.0, 5.0), (99.0, 50.0), (0.07, 0.05)],
)
def test_round_lengths(most: float, length: float) -> None:
    assert round_length(most) == pytest.approx(length)


@pytest.mark.parametrize(
    ("view", "at", "right", "up"),
    [
        # Seen from the front (−Y, Z up), +X is to the right; from the side (+X), +Y is.
        (FRONT_VIEW, (22.0, 0.0, 10.0), 1, 1),
        (FRONT_VIEW, (-22.0, 0.0, -10.0), -1, -1),
        (SIDE_VIEW, (0.0, 22.0, 10.0), 1, 1),
        (SIDE_VIEW, (0.0, -22.0, 10.0), -1, 1),
        (THREE_QUARTER, (22.0, 0.0, 0.0), 1, -1),
        # A map seen from above has its north, +Y, at the top.
        (FROM_ABOVE, (22.0, 22.0, 0.0), 1, 1),
        (FROM_ABOVE, (-22.0, -22.0, 0.0), -1, -1),
    ],
)
def test_left_and_right_and_up_are_not_mirrored(
    view: object, at: tuple[float, float, float], right: int, up: int
) -> None:
    mesh = trimesh.util.concatenate([_sphere(), _sphere(5.0, at)])
    colours = np.array([WHITE] * (len(mesh.vertices) // 2) + [RED] * (len(mesh.vertices) // 2), np.uint8)
    part = Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32), colours=colours)
    pixels = _pixels(render_views(part, (view,), size=(500, 500)))  # type: ignore[arg-type]
    red = pixels[..., 0] > pixels[..., 1] + 60
    grey = _drawn(pixels) & ~red[:-78]
    assert red.sum() > 200
    shift = np.argwhere(red).mean(axis=0) - np.argwhere(grey).mean(axis=0)
    assert np.sign(shift[1]) == right
    assert np.sign(-shift[0]) == up


def _relief() -> Part:
    """A plate of 60 × 80 × 10 mm with a red disc of 20 mm radius let into its upper face."""
    plate = trimesh.creation.box(extents=(60.0, 80.0, 10.0))
    disc = trimesh.creation.cylinder(radius=20.0, height=0.02, sections=180)
    disc.apply_translation((0.0, 0.0, 5.0))
    both = trimesh.util.concatenate([plate, disc])
    colours = np.array([WHITE] * len(plate.vertices) + [RED] * len(disc.vertices), np.uint8)
    return Part(np.asarray(both.vertices), np.asarray(both.faces, np.int32), colours=colours)


@pytest.mark.parametrize("draw", ["views", "pair"])
def test_a_part_that_lies_flat_is_shown_from_its_face(draw: str) -> None:
    # Elementary geometry: seen along its axis, a disc has the area pi r^2 of the face of 60 x 80 mm.
    relief = _relief()
    pixels = _pixels(render_views(relief) if draw == "views" else render_pair(relief, relief))
    drawn = _drawn(pixels)
    columns = drawn.any(axis=0)
    first = int(np.argmax(columns))
    columns = slice(first, first + int(np.argmin(columns[first:])))
    red = (pixels[..., 0].astype(int) > pixels[..., 1].astype(int) + 60)[: len(drawn), columns]
    share = red.sum() / drawn[:, columns].sum()
    assert share == pytest.approx(np.pi * 20.0**2 / (60.0 * 80.0), rel=0.03)


def test_a_part_that_stands_is_shown_from_its_front() -> None:
    # A ball neither lies nor stands; a bust is higher than it is deep (both as before).
    for mesh in (_sphere(), trimesh.creation.box(extents=(30.0, 20.0, 24.0))):
        part = _part(mesh)
        assert render_views(part) == render_views(part, THREE_VIEWS)
        assert render_pair(part, part) == render_pair(part, part, view=THREE_QUARTER)


def test_a_quarter_turn_about_z_shows_the_side_as_the_front() -> None:
    box = _part(trimesh.creation.box(extents=(10.0, 30.0, 20.0)))
    views = {v.name: Stage(box).extent(v.axes()) for v in (FRONT_VIEW, SIDE_VIEW)}
    assert np.ptp(views["front"], axis=0) == pytest.approx([10.0, 20.0])
    assert np.ptp(views["side"], axis=0) == pytest.approx([30.0, 20.0])
    turned = Stage(box).extent(FRONT_VIEW.axes(front=(1.0, 0.0, 0.0)))
    assert np.ptp(turned, axis=0) == pytest.approx([30.0, 20.0])


@pytest.mark.parametrize("view", [FRONT_VIEW, THREE_QUARTER, SIDE_VIEW])
def test_view_axes_are_right_handed(view: object) -> None:
    axes = view.axes((0.6, -0.8, 0.0))  # type: ignore[attr-defined]
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)


def _rust(pixels: Pixels) -> int:
    hue = np.array(INSIDE) / INSIDE[0]
    return int(((pixels[..., 0] > 60) & (pixels[..., 2] < pixels[..., 0] * (hue[2] + 0.45))).sum())


def test_the_inside_of_an_open_scan_is_told_from_its_outside() -> None:
    closed = _sphere()
    bowl = closed.submesh([closed.triangles_center[:, 1] > 0.0], append=True)
    assert _rust(_pixels(render_views(_part(closed)))) == 0
    assert _rust(_pixels(render_views(_part(bowl), (FRONT_VIEW,)))) > 10_000
    assert _rust(_pixels(render_views(_part(bowl), (FRONT_VIEW,), front=(0.0, 1.0, 0.0)))) == 0


def test_colours_of_the_scan_are_shown() -> None:
    mesh = _sphere()
    blue = np.tile(np.array([30, 60, 200, 255], np.uint8), (len(mesh.vertices), 1))
    part = Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32), colours=blue)
    pixels = _pixels(render_views(part, (FRONT_VIEW,), size=(300, 300)))
    middle = pixels[110:130, 140:160].reshape(-1, 3).mean(axis=0)
    assert middle[2] > 2 * middle[0] and middle[2] > 2 * middle[1]


def _everything() -> bytes:
    rng = np.random.default_rng(1)
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    part = _part(mesh)
    rough = part.with_mesh(part.vertices * (1 + 0.02 * rng.normal(size=(len(part.vertices), 1))), part.faces)
    values = np.linalg.norm(rough.vertices, axis=1)
    return b"".join(
        (
            render_views(rough, title="rough"),
            render_pair(part, rough),
            render_map(rough, values, "radius, mm"),
        )
    )


def test_the_same_bytes_in_another_process_on_one_processor() -> None:
    here = hashlib.sha256(_everything()).hexdigest()
    assert hashlib.sha256(_everything()).hexdigest() == here
    code = (
        "import importlib.util, hashlib, os;"
        "hasattr(os, 'sched_setaffinity') and os.sched_setaffinity(0, {min(os.sched_getaffinity(0))});"
        f"spec = importlib.util.spec_from_file_location('views', {__file__!r});"
        "module = importlib.util.module_from_spec(spec); spec.loader.exec_module(module);"
        "print(hashlib.sha256(module._everything()).hexdigest())"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        encoding="utf-8",
        check=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    assert ran.stdout.strip() == here


def test_a_picture_carries_its_caption_and_nothing_else() -> None:
    part, words = _part(_sphere()), "Über die Kugel: 5 mm²"
    plain, said = render_views(part), render_views(part, title=words)
    for png, info in ((plain, {}), (said, {"Description": words})):
        image = Image.open(io.BytesIO(png))
        image.load()
        assert image.info == info
    assert (caption_in(plain), caption_in(said)) == ("", words)


@pytest.mark.parametrize("png", [b"", b"x", b"\x89PNG\r\n\x1a\n", b"\x89PNG\r\n\x1a\n" + bytes(200)])
def test_what_is_no_picture_has_no_caption(png: bytes) -> None:
    assert caption_in(png) == ""


def test_a_quarter_size_order_is_drawn_as_large_as_its_scan_and_measured_by_its_own_bar() -> None:
    scan = _part(_sphere(70.0))
    order = scan.moved(trimesh.transformations.rotation_matrix(1.0, [0, 1, 0])).scaled(0.25)
    pixels = _pixels(render_pair(scan, order))
    drawn = _drawn(pixels)
    left, right = drawn[:, :600].sum(), drawn[:, 600:].sum()
    assert left == pytest.approx(right, rel=0.01)
    bars = _bars(pixels)
    assert len(bars) == 2
    across_px = 2 * np.sqrt(left / np.pi)
    lengths = [bar / across_px * size for (_, bar), size in zip(bars, (140.0, 35.0), strict=True)]
    for length in lengths:
        assert any(length == pytest.approx(m * 10.0**e, rel=0.02) for m in (1, 2, 5) for e in (0, 1, 2))


def _lightness(colour: tuple[int, int, int]) -> float:
    """Relative luminance, W3C WCAG 2.2."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_ramp_is_ordered_by_lightness_alone() -> None:
    steps = [_lightness(colour) for colour in RAMP]
    assert all(a > b * 1.5 for a, b in pairwise(steps))
    assert max(NOT_COMPARED) - min(NOT_COMPARED) < 10


def test_a_map_puts_dark_where_numbers_are_high_and_grey_where_there_are_none() -> None:
    part = _part(_sphere())
    values = part.vertices[:, 2] + 20.0
    pixels = _pixels(render_map(part, values, "height, mm", views=(FRONT_VIEW,), size=(600, 600), high=40.0))
    rows = np.flatnonzero(_drawn(pixels).any(axis=1))
    column = pixels[rows[0] + 5 : rows[-1] - 5, 300].sum(axis=1)
    assert column[0] < column[-1] / 2
    # Smooth up to the shading: no step is larger than a fiftieth of the range.
    assert np.diff(column).min() > -np.ptp(column) / 50
    unknown = _pixels(render_map(part, np.full(len(values), np.nan), "nothing", views=(FRONT_VIEW,)))
    inside = unknown[_drawn(unknown).nonzero()]
    assert (inside.max(axis=1) - inside.min(axis=1)).max() <= 12


def test_a_tag_stands_beside_its_point_in_the_views_that_show_it() -> None:
    """Of a sphere seen from the front, -Y: one point 19 mm left of the middle, one hidden."""
    part = _part(_sphere())
    numbers = np.zeros(len(part.vertices))
    plain = _pixels(render_map(part, numbers, "mm", high=1.0, views=(FRONT_VIEW,)))

    def added(*tags: tuple[NDArray[np.float64], str]) -> tuple[Pixels, Pixels]:
        tagged = _pixels(render_map(part, numbers, "mm", high=1.0, views=(FRONT_VIEW,), tags=tags))
        return np.nonzero((tagged != plain).any(axis=2))

    front, left, back = (np.array(p) for p in ((0.0, -20.0, 0.0), (-19.0, -6.245, 0.0), (0.0, 20.0, 0.0)))
    assert not len(added((back, "back"))[0])
    _, middle = added((front, "a"))
    _, beside = added((left, "a"))
    ((_, bar_px),) = _bars(plain)
    apart_px = float(middle.min() - beside.min())
    mm = next(mm for mm in (5.0, 10.0, 20.0) if abs(apart_px * mm / bar_px - 19.0) < 4.0)
    assert apart_px * mm / bar_px == pytest.approx(19.0, abs=0.2)
    # Two names for one place stand side by side, and both can be read.
    one, two = added((front, "first")), added((front, "first"), (front, "second"))
    assert len(two[0]) > 1.5 * len(one[0])


def test_a_tag_at_the_edge_of_a_panel_is_whole() -> None:
    """A bar across the whole panel, named at its right end: the next panel leaves no room beside it."""
    bar = trimesh.creation.box(extents=(200.0, 100.0, 40.0)).subdivide()
    part = _part(bar)
    numbers = np.zeros(len(part.vertices))

    def written(at_mm: float) -> int:
        """Dark pixels that a name at a point of the front's middle line adds."""
        views = (FRONT_VIEW, View("again", 0.0), View("and again", 0.0))
        plain, tagged = (
            _pixels(render_map(part, numbers, "mm", high=1.0, views=views, tags=tags))
            for tags in ((), ((np.array([at_mm, -50.0, 0.0]), "patch number 4b"),))
        )
        return int(((tagged != plain).any(axis=2) & (tagged.max(axis=2) < 100)).sum())

    # Lettering is smoothed, so the same name has a few more dark pixels in one place than in another.
    assert written(99.0) == pytest.approx(written(0.0), rel=0.1)


def test_a_map_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        render_map(_part(_sphere()), [1.0, 2.0], "x")


@pytest.mark.parametrize("title", ["\x00\x1b[31m\n\u202e", "ü€ß — “x”", "long " * 200, "x" * 5000, ""])
def test_any_title_fits(title: str) -> None:
    assert _pixels(render_views(_part(_sphere()), title=title)).shape[1] == 1200
    fitted = fit_text(title, 19, 500.0)
    assert font(19).getlength(fitted) <= 500.0
    assert fitted.isprintable()


@pytest.mark.parametrize(
    "part",
    [
        Part(np.zeros((0, 3)), np.zeros((0, 3), int)),
        Part(np.zeros((3, 3)), np.array([[0, 1, 2]])),
        Part(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([[0, 1, 2]])),
        Part(np.array([[0.0, 0, 0], [1e9, 0, 0], [0, 0, 1e9]]), np.array([[0, 1, 2]])),
        Part(np.array([[1e12, 0, 0], [1e12 + 1, 0, 0], [1e12, 0, 1]]), np.array([[0, 1, 2]])),
    ],
    ids=["empty", "point", "line", "huge", "far away"],
)
def test_degenerate_parts_have_a_picture_too(part: Part) -> None:
    assert _pixels(render_views(part)).shape[1] == 1200


def test_inputs_are_untouched() -> None:
    part = _part(_sphere())
    digest = part.digest()
    render_views(part)
    render_pair(part, part)
    assert part.digest() == digest


@pytest.mark.parametrize("old", ["", "Where it was cut"])
def test_a_picture_takes_a_caption_of_ones_own(old: str) -> None:
    # Read back with Pillow, and pngcheck's rules: chunks that are whole, each with its CRC (W3C, PNG, 5.3).
    png = render_views(_part(_sphere()), (FRONT_VIEW,), size=(200, 200), title=old)
    said = captioned(captioned(png, "first"), "Überhänge, ≥ 45°")
    with Image.open(io.BytesIO(said)) as picture:
        picture.verify()
    with Image.open(io.BytesIO(said)) as picture:
        assert picture.info == {"Description": "Überhänge, ≥ 45°"}
        assert np.array_equal(np.asarray(picture), _pixels(png))
    assert caption_in(said) == "Überhänge, ≥ 45°"
    assert captioned(said, old) == captioned(png, old)


@pytest.mark.parametrize("wrong", [b"", b"JFIF", "part", "tail"])
def test_a_caption_goes_into_a_whole_png_only(wrong: bytes | str) -> None:
    png = render_views(_part(_sphere()), (FRONT_VIEW,), size=(200, 200))
    broken = wrong if isinstance(wrong, bytes) else png[:60] if wrong == "part" else png[:-5]
    with pytest.raises(ValueError, match="whole PNG"):
        captioned(broken, "x")
