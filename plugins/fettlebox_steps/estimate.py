"""estimate: say whether the part will print, and what it will take; change nothing."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Literal

from fettlebox.api import Angle, Length, Part, Ratio, StepContext, StepParams, StepResult, quantity, step
from pydantic import Field

if TYPE_CHECKING:
    import numpy as np
    from fettlebox.api import Printer
    from fettlebox.pictures import Stage, View
    from numpy.typing import NDArray

    from .forecast import Forecast

SHOWN_LAYERS = 8
"""Layers in the strip, evenly chosen from the first one upwards."""

LISTED = 10
"""Islands and bridges whose place is told, from the bed upwards; all of them are counted."""

EVER_TAKEN_FOR_GRANTED = (
    "support fills the columns under what leans out, told by columns half a millimetre apart or less",
    "nothing goes wrong and nothing is thrown away; no tax",
)

SIDES_SHOWN = 3
SEEN_COSINE = 0.3
"""A place is seen from where its normal leans by less than 70 degrees: beyond, it is too foreshortened."""

SHOWN_SHARE = 0.001
"""Thin walls and narrow gaps on less of the surface than this are grain and edges: facts, but not worth a
picture or a warning. Our judgement."""


class Params(StepParams):
    beyond: Angle = quantity(
        "45 deg",
        at_least="0 deg",
        at_most="89 deg",
        about="A surface that leans out further than this, from the upright, needs support.",
    )
    support: Literal["bed and part", "bed", "none"] = Field(
        "bed and part",
        description="What support may stand on: the bed and the part itself, the bed alone; or none is made.",
    )
    layer: Length | None = quantity(
        None, at_least="0.01 mm", at_most="2 mm", about="Height of a layer; by default the printer's."
    )
    infill: Ratio | None = quantity(
        None, at_least="0 %", at_most="100 %", about="How full the inside is; by default as the printer says."
    )
    pictures: bool = Field(True, description="Whether overhangs, thin places and layers are drawn.")


@step(
    "estimate",
    version=4,
    summary="Say whether the part will print, and what it will take.",
    shorthand="beyond",
)
def estimate(part: Part, params: Params, ctx: StepContext) -> StepResult:
    """Work out layers, support, time, material, cost and stability for the shop's printer.

    Limits:
        - It is no slicing: lines are counted, not laid. Time and material come out within what the
          printer's own numbers in `shop.yaml` are good for; what was taken for granted is listed.
        - Support is all the room under what leans out too far, whatever a slicing program would leave out.
        - Walls and gaps are measured at places on the surface; a hair between two of them can be missed.
        - Where two sides meet at 29 degrees or more, what lies between them is an edge or a tip: it prints
          rounded, and counts as no thin wall, if the part is as thick as the finest line a little further
          in. A crease likewise is no gap. Where edges of triangles are a sixth as long as it is thick there,
          or shorter, it counts as a wall: very dense meshes are told thinner than they are.
        - Stability is that of a standing body: vibration, warping and how well the bed holds are not
          looked at.
        - Refuses an open surface, and a part of more than 20,000 layers.
    Sources:
        - H. Edelsbrunner, E. P. Mücke, "Simulation of simplicity", 1990: exact outlines of layers.
        - L. A. Santaló, "Integral geometry and geometric probability", 1976 (Cauchy, Crofton): the mean
          chord, which is how long lines of infill are.
        - H. Blum's medial ball, 1967, and J. Ma, S. W. Bae, S. Choi, "3D medial axis point approximation
          using nearest neighbors and the normal field", 2012: thickness.
        - D. Sunday, "Inclusion of a point in a polygon", 2001: what rests on the layer below.
        - Where a part is at risk, and from which lean support is needed: common practice without a
          published source.
    Facts:
        printing_takes, print_h: how long it prints, in words and in hours
        layers: how many
        material_g, material_cm3, filament_m: what is used up, support included
        cost, money: what it costs, in the shop's money
        overhang_share, overhang_mm2: surface that leans out too far
        support_cm3, support_on_part_cm3: room for support, and what of it stands on the part
        islands: places that start in mid-air
        bridges, longest_bridge_mm: spans through the air that are held at both ends
        first_layer_mm2, contact_mm2: area of the first layer, and of faces on the bed
        height_to_base: height over the narrowest width of the foot
        centre_of_mass_mm: where it is, from the bed upwards
        tips_beyond_deg: lean at which it tips
        stability: how safely it stands while it grows, in words
        thinnest_wall_mm: the thickness that a thousandth of the surface goes below, edges and tips left out
        thin_wall_mm2, narrow_gap_mm2: surface of walls and gaps finer than the printer draws
    Evidence:
        cost.material, cost.machine, cost.handling: what the cost is made of, in the shop's money
        islands.height_mm, islands.area_mm2, bridges.height_mm, bridges.span_mm, bridges.area_mm2: the
            lowest ones
        printer, layer_mm, finest_mm, start_s: of the printer
        material.<what>, filament.<what>, resin.<what>, prices.<what>: what was reckoned with
        time.<what>: where the time goes
        support_beyond_deg, support_stands_on: as asked
        taken_for_granted: in sentences
    Recipe:
        - units: {expect: head}
        - debris
        - repair
        - cut: 12 %
        - seat
        - estimate
    Picture: overhang
    """
    from .forecast import Forecast

    found = Forecast(part, _as_asked(ctx.printer, params), params.beyond, params.support)
    facts = _facts(found)
    ctx.progress(0.5)
    facts |= _thin_facts(found)
    pictures = _pictures(found, facts) if params.pictures else {}
    return StepResult(part, facts, tuple(_warnings(found, facts)), _evidence(found), pictures=pictures)


def _as_asked(printer: Printer, params: Params) -> Printer:
    if params.layer is not None:
        printer = replace(printer, layer_mm=params.layer)
    if params.infill is not None:
        printer = replace(printer, filament=replace(printer.filament, infill_share=params.infill))
    return printer


def _facts(found: Forecast) -> dict[str, Any]:
    from .demands import in_hours
    from .geometry.print_time import thread_m

    over_mm2, share = found.overhang
    stance = found.stance
    facts: dict[str, Any] = {
        "printing_takes": in_hours(found.print_s),
        "print_h": found.print_s / 3600.0,
        "layers": len(found.layers),
        "material_g": found.material_g,
        "material_cm3": found.material_mm3 / 1000.0,
    }
    if found.printer.kind == "filament":
        facts["filament_m"] = thread_m(found.material_mm3, found.printer.material.diameter_mm)
    facts |= {
        "cost": round(found.cost.whole, 2),
        "money": found.printer.prices.money,
        "overhang_share": share,
        "overhang_mm2": over_mm2,
        "support_cm3": found.support_mm3 / 1000.0,
        "support_on_part_cm3": found.support.on_part_mm3 / 1000.0,
        "islands": len(found.islands.layer),
        **_bridge_facts(found),
        "first_layer_mm2": found.first_layer_mm2,
        "contact_mm2": stance.contact_mm2,
        "height_to_base": _known(stance.slenderness),
        "centre_of_mass_mm": [float(v) for v in stance.centre_mm],
        "tips_beyond_deg": stance.tips_beyond_deg,
        "stability": _stability(found),
    }
    return facts


def _bridge_facts(found: Forecast) -> dict[str, Any]:
    if found.printer.kind != "filament":
        return {}
    spans = found.bridges.span_mm
    return {"bridges": len(spans), "longest_bridge_mm": float(spans.max()) if len(spans) else None}


def _thin_facts(found: Forecast) -> dict[str, Any]:
    return {
        "thinnest_wall_mm": _known(found.thinnest_mm),
        "thin_wall_mm2": found.narrower_mm2(found.wall_mm),
        "narrow_gap_mm2": found.narrower_mm2(found.gap_mm),
    }


def _stability(found: Forecast) -> str:
    stance = found.stance
    if stance.contact_mm2 <= 0:
        return f"high risk: {stance.height_mm:.3g} mm tall, and it touches the bed in points only"
    tips = f"it tips at {stance.tips_beyond_deg:.0f} deg" if stance.margin_mm > 0 else "it topples by itself"
    return (
        f"{stance.risk} risk: {stance.height_mm:.3g} mm tall on a foot {stance.width_mm:.3g} mm wide at its "
        f"narrowest, {stance.contact_mm2:.0f} mm2 on the bed; {tips}"
    )


def _warnings(found: Forecast, facts: dict[str, Any]) -> list[str]:
    finest = found.printer.finest_mm
    worth_mm2 = SHOWN_SHARE * float(found.places.area_mm2.sum())
    said = []
    if found.stance.risk != "low":
        said.append(f"Standing while it prints: {facts['stability']}.")
    if facts["thin_wall_mm2"] > worth_mm2:
        said.append(
            f"{facts['thin_wall_mm2']:.3g} mm2 of the surface are walls thinner than the {finest:g} mm that "
            f"the printer can lay down (thinnest {facts['thinnest_wall_mm']:.2g} mm): they may be missing."
        )
    if facts["narrow_gap_mm2"] > worth_mm2:
        said.append(
            f"{facts['narrow_gap_mm2']:.3g} mm2 of the surface face a gap narrower than {finest:g} mm: "
            "it may close."
        )
    if found.supports == "bed" and found.support.on_part_mm3 > 0 and facts["islands"]:
        said.append(f"{_mid_air(facts['islands'])}, and support may not stand on the part.")
    if found.supports == "none" and facts["islands"]:
        said.append(f"{_mid_air(facts['islands'])}, and no support is made.")
    return said


def _mid_air(count: int) -> str:
    return "One place starts in mid-air" if count == 1 else f"{count} places start in mid-air"


def _evidence(found: Forecast) -> dict[str, Any]:
    """Where the time goes, and everything that was taken for granted."""
    printer = found.printer
    cost = found.cost
    heights = found.layers.height_mm
    evidence: dict[str, Any] = {
        "cost": {"material": cost.material, "machine": cost.machine, "handling": cost.handling},
        "islands": [
            {"height_mm": float(heights[k] - heights[0]), "area_mm2": float(area)}
            for k, area in list(zip(found.islands.layer, found.islands.area_mm2, strict=True))[:LISTED]
        ],
        "printer": printer.name,
        "layer_mm": printer.layer_mm,
        "material": asdict(printer.material),
        "prices": asdict(printer.prices),
        "finest_mm": printer.finest_mm,
        "support_beyond_deg": found.beyond_deg,
        "support_stands_on": found.supports,
    }
    if printer.kind == "resin":
        evidence |= {"start_s": printer.start_s, "resin": asdict(printer.resin)}
        evidence["taken_for_granted"] = [
            "all layers take alike, but the first ones",
            "what is solid in the part is printed solid; what is hollow in it stays empty",
            *EVER_TAKEN_FOR_GRANTED,
        ]
        return evidence
    evidence["bridges"] = [
        {"height_mm": float(heights[k] - heights[0]), "span_mm": float(span), "area_mm2": float(area)}
        for k, span, area in list(
            zip(found.bridges.layer, found.bridges.span_mm, found.bridges.area_mm2, strict=True)
        )[:LISTED]
    ]
    laid = found.laid
    parts = {
        "start_s": printer.start_s,
        "walls_s": float(laid.wall_s.sum()),
        "tops_bottoms_infill_s": float(laid.fill_s.sum()),
        "support_s": float(laid.support_s.sum()),
        "moves_s": float(laid.move_s.sum()),
    }
    parts["layer_changes_and_cooling_s"] = found.print_s - sum(parts.values())
    evidence |= {"time": parts, "filament": {**asdict(printer.filament), "line_mm": printer.line_mm}}
    evidence["taken_for_granted"] = [
        "lines run from rest to rest; walls stop at corners sharper than 30 deg",
        "a line of infill is as long as the mean chord of what it fills",
        "a move goes half as far as the layer is wide; one an outline, one for infill, one for support",
        "walls cover their own width of a slope; no slower first layer, no purge, no skirt",
        *EVER_TAKEN_FOR_GRANTED,
    ]
    return evidence


def _pictures(found: Forecast, facts: dict[str, Any]) -> dict[str, bytes]:
    import numpy as np
    from fettlebox.pictures import FRONT_VIEW, Stage, View, render_layers, render_map

    part = found.part
    stage = Stage(part)
    views = (FRONT_VIEW, View("side", 90.0), View("from below", 30.0, -45.0))
    share = f"{facts['overhang_share'] * 100:.1f} %"
    title = f"Overhangs: {share} of the surface leans out by more than {found.beyond_deg:g} deg"
    pictures = {
        "overhang": render_map(
            part,
            found.lean_deg,
            "leans out, deg",
            high=90.0,
            views=views,
            title=title,
            marked=found.on_bed,
            mark="on the bed",
            stage=stage,
        )
    }
    count = len(found.layers)
    chosen = np.arange(min(SHOWN_LAYERS, count)) * count // min(SHOWN_LAYERS, count)
    low = float(part.bounds[0, 2])
    strip = [(f"{found.layers.height_mm[k] - low:.3g} mm", found.layers.layer(int(k))) for k in chosen]
    title = f"Layers: {len(chosen)} of {count}, {found.printer.layer_mm:g} mm each, seen from above"
    pictures["layers"] = render_layers(strip, title=title)
    worth_mm2 = SHOWN_SHARE * float(found.places.area_mm2.sum())
    if max(facts["thin_wall_mm2"], facts["narrow_gap_mm2"]) > worth_mm2:
        pictures["thin"] = _thin_picture(found, stage)
    return pictures


def _thin_picture(found: Forecast, stage: Stage) -> bytes:
    import numpy as np
    from fettlebox.pictures import render_map

    from .geometry.thickness import mean_by_face

    finest, most = found.printer.finest_mm, found.told_up_to_mm
    count = len(found.part.faces)
    wall = mean_by_face(np.minimum(found.wall_mm, most), found.places, count)
    narrow = (found.wall_mm < finest) | (found.gap_mm < finest)
    return render_map(
        found.part,
        np.where(wall < most, wall, np.nan),
        "thickness, mm",
        high=most,
        views=_views_of(found.places.normal[narrow], found.places.area_mm2[narrow]),
        title=f"Thin places: walls or gaps under {finest:g} mm",
        unknown=f"over {most:g} mm",
        marked=mean_by_face(narrow.astype(float), found.places, count) > 0.5,
        mark=f"under {finest:g} mm",
        stage=stage,
    )


def _views_of(normals: NDArray[np.float64], area_mm2: NDArray[np.float64]) -> tuple[View, ...]:
    """Three sides to look from: each next one shows most of the places, by their normals (k,3), that those
    before it do not.
    """
    import numpy as np
    from fettlebox.pictures import FRONT_VIEW, View

    sides = [FRONT_VIEW, View("left side", 90.0), View("back", 180.0), View("right side", 270.0)]
    sides += [View(f"{name} from above", turn, 50.0) for name, turn in (("front", 30.0), ("back", 210.0))]
    sides += [View(f"{name} from below", turn, -45.0) for name, turn in (("front", 30.0), ("back", 210.0))]
    faces_us = {side: normals @ side.axes()[2] > SEEN_COSINE for side in sides}
    chosen: list[View] = []
    hidden = np.ones(len(normals), np.bool_)
    while len(chosen) < SIDES_SHOWN:
        left = [side for side in sides if side not in chosen]
        best = max(left, key=lambda side: float(area_mm2[hidden & faces_us[side]].sum()))
        chosen.append(best)
        hidden &= ~faces_us[best]
    return tuple(side for side in sides if side in chosen)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
