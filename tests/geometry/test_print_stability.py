"""How parts stand, by hand."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.print_stability import Stance, narrowest, stance


def standing(mesh: trimesh.Trimesh) -> Stance:
    return stance(np.asarray(mesh.vertices, np.float64), np.asarray(mesh.faces, np.int32))


def test_a_box() -> None:
    found = standing(trimesh.creation.box((20.0, 10.0, 30.0)))
    assert (found.height_mm, found.contact_mm2) == pytest.approx((30.0, 200.0))
    assert (found.width_mm, found.slenderness) == pytest.approx((10.0, 3.0))
    assert found.centre_mm == pytest.approx([0.0, 0.0, 15.0], abs=1e-9)
    # The centre is 15 up and 5 from the nearer edges: it tips at atan(5/15).
    assert found.tips_beyond_deg == pytest.approx(18.435, abs=1e-3)
    assert found.risk == "low"


@pytest.mark.parametrize(("height", "risk"), [(30.0, "low"), (50.0, "some"), (90.0, "high")])
def test_a_column_is_at_more_risk_the_taller_it_is(height: float, risk: str) -> None:
    assert standing(trimesh.creation.box((10.0, 10.0, height))).risk == risk


def test_a_cone_stands_on_its_base_and_not_on_its_tip() -> None:
    cone = trimesh.creation.cone(10.0, 20.0, sections=90)
    # The centre of a cone is a quarter of its height up.
    assert standing(cone).centre_mm[2] == pytest.approx(5.0)
    assert standing(cone).risk == "low"
    cone.apply_transform(trimesh.transformations.rotation_matrix(np.pi, [1, 0, 0]))
    upside_down = standing(cone)
    assert (upside_down.contact_mm2, upside_down.risk) == (0.0, "high")


def test_a_leaning_tower_topples() -> None:
    tower = trimesh.creation.box((10.0, 10.0, 60.0))
    tower.vertices[:, 0] += np.asarray(tower.vertices)[:, 2] * 0.5
    found = standing(tower)
    # Its centre is 15 off the middle of a foot that reaches out 5, and 30 up.
    assert found.margin_mm == pytest.approx(-10.0)
    assert found.tips_beyond_deg == pytest.approx(-18.435, abs=1e-3)
    assert found.risk == "high"


def test_narrowest_way_across() -> None:
    # An equilateral triangle of side 2 is √3 wide; a turned square is as wide as its side.
    triangle = np.array([[0.0, 0.0], [2.0, 0.0], [1.0, np.sqrt(3.0)]])
    assert narrowest(triangle) == pytest.approx(np.sqrt(3.0))
    assert narrowest(np.array([[1.0, 0], [0, 1.0], [-1.0, 0], [0, -1.0]])) == pytest.approx(np.sqrt(2.0))
    assert narrowest(triangle[:2]) == 0.0
    assert narrowest(np.array([[0.0, 0], [1, 1], [2, 2], [3, 3]])) == 0.0
