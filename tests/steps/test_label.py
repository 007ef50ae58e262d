"""label: exactly the volume of the text, the right way round on every face, and codes that a reader reads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
import zxingcpp
from fettlebox.api import HoldError, Origin, Part, Plane, Printer, StepContext, StepError, StepResult
from fettlebox.mesh import soundness
from fettlebox.mesh.fidelity import compare
from fettlebox_steps.geometry.lettering import font_file
from fettlebox_steps.label import Params, label
from fettlebox_steps.plinth import Params as PlinthParams
from fettlebox_steps.plinth import plinth
from fontTools.pens.areaPen import AreaPen
from fontTools.pens.boundsPen import BoundsPen
from fontTools.ttLib import TTFont
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from pydantic import ValidationError

Picture = NDArray[np.float64]

FILAMENT = Printer("everyday", (220.0, 220.0, 250.0))
RESIN = Printer("fine", (120.0, 80.0, 160.0), kind="resin", pixel_mm=0.05, layer_mm=0.05)


def _part(mesh: trimesh.Trimesh, **more: Any) -> Part:
    return Part(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32), **more)


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _run(part: Part, printer: Printer = FILAMENT, reference: Part | None = None, **params: Any) -> StepResult:
    before = part.digest()
    origin = Origin("toy", "stl", "0" * 64)
    context = StepContext(origin, reference or part, np.random.default_rng(0), Path(), printer)
    result = label(part, Params.model_validate(params), context)
    assert part.digest() == before
    assert soundness.inspect(result.part).reasons == ()
    return result


BOX = trimesh.creation.box((60.0, 40.0, 24.0))
BOX.apply_translation((0, 0, 12))
BED = Plane("cut", (0.0, 0.0, 0.0), (0.0, 0.0, -1.0), bed=True)
BLOCK = _part(BOX, planes=(BED,))
BALL = trimesh.creation.icosphere(5, radius=20.0)


@pytest.fixture(scope="module")
def on_round_plinth() -> Part:
    context = StepContext(Origin("toy", "stl", "0" * 64), _part(BALL), np.random.default_rng(0), Path())
    return plinth(_part(BALL), PlinthParams(height="14 mm", margin="12 mm"), context).part  # type: ignore[arg-type]


def _text_mm2(text: str, capital_mm: float, font: str = "bold") -> float:
    """Area of a text by fontTools' own pen, which integrates the curves themselves."""
    file = TTFont(font_file(font))
    glyphs, names = file.getGlyphSet(), file.getBestCmap()
    total = 0.0
    for character in text:
        pen = AreaPen(glyphs)
        glyphs[names[ord(character)]].draw(pen)
        total += abs(pen.value)
    capital = BoundsPen(glyphs)
    glyphs[names[ord("H")]].draw(capital)
    return total * (capital_mm / capital.bounds[3]) ** 2


# -- what a reader sees ----------------------------------------------------------------------------------

TURNS = {
    # the part is taken in the hand so that the face looks at the reader, who looks along +Y, Z up
    "front": np.eye(3),
    "right": np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1.0]]),
    "left": np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]]),
    "back": np.array([[-1, 0, 0], [0, -1, 0], [0, 0, 1.0]]),
    "top": np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0.0]]),  # tipped towards the reader
    "below": np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0.0]]),  # tipped away from the reader
}


def _seen(part: Part, side: str, per_mm: int = 12, like: Part | None = None) -> Picture:
    """How near (h,w) the part comes to a reader, mm, cast by trimesh; -100 beside it. The picture holds all
    of `like`, or of the part.
    """
    mesh = _mesh(part)
    mesh.vertices = mesh.vertices @ TURNS[side].T
    corners = (like or part).vertices @ TURNS[side].T
    low, high = corners.min(axis=0), corners.max(axis=0)
    across = np.arange(low[0] + 0.003, high[0], 1 / per_mm)
    up = np.arange(high[2] - 0.003, low[2], -1 / per_mm)
    x, z = np.meshgrid(across, up)
    start = np.stack([x, np.full_like(x, -100.0), z], axis=-1).reshape(-1, 3)
    hit = mesh.ray.intersects_first(start, np.tile([0.0, 1.0, 0.0], (len(start), 1)))
    normal = mesh.face_normals[hit]
    away = np.einsum("ij,ij->i", normal, mesh.triangles[hit][:, 0] - start)
    away /= np.where(np.abs(normal[:, 1]) < 1e-9, 1.0, normal[:, 1])
    return np.asarray(np.where(hit >= 0, 100.0 - away, -100.0).reshape(x.shape))


