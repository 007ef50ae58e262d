"""Spans whose length is known by construction, and what looks like one but is held at one end only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from fettlebox_steps.geometry.bridges import Bridges, bridges
from fettlebox_steps.geometry.layer_facts import area_by_gap
from fettlebox_steps.geometry.slicing import layer_heights, slice_layers

LINE = 0.45


def spans(mesh: trimesh.Trimesh, layer_mm: float = 0.2) -> Bridges:
    low, high = mesh.bounds[:, 2]
    layers = slice_layers(mesh.vertices, mesh.faces, layer_heights(low, high, layer_mm))
    return bridges(mesh.vertices, mesh.faces, layers, LINE)


def box(x: float, y: float, z: float, at: tuple[float, float, float]) -> trimesh.Trimesh:
    made = trimesh.creation.box((x, y, z))
    made.apply_translation(np.array(at) + np.array([x, y, z]) / 2)
    return made


def union(*solids: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(solids), engine="manifold")


@pytest.mark.parametrize("turn_deg", [0.0, 15.0, 37.0, 90.0])
def test_a_beam_on_two_posts(turn_deg: float) -> None:
    """12 mm from post to post, less a line's width that clings to either side: 11.1 mm, 6 mm wide."""
    gate = union(box(4, 6, 20, (0, 0, 0)), box(4, 6, 20, (16, 0, 0)), box(20, 6, 4, (0, 0, 16)))
    gate.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn_deg), [0, 0, 1]))
    found = spans(gate)
    assert list(found.layer) == [80]
    assert found.span_mm == pytest.approx([12 - 2 * LINE], rel=0.01)
    assert found.area_mm2 == pytest.approx([6 * (12 - 2 * LINE)], rel=0.02)


def test_a_beam_on_one_post_is_none() -> None:
    tee = union(box(4, 6, 20, (8, 0, 0)), box(20, 6, 4, (0, 0, 16)))
    gallows = union(box(4, 6, 20, (0, 0, 0)), box(20, 6, 4, (0, 0, 16)))
    for solid in (tee, gallows):
        assert len(spans(solid).layer) == 0


def test_the_roof_over_a_round_hole() -> None:
    """A blind hole of 5 mm from below: held all round, so it spans its own width, whichever way."""
    block = trimesh.boolean.difference(
        [box(20, 20, 12, (-10, -10, 0)), trimesh.creation.cylinder(5.0, 12.0, sections=128)],
        engine="manifold",
    )
    found = spans(block)
    assert list(found.layer) == [30]
    assert found.span_mm == pytest.approx([2 * (5.0 - LINE)], rel=0.02)
    assert found.area_mm2 == pytest.approx([np.pi * (5.0 - LINE) ** 2], rel=0.02)


def test_outlines_that_the_library_gives_up_on_are_counted_by_the_even_odd_rule(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Outlines drawn coarser may cross by a hair, and GEOS then raises, as for a finely scanned head."""
    ring = trimesh.creation.annulus(r_min=4, r_max=8, height=3)
    ring.apply_translation([0, 0, -1.5 - ring.bounds[0, 2]])
    plate = trimesh.creation.cylinder(8, 3, sections=64)
    plate.apply_translation([0, 0, 1.4 - plate.bounds[0, 2]])
    solid = union(ring, plate)
    before = spans(solid)
    assert len(before.span_mm)

    def gives_up(_: object) -> None:
        raise shapely.GEOSException("side location conflict")

    monkeypatch.setattr(shapely, "build_area", gives_up)
    assert spans(solid).span_mm == pytest.approx(before.span_mm, rel=1e-6)


def test_the_shorter_way_is_taken() -> None:
    """A tunnel 30 long and 6 wide, walled on its long sides and behind: the lines run across it."""
    tunnel = union(
        box(30, 3, 10, (0, 0, 0)), box(30, 3, 10, (0, 9, 0)), box(3, 12, 10, (30, 0, 0)),
        box(33, 12, 2, (0, 0, 10)),
    )  # fmt: skip
    assert spans(tunnel).span_mm == pytest.approx([6 - 2 * LINE], rel=0.02)


def test_slopes_are_none() -> None:
    vault = trimesh.creation.icosphere(4, radius=20.0)  # leans out ever more gently: each line on the last
    assert len(spans(vault).layer) == 0


def test_a_real_head_has_few(head: Callable[..., Any]) -> None:
    shape = head(5)
    mesh = trimesh.Trimesh(shape.vertices * 0.25, shape.faces, process=False)
    before = mesh.vertices.tobytes(), mesh.faces.tobytes()
    found = spans(mesh)
    assert len(found.layer) <= 3
    assert before == (mesh.vertices.tobytes(), mesh.faces.tobytes())


def test_area_between_heights_comes_to_the_whole(head: Callable[..., Any]) -> None:
    """Each triangle's share below a height, by clipping it there with trimesh."""
    shape = head(3)
    mesh = shape.mesh()
    low, high = mesh.bounds[:, 2]
    heights = np.linspace(low, high, 9)[1:-1]
    passed = area_by_gap(
        np.array(mesh.vertices[:, 2]), np.array(mesh.faces, np.int64), np.array(mesh.area_faces), heights
    )
    assert passed.sum() == pytest.approx(mesh.area)
    for k, height in enumerate(heights):
        under = mesh.slice_plane([0, 0, height], [0, 0, -1])
        assert passed[: k + 1].sum() == pytest.approx(under.area, rel=1e-6)
