"""A table's stances, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.resting import centre_of_mass, resting_faces
from fettlebox_steps.geometry.stance_choice import Cost, stance_costs

FRONT = np.array([0.0, -1.0, 0.0])


@pytest.fixture(scope="module")
def costs() -> dict[tuple[int, ...], Cost]:
    """A top 40 × 40 × 4 on four legs 6 × 6 × 30, by the axis that is down."""
    top = trimesh.creation.box((40.0, 40.0, 4.0)).apply_translation([0, 0, 32.0])
    legs = [
        trimesh.creation.box((6.0, 6.0, 31.0)).apply_translation([x, y, 15.5])
        for x in (-17, 17)
        for y in (-17, 17)
    ]
    table = trimesh.boolean.union([top, *legs], engine="manifold")
    vertices, faces = np.asarray(table.vertices, float), np.asarray(table.faces, np.int32)
    rests = resting_faces(vertices, faces, centre_of_mass(vertices, faces)[0], 0.01)
    found = stance_costs(vertices, faces, rests, FRONT)
    return {tuple(np.rint(rest.normal).astype(int)): cost for rest, cost in zip(rests, found, strict=True)}


def test_support(costs: dict[tuple[int, ...], Cost]) -> None:
    """On its legs the top hangs 30 up, but for the legs themselves; on its top nothing hangs. On a side the
    upper legs hang: two 6 wide and 30 long, 28 above the lower ones, which stand 6 off the bed's line."""
    assert costs[0, 0, -1].support_mm3 == pytest.approx((40 * 40 - 4 * 36) * 30, rel=0.02)
    assert costs[0, 0, 1].support_mm3 == pytest.approx(0, abs=1)
    assert costs[1, 0, 0].support_mm3 == pytest.approx(2 * 6 * 30 * 28, rel=0.02)


def test_height_and_firmness(costs: dict[tuple[int, ...], Cost]) -> None:
    top, legs = 40 * 40 * 4, 4 * 36 * 30
    centre = (top * 32 + legs * 15) / (top + legs)
    assert costs[0, 0, -1].height_mm == pytest.approx(34) and costs[1, 0, 0].height_mm == pytest.approx(40)
    assert costs[0, 0, -1].tips_deg == pytest.approx(np.degrees(np.arctan(20 / centre)), abs=0.01)
    assert costs[0, 0, 1].tips_deg == pytest.approx(np.degrees(np.arctan(20 / (34 - centre))), abs=0.01)
    assert costs[0, 0, 1].unsteady_share == 0.0


def test_scars(costs: dict[tuple[int, ...], Cost]) -> None:
    """Seen from the front: the top's edge and the legs, the rear ones too. On its front all of that is down;
    on its back, its legs or its top none of it."""
    assert costs[0, -1, 0].scarred_share == pytest.approx(1.0)
    assert (
        costs[0, 1, 0].scarred_share == costs[0, 0, -1].scarred_share == costs[0, 0, 1].scarred_share == 0.0
    )


def test_a_finer_surface_and_another_place_change_nothing() -> None:
    box = trimesh.creation.box((10.0, 20.0, 30.0))
    found = []
    for solid in (box, box.copy().subdivide().subdivide().apply_translation([500.0, -300.0, 7.0])):
        vertices, faces = np.asarray(solid.vertices, float), np.asarray(solid.faces, np.int32)
        rests = resting_faces(vertices, faces, centre_of_mass(vertices, faces)[0], 0.01)
        rests.sort(key=lambda rest: tuple(np.rint(rest.normal)))
        found.append(
            [(c.height_mm, c.tips_deg, c.scarred_share) for c in stance_costs(vertices, faces, rests, FRONT)]
        )
    assert len(found[0]) == 6
    assert np.allclose(*found)