def _ink(before: Part, after: Part, side: str, radius_mm: float = 0.0) -> Picture:
    """Where the picture of a side changed, cut to what changed; unrolled from a cylinder in its middle."""
    changed = np.abs(_seen(after, side, like=before) - _seen(before, side)) > 0.2
    if radius_mm:
        count = changed.shape[1]
        along = (np.arange(count) + 0.5 - count / 2) / 12
        across = radius_mm * np.sin(np.clip(along / radius_mm, -np.pi / 2, np.pi / 2))
        changed = changed[:, np.clip((across * 12 + count / 2).astype(int), 0, count - 1)]
    rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
    return changed[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].astype(float)


def _printed(text: str, shape: tuple[int, ...], font: str = "bold") -> Picture:
    """The same text set by Pillow, stretched to the same box."""
    face = ImageFont.truetype(str(font_file(font)), 200)
    left, top, right, bottom = ImageDraw.Draw(Image.new("L", (1, 1))).multiline_textbbox((0, 0), text, face)
    paper = Image.new("L", (int(right - left), int(bottom - top)))
    ImageDraw.Draw(paper).multiline_text((-left, -top), text, 255, face)
    return np.asarray(paper.crop(paper.getbbox()).resize(shape[::-1]), float) / 255.0


def _assert_reads(ink: Picture, text: str) -> None:
    """Alike the printed text, and far less alike in a mirror, upside down, or both."""
    paper = _printed(text, ink.shape)

    def alike(one: Picture) -> float:
        return float(np.corrcoef(one.ravel(), paper.ravel())[0, 1])

    assert alike(ink) > 0.85
    assert max(alike(ink[:, ::-1]), alike(ink[::-1]), alike(ink[::-1, ::-1])) < 0.5


@pytest.mark.parametrize("style", ["emboss", "engrave"])
@pytest.mark.parametrize(("place", "side"), [("underside", "below"), ("front", "front"), ("flat", "top")])
def test_letters_have_the_volume_of_the_text_and_read_the_right_way_round(
    place: str, side: str, style: str
) -> None:
    result = _run(BLOCK, text="Reg&8", place=place, style=style, height="7 mm", depth="0.8 mm")
    change = _mesh(result.part).volume - BOX.volume
    sign = 1.0 if style == "emboss" else -1.0
    assert sign * change == pytest.approx(_text_mm2("Reg&8", 7.0) * 0.8, rel=1e-3)
    assert change == pytest.approx(result.facts["volume_change_mm3"], rel=1e-9)
    assert result.facts["capital_height_mm"] == 7.0
    _assert_reads(_ink(BLOCK, result.part, side), "Reg&8")
    outside = np.abs(_mesh(result.part).bounds - BOX.bounds).max()
    assert outside == pytest.approx(0.8 if style == "emboss" else 0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("side", "facing"),
    [("right", (1, 0, 0)), ("left", (-1, 0, 0)), ("back", (0, 1, 0)), ("front", (0, -1, 0))],
)
def test_letters_read_the_right_way_round_on_every_wall(side: str, facing: tuple[float, ...]) -> None:
    # a slab that tapers away from the wall in question, which is thereby its largest face
    wide, narrow = (
        [[x, -3, z] for x in (-25, 25) for z in (0, 20)],
        [[x, 3, z] for x in (-20, 20) for z in (0, 18)],
    )
    slab = trimesh.convex.convex_hull(np.array(wide + narrow, float))
    slab.vertices = slab.vertices @ TURNS[side]
    part = _part(slab)
    result = _run(part, text="Reg&8", place="flat", height="7 mm")
    assert result.facts["facing"] == pytest.approx(facing, abs=1e-9)
    _assert_reads(_ink(part, result.part, side), "Reg&8")


