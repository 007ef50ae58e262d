"""Write on the part: raised or sunk letters, or a machine-readable code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import (
    Angle,
    HoldError,
    Length,
    Part,
    Printer,
    Ratio,
    StepContext,
    StepError,
    StepParams,
    StepResult,
    quantity,
    step,
)
from pydantic import Field, model_validator

if TYPE_CHECKING:
    from .label_sites import Site

MOST_LETTERS = 200
MOST_LINES = 8

LEAST_STROKE = {"filament": 1.0, "resin": 2.0}
LEAST_MODULE = {"filament": 2.0, "resin": 4.0}
"""Strokes and gaps of letters, and modules of a code, in widths of the finest line or dot that the printer
lays down (common practice, no published source)."""


class Params(StepParams):
    text: str = Field(description="What is written; a line break starts a new line.")
    written: Literal["letters", "qr"] = Field(
        "letters", alias="as", description="`letters` to read, or a `qr` code for a machine (ISO/IEC 18004)."
    )
    style: Literal["engrave", "emboss"] = Field(
        "engrave", description="Sunk into the part, or raised from it."
    )
    place: Literal["underside", "front", "flat", "wrapped"] = Field(
        "underside",
        description="`underside`: the face it stands on, to be read from below. `front`: the plinth's front, "
        "or a flat face that looks to the front. `flat`: the largest flat face that it does not stand on. "
        "`wrapped`: round a curved side.",
    )
    height: Length = quantity(
        "6 mm", at_least="0.5 mm", at_most="500 mm", about="Height of a capital letter."
    )
    module: Length = quantity("1 mm", at_least="0.1 mm", at_most="50 mm", about="Side of a dot of a code.")
    depth: Length = quantity("0.6 mm", at_least="0.05 mm", at_most="20 mm", about="How deep or how high.")
    font: str = Field(
        "bold",
        description="light, regular, semibold, bold, black, italic, bold italic; or the full path of a .ttf "
        "or .otf file.",
    )
    turn: Angle = quantity(
        "0 deg", at_least="-180 deg", at_most="180 deg", about="Turned counter-clockwise, as one reads it."
    )
    toward: Literal["back", "front", "left", "right"] | Angle = Field(
        "front",
        description="For `wrapped`: the side that it is on. left and right as seen from in front; an angle "
        "counts from the right, counter-clockwise seen from above.",
    )
    at: Ratio | None = quantity(
        None,
        at_least="0 %",
        at_most="100 %",
        about="For `wrapped`: height of its middle, as a share of the part's; if not given, the middle of "
        "the plinth.",
    )
    shrink: Ratio = quantity(
        "60 %",
        at_least="10 %",
        at_most="100 %",
        about="To find room it may be made smaller, down to this share.",
    )
    fine: Literal["enlarge", "hold"] = Field(
        "enlarge",
        description="If the printer cannot lay down so fine a stroke, gap or dot: `enlarge` all, or `hold`.",
    )

    @model_validator(mode="after")
    def _can_be_written(self) -> Params:
        _check_text(self.text)
        if self.written == "qr":
            from .geometry.marks import qr_modules

            qr_modules(self.text)
            return self
        from .geometry.lettering import font_file, missing

        lacking = missing(self.text, font_file(self.font))
        if lacking:
            named = ", ".join(f"{character!r} (U+{ord(character):04X})" for character in lacking[:5])
            raise ValueError(
                f"text: the font {self.font!r} has no {named}; name a font that has, or write it otherwise"
            )
        return self


def _check_text(text: str) -> None:
    from .geometry.text_direction import is_mark

    if not text.strip():
        raise ValueError("text: it is empty; expected what to write, or a `when` that leaves the label out")
    if len(text) > MOST_LETTERS:
        raise ValueError(f"text: it has {len(text)} letters; expected at most {MOST_LETTERS}")
    if text.count("\n") >= MOST_LINES:
        raise ValueError(f"text: it has {text.count(chr(10)) + 1} lines; expected at most {MOST_LINES}")
    odd = [c for c in text if c != "\n" and (not c.isprintable() or is_mark(c))]
    if odd:
        raise ValueError(f"text: it has an invisible character (U+{ord(odd[0]):04X}); expected letters only")


@step("label", version=1, summary="Write a text or a code on the part, raised or sunk.", shorthand="text")
def label(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """It reads the right way round for whoever looks at its place; size and place are found to fit.

    Limits:
        - Characters that the font lacks, invisible ones, more than 200 letters and more than 8 lines are
          refused at check time. A line is ordered without marks of direction.
        - `wrapped` follows an upright curved side that is even enough, and reaches no further round than
          can be read from in front.
        - Whether a camera reads a code on a print also depends on colour and light: in one colour it may
          have to be inked.
        - Held: no place is large enough, even made smaller by `shrink`; with `fine: hold`, strokes or dots
          finer than the printer's.
        - Refuses an open surface.
    Sources:
        - ISO/IEC 18004: the code and its quiet zone.
        - Unicode Standard Annex 9, "Unicode Bidirectional Algorithm": the order of a line that runs both
          ways.
        - G. Wang, 1984: how many chords a curve of the font needs.
        - I. Kåsa, "A circle fitting procedure and its error analysis", 1976: the arc that letters go
          round.
        - How fine a stroke and a dot may be is common practice without a published source.
    Facts:
        on: what it is written on
        label_size_mm: width and height
        capital_height_mm: height of a capital as made
        smallest_stroke_mm, smallest_gap_mm: the thinnest stroke and the narrowest gap
        module_mm, modules: of a code: side of a dot, and dots along a side
        depth_mm: how deep or how high it is
        area_mm2: area of the letters or dots
        volume_change_mm3: what it adds, or takes away
        at_mm: its middle
        facing: where whoever reads it stands, a unit vector
    Evidence:
        asked: the size that was asked for
        room_factor: by what it was made smaller to fit
        face_area_mm2: area of the flat face it is on
        material_behind_mm: the least material behind it
        arc_radius_mm, arc_axis_mm: of what it is wrapped round
        font_sha256: digest of the font
        place, stroke_mm, gap_mm, needed_mm, layer_mm: of a job that is held: where there is no room, or what
            is too fine and what the printer needs
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - plinth: {shape: square, height: 26 mm, margin: 8 mm}
        - label: {text: MILLER, place: front, style: emboss, height: 16 mm, depth: 2 mm}
    """
    import hashlib

    from .geometry.lettering import font_file
    from .geometry.measures import is_closed, volume_and_centroid
    from .label_sites import NoPlaceError, Wish, site_for

    if not len(part.faces) or not is_closed(part.faces):
        raise StepError("The surface is not closed, so it cannot be written on; put repair before label.")
    warnings: list[str] = []
    content = _Content.of(params)
    size = content.printable(ctx.printer, params, warnings)
    deep_mm = _depth(params, ctx.printer, warnings)
    wish = Wish(
        place=params.place,
        box_mm=content.box_mm * size.largest,
        least=size.least / size.largest,
        height_mm=deep_mm if params.style == "emboss" else -deep_mm,
        finest_mm=ctx.printer.finest_mm,
        turn_deg=params.turn,
        toward=params.toward,
        at=params.at,
    )
    try:
        site = site_for(part, wish)
    except NoPlaceError as error:
        raise HoldError(f"There is no place for the label: {error}.", {"place": params.place}) from error
    ctx.progress(0.5)
    factor = size.largest * site.factor
    if site.factor < 1.0:
        warnings.append(
            f"The label was made smaller to fit, to {content.told(factor)}; asked for: {content.told(1.0)}."
        )
    shape = content.shape(factor)
    before_mm3, _ = volume_and_centroid(part.vertices, part.faces)
    try:
        made = site.written(part, shape)
    except ValueError as error:
        raise HoldError(f"The label cannot be made there: {error}; choose another place.") from error
    after_mm3, _ = volume_and_centroid(made.vertices, made.faces)
    warnings += site.warnings
    facts: dict[str, Any] = {
        "on": site.name,
        "label_size_mm": [float(side) for side in content.box_mm * factor],
        **content.facts(factor),
        "depth_mm": deep_mm,
        "area_mm2": float(shape.area),
        "volume_change_mm3": after_mm3 - before_mm3,
        "at_mm": [round(float(v), 6) + 0.0 for v in site.middle],
        "facing": [round(float(v), 6) + 0.0 for v in site.facing],
    }
    evidence: dict[str, Any] = {"asked": content.told(1.0), "room_factor": site.factor, **site.evidence}
    if params.written == "letters":
        evidence["font_sha256"] = hashlib.sha256(font_file(params.font).read_bytes()).hexdigest()
    picture = {"as-read": _picture(made, site)}
    return StepResult(made, facts, tuple(warnings), evidence, site.reference(ctx.reference, part), picture)


@dataclass(frozen=True)
class _Sizes:
    """Factors on the size asked for: the largest that is tried, and the least that will do."""

    largest: float
    least: float


@dataclass(frozen=True, eq=False)
class _Content:
    """What is written, at the size asked for."""

    params: Params
    stroke_mm: float
    gap_mm: float
    box_mm: Any
    modules: list[list[bool]] | None = None

    @classmethod
    def of(cls, params: Params) -> _Content:
        import numpy as np

        from .geometry.fineness import stroke_and_gap
        from .geometry.lettering import font_file, lettered
        from .geometry.marks import QUIET_MODULES, qr_modules

        if params.written == "qr":
            modules = qr_modules(params.text)
            side_mm = (len(modules) + 2 * QUIET_MODULES) * params.module
            return cls(params, params.module, params.module, np.array([side_mm, side_mm]), modules)
        try:
            shape = lettered(params.text, font_file(params.font), params.height)
        except ValueError as error:
            raise StepError(f"text: {error}.") from error
        left, low, right, high = shape.bounds
        return cls(params, *stroke_and_gap(shape), np.array([right - left, high - low]))

    def shape(self, factor: float) -> Any:
        from .geometry.lettering import font_file, lettered
        from .geometry.marks import code_shape

        if self.modules is not None:
            return code_shape(self.modules, self.params.module * factor)
        return lettered(self.params.text, font_file(self.params.font), self.params.height * factor)

    def told(self, factor: float) -> str:
        if self.modules is not None:
            return f"dots of {self.params.module * factor:.3g} mm"
        return f"capitals {self.params.height * factor:.3g} mm high"

    def facts(self, factor: float) -> dict[str, Any]:
        import math

        if self.modules is not None:
            return {"module_mm": self.params.module * factor, "modules": len(self.modules)}
        gap_mm = self.gap_mm * factor
        return {
            "capital_height_mm": self.params.height * factor,
            "smallest_stroke_mm": self.stroke_mm * factor,
            "smallest_gap_mm": gap_mm if math.isfinite(gap_mm) else None,
        }

    def printable(self, printer: Printer, params: Params, warnings: list[str]) -> _Sizes:
        """How large it may and must be on this printer. Raises HoldError if that is not what was asked."""
        widths = LEAST_STROKE if self.modules is None else LEAST_MODULE
        least_mm = widths[printer.kind] * printer.finest_mm
        needed = least_mm / min(self.stroke_mm, self.gap_mm)
        if needed <= 1.0:
            return _Sizes(1.0, max(needed, params.shrink))
        if self.modules is None:
            found = (
                f"its thinnest stroke is {self.stroke_mm:.2g} mm and its narrowest gap {self.gap_mm:.2g} mm"
            )
        else:
            found = f"its dots are {self.params.module:.2g} mm"
        said = (
            f"At {self.told(1.0)} the label is too fine for the printer: {found}, "
            f"and the printer needs {least_mm:.2g} mm."
        )
        if params.fine == "hold":
            raise HoldError(
                f"{said} Ask for {self.told(needed)} or more, or for another font.",
                {"stroke_mm": self.stroke_mm, "gap_mm": self.gap_mm, "needed_mm": least_mm},
            )
        warnings.append(f"{said} It was made larger: {self.told(needed)}.")
        return _Sizes(needed, needed)


def _depth(params: Params, printer: Printer, warnings: list[str]) -> float:
    """At least a layer, where layers make the depth."""
    if params.place != "underside" or params.depth >= printer.layer_mm:
        return params.depth
    said = f"A depth of {params.depth:g} mm is less than the printer's layer of {printer.layer_mm:g} mm"
    if params.fine == "hold":
        raise HoldError(
            f"{said}: nothing would show. Ask for a layer or more.", {"layer_mm": printer.layer_mm}
        )
    warnings.append(f"{said}; it was made a layer.")
    return printer.layer_mm


def _picture(made: Part, site: Site) -> bytes:
    """The part as someone sees it who reads the label."""
    import math

    from fettlebox.pictures import View, render_views

    x, y, z = (float(v) for v in site.facing)
    level = math.hypot(x, y)
    turn_deg = math.degrees(math.atan2(y, x)) + 90.0 if level > 1e-6 else 0.0
    raise_deg = math.degrees(math.atan2(z, level))
    aside_deg = raise_deg + (25.0 if raise_deg < 45.0 else -25.0)
    views = (View("as one reads it", turn_deg, raise_deg), View("from aside", turn_deg + 25.0, aside_deg))
    return render_views(made, views)
