"""split_search: cuts against shapes whose best ones are plain to see."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.split_search import Places, fewest_cuts, layer_counts, places_along


def _mesh(mesh: trimesh.Trimesh) -> tuple[np.ndarray, np.ndarray]:
    return np.array(mesh.vertices), np.array(mesh.faces, np.int64)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_seams_of_a_box_are_the_perimeters_of_its_sections(axis: int) -> None:
    sides = np.array([40.0, 30.0, 20.0])
    places = places_along(*_mesh(trimesh.creation.box(sides)), axis, None)
    a, b = np.delete(sides, axis)
    # what looks to -Y counts twice: the front edge of a level section, and that of one across X
    front = {0: 20.0, 1: 0.0, 2: 40.0}[axis]
    nearer = (15 - places.at_mm[1:-1]) / 30 if axis == 1 else 0.0  # one across the depth, the nearer the more
    assert places.seam_mm[1:-1] == pytest.approx((2 * (a + b) + front) * (1 + nearer))
    assert places.at_mm[[0, -1]] == pytest.approx([-sides[axis] / 2, sides[axis] / 2])


def test_cuts_that_would_leave_a_crumb_are_not_allowed() -> None:
    block, knob = trimesh.creation.box((60.0, 60.0, 60.0)), trimesh.creation.icosphere(3, radius=8.0)
    horn = trimesh.creation.cylinder(12.0, 40.0)
    knob.apply_translation((18, 0, 30))
    horn.apply_translation((-15, 0, 45))
    whole = trimesh.boolean.union([block, knob, horn], engine="manifold")
    places = places_along(*_mesh(whole), 2, None)
    grazing = (places.at_mm > 37.6) & (places.at_mm < 38.0)  # the knob's top is at 38
    assert grazing.any()
    assert not places.allowed[grazing].any()
    assert places.allowed[(places.at_mm > 38.1) & (places.at_mm < 64)].all()


def _even(length: float, count: int = 101) -> Places:
    at = np.linspace(0.0, length, count)
    return Places(at, np.ones(count), np.ones(count, bool))


def test_the_fewest_cuts_are_made_and_pegs_take_room() -> None:
    assert len(fewest_cuts(_even(100.0), 100.0, 10.0)) == 0  # type: ignore[arg-type]
    assert len(fewest_cuts(_even(185.0), 100.0, 10.0)) == 1  # type: ignore[arg-type]
    cuts = fewest_cuts(_even(195.0), 100.0, 10.0)  # 90 + 100 < 195
    assert cuts is not None
    assert len(cuts) == 2
    ends = np.concatenate([[0.0], cuts, [195.0]])
    assert (np.diff(ends)[:-1] <= 90.0 + 1e-9).all()
    assert ends[-1] - ends[-2] <= 100.0 + 1e-9


def test_no_way_is_told() -> None:
    places = _even(150.0)
    nowhere = Places(places.at_mm, places.seam_mm, np.isin(places.at_mm, [0.0, 150.0]))
    assert fewest_cuts(nowhere, 100.0, 0.0) is None


def test_a_layer_counts_as_many_pieces_as_its_box_needs_either_way_round() -> None:
    vertices, faces = _mesh(trimesh.creation.box((180.0, 90.0, 100.0)))
    places = places_along(vertices, faces, 2, None)
    assert layer_counts(vertices, faces, places, np.array([100.0, 200.0, 50.0]), 0.0)[0, -1] == 1
    assert layer_counts(vertices, faces, places, np.array([100.0, 100.0, 50.0]), 0.0)[0, -1] == 2
    assert layer_counts(vertices, faces, places, np.array([60.0, 50.0, 50.0]), 0.0)[0, -1] == 6