@pytest.mark.parametrize("style", ["emboss", "engrave"])
def test_letters_go_round_the_front_of_a_round_plinth(on_round_plinth: Part, style: str) -> None:
    part = on_round_plinth
    result = _run(part, text="Reg&8", place="front", style=style, height="7 mm", depth="0.8 mm")
    change = _mesh(result.part).volume - _mesh(part).volume
    radius, sign = float(np.ptp(part.vertices[:, 0]) / 2), 1.0 if style == "emboss" else -1.0
    # on a cylinder a shape of area A and depth d holds A d (1 ± d / 2r)
    expected = _text_mm2("Reg&8", 7.0) * 0.8 * (1 + sign * 0.8 / (2 * radius))
    assert sign * change == pytest.approx(expected, rel=2e-3)
    _assert_reads(_ink(part, result.part, "front", radius), "Reg&8")
    top = np.linalg.norm(result.part.vertices[:, :2], axis=1).max()
    assert top == pytest.approx(radius + (0.8 if sign > 0 else 0.0), abs=0.01)
    # in the middle of the upright side: a millimetre of chamfer is above it
    assert result.facts["at_mm"][2] == pytest.approx(part.bounds[0, 2] + 6.5, abs=0.1)


@pytest.mark.parametrize(("toward", "side"), [("back", "back"), ("left", "left"), ("0 deg", "right")])
def test_letters_are_wrapped_round_the_side_that_is_asked_for(toward: str, side: str) -> None:
    part = _part(BALL)
    result = _run(part, text="Reg", place="wrapped", toward=toward, at="55 %", height="5 mm")
    _assert_reads(_ink(part, result.part, side), "Reg")
    assert result.facts["on"] == "a curved side"
    deepest = 20.0 - np.linalg.norm(result.part.vertices, axis=1).min()
    assert deepest == pytest.approx(0.6, abs=0.05)


def test_lines_stand_below_one_another_and_a_turn_turns_them() -> None:
    def assert_reads_both(ink: Picture) -> None:
        blank = np.flatnonzero(~ink.any(axis=1))
        for lines, text in ((ink[: blank[0]], "Reg&8"), (ink[blank[-1] + 1 :], "No 4")):
            columns = np.flatnonzero(lines.any(axis=0))
            _assert_reads(lines[:, columns[0] : columns[-1] + 1], text)
            # both lines are centred
            assert columns[[0, -1]].mean() == pytest.approx(ink.shape[1] / 2, abs=6)

    result = _run(BLOCK, text="Reg&8\nNo 4", height="5 mm", place="flat")
    assert_reads_both(_ink(BLOCK, result.part, "top"))
    turned = _run(BLOCK, text="Reg&8\nNo 4", height="5 mm", place="flat", turn="90 deg")
    assert_reads_both(np.rot90(_ink(BLOCK, turned.part, "top"), -1))


# -- codes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("style", ["emboss", "engrave"])
@pytest.mark.parametrize(
    ("place", "side", "text"),
    [
        ("underside", "below", "LY-1041"),
        ("flat", "top", "https://example.org/p/1041"),
        ("underside", "below", "Kö 7"),
    ],
)
def test_a_code_is_read_from_a_picture_of_the_face(place: str, side: str, text: str, style: str) -> None:
    result = _run(BLOCK, text=text, place=place, style=style, module="0.9 mm", **{"as": "qr"})
    near = _seen(result.part, side, 8)
    dark = near > np.median(near) + 0.2 if style == "emboss" else near < np.median(near) - 0.2
    picture = np.where(dark, 0, 255).astype(np.uint8)
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.text == text
    assert found.format == zxingcpp.BarcodeFormat.QRCode
    assert found.orientation == 0
    assert (
        zxingcpp.read_barcodes(picture[:, ::-1]) == []
        or zxingcpp.read_barcodes(picture[:, ::-1])[0].orientation
    )
    modules = result.facts["modules"]
    assert result.facts["module_mm"] == 0.9
    # the quiet zone: four modules on every side (ISO/IEC 18004), free of the box's edge
    assert result.facts["label_size_mm"] == pytest.approx([(modules + 8) * 0.9] * 2)


def test_letters_find_room_beside_a_code() -> None:
    coded = _run(BLOCK, text="LY-1041", place="underside", module="0.8 mm", **{"as": "qr"})
    named = _run(coded.part, text="Reg 8", height="5 mm", place="underside")
    sunk = _seen(named.part, "below", 8) < -0.3
    (found,) = zxingcpp.read_barcodes(np.where(sunk, 0, 255).astype(np.uint8))
    assert found.text == "LY-1041"
    _assert_reads(_ink(coded.part, named.part, "below"), "Reg 8")
    both = _mesh(named.part).volume - BOX.volume
    assert both == pytest.approx(
        named.facts["volume_change_mm3"] + coded.facts["volume_change_mm3"], rel=1e-9
    )


