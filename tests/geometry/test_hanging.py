"""Ends that hang down, of shapes whose ends are known."""

from __future__ import annotations

import numpy as np
import trimesh
from fettlebox_steps.geometry.hanging import hanging, undersides
from numpy.typing import NDArray


def head() -> trimesh.Trimesh:
    """A ball on a neck, with a chin: a ball in front whose lower end is at -30, above the neck's at -50."""
    skull = trimesh.creation.icosphere(4, 40.0).apply_translation([0, 0, 40.0])
    neck = trimesh.creation.cylinder(18.0, 60.0, sections=64).apply_translation([0, 0, -20.0])
    chin = trimesh.creation.icosphere(4, 14.0).apply_translation([0, -36.0, -16.0])
    jaw = trimesh.creation.cylinder(10.0, 40.0, sections=32).apply_translation([0, -36.0, 4.0])
    return trimesh.boolean.union([skull, neck, chin, jaw], engine="manifold")


def of(solid: trimesh.Trimesh, deeper_mm: float, above_mm: float) -> NDArray[np.float64]:
    vertices = np.asarray(solid.vertices, dtype=np.float64)
    return vertices[hanging(vertices, np.asarray(solid.faces, np.int32), deeper_mm, above_mm)]


def test_a_chin_hangs_and_the_neck_does_not() -> None:
    found = of(head(), 5.0, -45.0)
    assert len(found) and found[:, 2].min() == -30.0
    assert (found[:, 1] < -20.0).all()


def test_how_deep_an_end_must_hang_and_what_is_a_foot() -> None:
    assert not len(of(head(), 60.0, -45.0))
    assert not len(of(head(), 5.0, -29.0))


def test_what_stands_on_one_end_has_nothing_hanging() -> None:
    for solid in (trimesh.creation.icosphere(3), trimesh.creation.box(), trimesh.creation.cone(3.0, 9.0)):
        assert not len(of(solid, 1e-6, -1e9))


def test_a_table_stands_on_one_leg_if_the_others_are_shorter() -> None:
    legs = [
        trimesh.creation.box((4.0, 4.0, 20.0 + k)).apply_translation([x, y, -k / 2])
        for k, (x, y) in enumerate([(-8, -8), (8, -8), (-8, 8), (8, 8)])
    ]
    top = trimesh.creation.box((20.0, 20.0, 4.0)).apply_translation([0, 0, 10.0])
    solid = trimesh.boolean.union([top, *legs], engine="manifold")
    # The longest leg ends at -13; the others at -10, -11 and -12 hang 18 to 20 under the top's underside, 8.
    found = of(solid, 17.0, -99.0)
    assert sorted(set(np.round(found[:, 2], 6)))[:3] == [-12.0, -11.0, -10.0]
    assert not ((found[:, 0] > 0) & (found[:, 1] > 0) & (found[:, 2] < 0)).any()
    assert not len(of(solid, 20.5, -99.0))


def test_undersides_by_hand() -> None:
    """A shelf 30 × 20 that juts out 24 from a post: its underside there is 24 × 20 = 480, 40 up."""
    post = trimesh.creation.box((6.0, 20.0, 60.0)).apply_translation([3.0, 0, 30.0])
    shelf = trimesh.creation.box((30.0, 20.0, 5.0)).apply_translation([15.0, 0, 42.5])
    solid = trimesh.boolean.union([post, shelf], engine="manifold")
    vertices, faces = np.asarray(solid.vertices, float), np.asarray(solid.faces, np.int32)
    found = vertices[undersides(vertices, faces, 470.0, 1.0)]
    assert len(found) == 4 and (found[:, 2] == 40.0).all()
    assert not undersides(vertices, faces, 490.0, 1.0).any()
    # The sole of the post, at 0, is what it stands on.
    assert undersides(vertices, faces, 100.0, -1.0).sum() == 8
