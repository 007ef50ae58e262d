from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.struts import SIDES, TooFarApartError, join, strut
from fettlebox_steps.geometry.uniting import Solid


def balls(*centres: float, radius: float = 20.0) -> Solid:
    parts = [trimesh.creation.icosphere(3, radius=radius).apply_translation([x, 0, 0]) for x in centres]
    mesh = trimesh.util.concatenate(parts)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int64)


def test_a_strut_is_a_closed_prism_of_known_volume() -> None:
    start, end = np.array([1.0, 2, 3]), np.array([4.0, 6, 3])
    points, faces = strut(start, end, 0.5)
    assert inspect(Part(points, faces)).reasons == ()
    # a regular polygon of n corners has the area n/2·r²·sin(2π/n) (CRC Standard Mathematical Tables)
    area = SIDES / 2 * 0.25 * np.sin(2 * np.pi / SIDES)
    assert trimesh.Trimesh(points, faces).volume == pytest.approx(area * (5 + 1))


def test_bodies_become_one_across_their_narrowest_gaps() -> None:
    solid = balls(0, 44, 90)
    before = solid[0].tobytes()
    (points, faces), gaps = join(solid, 1e-5)
    sound = inspect(Part(points, faces))
    assert (sound.reasons, sound.bodies) == ((), 1)
    assert gaps == pytest.approx([4, 6], abs=0.5)
    old, new = trimesh.Trimesh(*solid).volume, trimesh.Trimesh(points, faces).volume
    assert old < new < 1.02 * old
    assert solid[0].tobytes() == before


def test_a_wide_gap_is_not_bridged() -> None:
    with pytest.raises(TooFarApartError) as refused:
        join(balls(0, 80), 1e-5)
    assert refused.value.gap_mm == pytest.approx(40, abs=1)