# -- fineness and fit ----------------------------------------------------------------------------------------


def test_letters_too_fine_for_the_nozzle_are_enlarged_or_held() -> None:
    result = _run(BLOCK, text="Reg 8", height="3 mm", font="light", place="flat")
    assert min(result.facts["smallest_stroke_mm"], result.facts["smallest_gap_mm"]) == pytest.approx(0.4)
    assert result.facts["capital_height_mm"] > 3.0
    assert "too fine for the printer" in result.warnings[0]
    with pytest.raises(HoldError, match=r"too fine for the printer.* needs 0\.4 mm"):
        _run(BLOCK, text="Reg 8", height="3 mm", font="light", place="flat", fine="hold")
    fine = _run(BLOCK, RESIN, text="Reg 8", height="3 mm", font="light", place="flat")
    assert fine.facts["capital_height_mm"] == 3.0
    assert fine.warnings == ()


def test_dots_too_fine_for_the_nozzle_are_enlarged_or_held() -> None:
    result = _run(BLOCK, text="LY-1041", module="0.5 mm", place="flat", **{"as": "qr"})
    assert result.facts["module_mm"] == pytest.approx(0.8)
    with pytest.raises(HoldError, match=r"its dots are 0\.5 mm, and the printer needs 0\.8 mm"):
        _run(BLOCK, text="LY-1041", module="0.5 mm", place="flat", fine="hold", **{"as": "qr"})


def test_a_depth_below_a_layer_is_made_a_layer_or_held() -> None:
    assert _run(BLOCK, text="Reg 8", depth="0.1 mm").facts["depth_mm"] == 0.2
    with pytest.raises(HoldError, match=r"less than the printer's layer of 0\.2 mm"):
        _run(BLOCK, text="Reg 8", depth="0.1 mm", fine="hold")


def test_a_long_text_is_made_smaller_within_the_bound_and_held_beyond_it() -> None:
    result = _run(BLOCK, text="Lantern Yard 8", height="8 mm", place="flat", shrink="50 %")
    assert result.facts["label_size_mm"][0] == pytest.approx(60 - 2 * 0.8, rel=0.01)
    assert 4.0 < result.facts["capital_height_mm"] < 8.0
    assert "made smaller to fit" in result.warnings[0]
    with pytest.raises(HoldError, match="no such room"):
        _run(BLOCK, text="Lantern Yard 8", height="8 mm", place="flat", shrink="90 %")
    with pytest.raises(HoldError, match="no such room"):  # it may not become finer than can be printed
        _run(BLOCK, text="Lantern Yard at the harbour, number eight", height="8 mm", shrink="10 %")


def test_sunk_letters_do_not_break_through_a_thin_wall() -> None:
    room = trimesh.creation.box((58.0, 38.0, 21.5))
    room.apply_translation((0, 0, 12.0))
    room.invert()
    shell = _part(trimesh.util.concatenate([BOX, room]), planes=(BED,))
    with pytest.raises(HoldError, match=r"material there is 1\.2 mm thick.* need 1\.4 mm"):
        _run(shell, text="Reg 8")
    thin = _run(shell, RESIN, text="Reg 8")
    assert thin.evidence["material_behind_mm"] == pytest.approx(1.25, abs=0.01)
    assert _run(shell, text="Reg 8", place="front", style="emboss").facts["on"] == "a flat face"


def test_raised_letters_below_are_what_the_part_stands_on_and_that_is_said() -> None:
    result = _run(BLOCK, text="Reg 8", style="emboss")
    assert "stands on them" in result.warnings[0]
    bed = result.part.bed_plane
    assert bed is not None
    assert bed.point[2] == result.part.bounds[0, 2] == pytest.approx(-0.6)


@pytest.mark.parametrize(
    ("part", "params", "said"),
    [
        (_part(BALL), {"place": "flat"}, "no flat face. Put cut or plinth before label"),
        (_part(BALL), {"place": "underside"}, "no flat underside"),
        (_part(BALL), {"place": "front"}, "no flat face looks to the front. Put plinth before label"),
        (_part(BALL), {"place": "wrapped"}, "say at which height"),
        (_part(BALL), {"place": "wrapped", "at": "97 %"}, "Write less|measures"),
        (BLOCK, {"place": "wrapped", "at": "50 %", "turn": "9 deg"}, "cannot be turned"),
    ],
)
def test_without_a_place_the_job_is_held(part: Part, params: dict[str, str], said: str) -> None:
    with pytest.raises(HoldError, match=f"There is no place for the label: .*({said})"):
        _run(part, text="Reg 8", **params)


