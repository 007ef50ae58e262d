"""Text as shapes: areas by fontTools' exact pens, order by the published examples, fineness by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from fettlebox_steps.geometry.fineness import stroke_and_gap
from fettlebox_steps.geometry.lettering import SHIPPED, filled, font_file, lettered, missing
from fettlebox_steps.geometry.marks import code_shape, qr_modules
from fettlebox_steps.geometry.text_direction import runs
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.areaPen import AreaPen
from fontTools.pens.boundsPen import BoundsPen
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTFont

BOLD = font_file("bold")
WIDTHS = {"א": 200, "ב": 400, "ג": 600, "1": 300, "2": 500, "a": 700}


@pytest.fixture(scope="session")
def hebrew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A font of bars: letters are told apart by their widths."""
    names = {character: f"u{ord(character):04X}" for character in WIDTHS}
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder([".notdef", "space", *names.values()])
    builder.setupCharacterMap({32: "space", **{ord(c): name for c, name in names.items()}})
    glyphs = {}
    for name, width in [(".notdef", 0), ("space", 0), *((names[c], WIDTHS[c]) for c in WIDTHS)]:
        pen = TTGlyphPen(None)
        if width:
            pen.moveTo((0, 0))
            pen.lineTo((0, 700))
            pen.lineTo((width, 700))
            pen.lineTo((width, 0))
            pen.closePath()
        glyphs[name] = pen.glyph()
    builder.setupGlyf(glyphs)
    builder.setupHorizontalMetrics(
        {".notdef": (50, 0), "space": (50, 0)} | {names[c]: (WIDTHS[c] + 50, 0) for c in WIDTHS}
    )
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "Bars", "styleName": "Regular"})
    builder.setupOS2(sCapHeight=700)
    builder.setupPost()
    path = tmp_path_factory.mktemp("fonts") / "bars.ttf"
    builder.save(path)
    return path


def _bars(text: str, path: Path) -> str:
    """What stands there from left to right, by the widths of the bars."""
    shape = lettered(text, path, 700.0)
    boxes = sorted(part.bounds for part in shapely.get_parts(shape))
    by_width = {width: character for character, width in WIDTHS.items()}
    return "".join(by_width[round(right - left)] for left, _, right, _ in boxes)


@pytest.mark.parametrize(
    ("written", "seen"),
    [
        ("אבג", "גבא"),
        ("א ב", "בא"),
        ("אב 12", "12בא"),
        ("12 אב", "בא12"),  # the first letter decides: the line runs from right to left
        ("a אב", "aבא"),
        ("אב a", "aבא"),
        ("a אב12", "a12בא"),
        ("a 12", "a12"),
    ],
)
def test_letters_stand_as_their_script_is_read(hebrew: Path, written: str, seen: str) -> None:
    assert _bars(written, hebrew) == seen


def test_the_annex_s_own_examples_come_out() -> None:
    # Unicode Standard Annex 9, from memory, where capitals stand for Arabic letters (here Hebrew ones):
    # "car means CAR." is shown as "car means RAC."
    assert runs("car means אבג.") == [("car means ", False), ("אבג", True), (".", False)]
    # "he said IT IS 123, 456, OK." is shown as "he said KO ,456 ,123 SI TI."
    shown = "".join(text[::-1] if leftward else text for text, leftward in runs("he said אב 123, 456, גד."))
    assert shown == "he said דג ,456 ,123 בא."


def _bounds(file: TTFont, character: str) -> tuple[float, ...]:
    pen = BoundsPen(file.getGlyphSet())
    file.getGlyphSet()[file.getBestCmap()[ord(character)]].draw(pen)
    return tuple(pen.bounds)


@pytest.mark.parametrize("font", sorted(SHIPPED))
def test_area_is_that_of_the_curves_themselves(font: str) -> None:
    path = font_file(font)
    file = TTFont(path)
    glyphs, names = file.getGlyphSet(), file.getBestCmap()
    text = "Sag8&@%ßÅı"
    total = 0.0
    for character in text:
        pen = AreaPen(glyphs)
        glyphs[names[ord(character)]].draw(pen)
        total += abs(pen.value)
    scale = 5.0 / _bounds(file, "H")[3]
    assert lettered(text, path, 5.0).area == pytest.approx(total * scale**2, rel=1e-3)
    assert missing(text, path) == []


def test_a_capital_is_as_high_as_asked_and_chords_stay_within_the_tolerance() -> None:
    left, low, right, high = lettered("H", BOLD, 7.0).bounds
    assert (high - low) == pytest.approx(7.0)
    assert (left + right, low + high) == pytest.approx((0.0, 0.0))
    exact = lettered("S", BOLD, 7.0, within_mm=1e-5)
    for within in (0.001, 0.01, 0.05):
        rough = lettered("S", BOLD, 7.0, within_mm=within)
        assert shapely.hausdorff_distance(exact.exterior, rough.exterior, densify=0.01) <= within + 2e-5
    file = TTFont(BOLD)
    box = _bounds(file, "S")
    tall = (box[3] - box[1]) * 7.0 / _bounds(file, "H")[3]
    assert exact.bounds[3] - exact.bounds[1] == pytest.approx(tall, abs=1e-4)


