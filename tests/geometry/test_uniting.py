from __future__ import annotations

import numpy as np
import pytest
import trimesh
from fettlebox_steps.geometry.uniting import bodies_of, unite


def box(x: float) -> tuple[np.ndarray, np.ndarray]:
    made = trimesh.creation.box([10, 10, 10], transform=trimesh.transformations.translation_matrix([x, x, x]))
    return np.asarray(made.vertices), np.asarray(made.faces, np.int64)


def test_the_union_has_the_volume_of_both_less_what_they_share() -> None:
    # inclusion and exclusion: |A ∪ B| = |A| + |B| − |A ∩ B|
    points, faces = unite([box(0), box(4)], 1e-6)
    mesh = trimesh.Trimesh(points, faces, process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(2 * 1000 - 6**3)
    corners = {tuple(p) for p in points.tolist()}
    assert (-5.0, -5.0, -5.0) in corners and (9.0, 9.0, 9.0) in corners


def test_bodies_apart_stay_apart_and_one_inside_is_swallowed() -> None:
    inner = box(0)
    points, faces = unite([box(0), box(40), (inner[0] / 2, inner[1])], 1e-6)
    bodies = bodies_of(points, faces)
    assert sorted(len(f) for _, f in bodies) == [12, 12]


def test_an_open_body_is_refused() -> None:
    points, faces = box(0)
    with pytest.raises(ValueError, match="no solid"):
        unite([(points, faces[1:])], 1e-6)


def test_the_same_bytes_twice() -> None:
    one, two = unite([box(0), box(4)], 1e-6), unite([box(0), box(4)], 1e-6)
    assert [a.tobytes() for a in one] == [a.tobytes() for a in two]