def test_a_face_that_something_stands_in_front_of_is_not_written_on() -> None:
    roof = trimesh.creation.box((60.0, 20.0, 2.0))
    roof.apply_translation((0, -25.0, 1.0))
    wall = trimesh.creation.box((60.0, 2.0, 24.0))
    wall.apply_translation((0, -34.0, 12.0))
    part = _part(trimesh.boolean.union([BOX, roof, wall], engine="manifold"))
    result = _run(part, text="Reg 8", place="front")
    assert result.facts["at_mm"][1] == pytest.approx(-35.0)  # the outer wall, not the hidden one behind it


# -- what is kept --------------------------------------------------------------------------------------------


def test_every_other_vertex_stays_and_colours_are_carried() -> None:
    colours = np.tile(np.array([10, 20, 30, 255], np.uint8), (8, 1))
    part = replace(BLOCK, colours=colours)
    result = _run(part, text="Reg 8")
    kept = {vertex.tobytes() for vertex in result.part.vertices}
    assert all(vertex.tobytes() in kept for vertex in BLOCK.vertices)
    assert result.part.colours is not None
    assert (result.part.colours == colours[0]).all()


@pytest.mark.parametrize("place", ["flat", "wrapped"])
def test_the_likeness_is_not_measured_under_the_label(place: str) -> None:
    part = _part(trimesh.creation.box((30.0, 20.0, 10.0)).subdivide_to_size(1.0) if place == "flat" else BALL)
    result = _run(part, text="Reg", place=place, height="4 mm", at="50 %", style="emboss")
    assert result.reference is not None
    with_it = compare(result.reference, result.part)
    assert with_it.part_to_scan_max_mm < 0.2  # nearer than that to the rim of what was left out, it counts
    assert compare(part, result.part).part_to_scan_max_mm > 0.5
    on_block = _run(BLOCK, text="Reg", reference=_part(BALL))
    assert on_block.reference is None


def test_the_same_bytes_twice(on_round_plinth: Part) -> None:
    for part, params in ((BLOCK, {}), (on_round_plinth, {"place": "front"})):
        first = _run(part, text="Reg 8", **params)
        second = _run(part, text="Reg 8", **params)
        assert first.part.digest() == second.part.digest()
        assert first.pictures == second.pictures


# -- bad values, said when the recipe is checked -----------------------------------------------------------


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"text": "שלום"}, r"the font 'bold' has no 'ש' \(U\+05E9\), 'ל'"),
        ({"text": " "}, "text: it is empty"),
        ({"text": "a\u202eb"}, r"invisible character \(U\+202E\)"),
        ({"text": "a" * 201}, "201 letters; expected at most 200"),
        ({"text": "a", "font": "fraktur"}, "no font is called 'fraktur'; expected light, regular"),
        ({"text": "a", "font": "fonts/shop.ttf"}, "not a full path"),
        ({"text": "a", "font": "/nowhere/shop.ttf"}, "there is no font file /nowhere/shop.ttf"),
        ({"text": "a", "font": str(Path(__file__).with_suffix(".ttf"))}, "there is no font file"),
        ({"text": "a", "depth": "0 mm"}, "out of range"),
    ],
)
def test_what_cannot_be_written_is_said_when_the_recipe_is_checked(params: dict[str, str], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Params.model_validate(params)


def test_a_file_that_is_no_font_is_said(tmp_path: Path) -> None:
    path = tmp_path / "shop.ttf"
    path.write_bytes(b"not a font")
    with pytest.raises(ValidationError, match="cannot be read as a font"):
        Params.model_validate({"text": "a", "font": str(path)})


def test_an_open_surface_is_not_written_on() -> None:
    with pytest.raises(StepError, match="not closed"):
        _run(Part(BOX.vertices, BOX.faces[1:]), text="Reg 8")


def test_parameters_are_written_back_as_they_were_read() -> None:
    params = Params.model_validate({"text": "a", "as": "qr", "toward": "30 deg", "at": "40 %"})
    assert Params.model_validate(params.model_dump(by_alias=True)) == params