def test_both_kinds_of_font_file_give_the_same_letters() -> None:
    cubic, quadratic = lettered("Reg&8", BOLD, 6.0), lettered("Reg&8", BOLD.with_suffix(".ttf"), 6.0)
    assert cubic.symmetric_difference(quadratic).area < 0.005 * cubic.area


def test_outlines_that_overlap_or_nest_are_filled_by_winding() -> None:
    def square(x: float, size: float) -> np.ndarray:
        return np.array([[x, x], [x + size, x], [x + size, x + size], [x, x + size]], float)

    assert filled([square(0, 4), square(2, 4)]).area == 28.0  # overlapping: once, not twice
    assert filled([square(0, 4), square(1, 2)[::-1]]).area == 12.0  # a hole runs the other way
    assert filled([square(0, 6), square(1, 4)[::-1], square(2, 2)]).area == 24.0  # an island in it
    assert filled([square(0, 4)[::-1], square(1, 2)]).area == 12.0  # the other convention


def test_characters_that_are_missing_are_named_in_their_order(hebrew: Path) -> None:
    assert missing("xaאy", hebrew) == ["x", "y"]
    assert missing("שב\nא", BOLD) == ["ש", "ב", "א"]


def test_a_text_without_anything_to_see_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing to see"):
        lettered(" ", BOLD, 5.0)


# -- fineness ------------------------------------------------------------------------------------------------


def test_strokes_and_gaps_are_those_that_were_drawn() -> None:
    bars = shapely.MultiPolygon([shapely.box(0, 0, 0.5, 6), shapely.box(0.8, 0, 2.0, 6)])
    assert stroke_and_gap(bars) == pytest.approx((0.5, 0.3))
    frame = shapely.box(0, 0, 6, 6).difference(shapely.box(0.7, 0.7, 5.3, 5.3))
    assert stroke_and_gap(frame) == pytest.approx((0.7, 4.6), rel=1e-6)
    alone = shapely.box(0, 0, 2, 3)
    assert stroke_and_gap(alone) == pytest.approx((2.0, np.inf))


def test_a_dot_counts_and_the_root_of_a_wedge_does_not() -> None:
    dotted = shapely.MultiPolygon([shapely.box(0, 0, 1, 5), shapely.Point(0.5, 6).buffer(0.1, quad_segs=32)])
    assert stroke_and_gap(dotted)[0] == pytest.approx(0.2, rel=0.02)
    rounds = shapely.MultiPolygon([shapely.Point(x, 0).buffer(2.0, quad_segs=64) for x in (0.0, 4.3)])
    assert stroke_and_gap(rounds)[1] == pytest.approx(0.3, rel=0.05)
    wedge = shapely.Polygon([(0, 10), (3, 0), (6, 10), (4.4, 10), (3, 5), (1.6, 10)])  # a V
    stroke, gap = stroke_and_gap(wedge)
    assert stroke == pytest.approx(1.6 * 10 / np.hypot(3, 10), rel=0.1)
    assert gap == np.inf


def test_a_triangular_counter_is_as_wide_as_the_circle_in_it() -> None:
    hole = [(0, 0), (3, 0), (0, 4)]
    shape = shapely.box(-3, -3, 6, 7).difference(shapely.Polygon(hole))
    assert stroke_and_gap(shape)[1] == pytest.approx(2.0, rel=0.01)  # inradius (3 + 4 - 5) / 2


# -- codes -------------------------------------------------------------------------------------------------


def test_dark_modules_that_meet_at_a_corner_do_not_touch() -> None:
    shape = code_shape([[True, False], [False, True]], 2.0)
    one, other = shape.geoms
    assert one.distance(other) > 0.1
    assert shape.area == pytest.approx(8.0 * (1 - 0.5 * 0.1**2))  # a quarter of a notch off each
    upper = max(shape.geoms, key=lambda part: part.bounds[3])
    assert upper.bounds[2] == pytest.approx(0.0)  # the first row is on top, its first module on the left


def test_a_code_has_the_finders_of_the_standard() -> None:
    modules = qr_modules("LY-1041")
    assert len(modules) == 21  # version 1 of ISO/IEC 18004
    finder = [[max(abs(r - 3), abs(c - 3)) != 2 for c in range(7)] for r in range(7)]
    for rows, columns in (
        (slice(0, 7), slice(0, 7)),
        (slice(0, 7), slice(-7, None)),
        (slice(-7, None), slice(0, 7)),
    ):
        assert [row[columns] for row in modules[rows]] == finder
    with pytest.raises(ValueError, match="too long for a code"):
        qr_modules("x" * 3000)
