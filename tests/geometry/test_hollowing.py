"""Inner walls that cross themselves are healed and proven anew, or drawn again with rounded edges."""

from __future__ import annotations

from typing import Any

import igl
import numpy as np
import pytest
import trimesh
from fettlebox.api import Part
from fettlebox.mesh import soundness
from fettlebox_steps.geometry import hollowing
from fettlebox_steps.geometry.cavity import InnerWall
from fettlebox_steps.geometry.distance import DistanceTree
from fettlebox_steps.geometry.hollowing import _sound, hollowed


def _arrays(mesh: Any) -> tuple[np.ndarray, np.ndarray]:
    return np.array(mesh.vertices), np.array(mesh.faces, np.int64)


def _reasons(vertices: np.ndarray, faces: np.ndarray) -> tuple[str, ...]:
    return soundness.inspect(Part(vertices, faces.astype(np.int32))).reasons


@pytest.fixture
def outer() -> tuple[np.ndarray, np.ndarray]:
    return _arrays(trimesh.creation.icosphere(4, radius=20.0))


def _pierced() -> tuple[np.ndarray, np.ndarray]:
    """A ball whose topmost vertex is pulled out through its other side, where it still is 3.5 mm deep."""
    vertices, faces = _arrays(trimesh.creation.icosphere(4, radius=15.0))
    vertices[vertices[:, 2].argmax()] += [0.2, 0.1, -31.5]
    return vertices, faces


def _two() -> tuple[np.ndarray, np.ndarray]:
    """Two closed walls through one another, which no cutting and filling makes two again."""
    one = trimesh.creation.icosphere(3, radius=8.0)
    other = one.copy()
    other.apply_translation([9.0, 0.1, 0.2])
    return _arrays(trimesh.util.concatenate([one, other]))


def test_a_wall_that_crosses_itself_is_healed_and_as_thick_as_asked(
    outer: tuple[np.ndarray, np.ndarray],
) -> None:
    vertices, faces = _pierced()
    assert _reasons(vertices, faces) != ()
    healed = _sound(vertices, faces, DistanceTree.of(*outer), 2.0)
    assert healed is not None
    assert _reasons(*healed) == ()
    squared = igl.point_mesh_squared_distance(np.ascontiguousarray(healed[0]), *outer)[0]
    assert np.sqrt(squared).min() >= 2.0
    # a ball inscribed with facets of 1.1 mm, of which a few are lost
    assert trimesh.Trimesh(*healed).volume == pytest.approx(4 / 3 * np.pi * 15**3, rel=0.005)


def test_a_healed_wall_that_would_be_too_thin_is_none(outer: tuple[np.ndarray, np.ndarray]) -> None:
    assert _sound(*_pierced(), DistanceTree.of(*outer), 5.0) is None  # 15 + 5, but the facets lie inside 20


def test_walls_that_grow_together_in_healing_are_none(outer: tuple[np.ndarray, np.ndarray]) -> None:
    assert _sound(*_two(), DistanceTree.of(*outer), 2.0) is None


@pytest.mark.parametrize("drawn", ["not proven", "not healed"])
def test_where_no_sharp_wall_will_do_one_with_rounded_edges_is_drawn(
    drawn: str, outer: tuple[np.ndarray, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = DistanceTree.of(*outer)
    assert hollowed(*outer, tree, 2.0, 0.5, 1.0).sharp
    bad = None if drawn == "not proven" else InnerWall(*_two(), 0.5, 2.0)
    monkeypatch.setattr(hollowing, "dual_wall", lambda *_: bad)
    made = hollowed(*outer, tree, 2.0, 0.5, 1.0)
    assert not made.sharp
    assert made.cell_mm < 0.5
    assert _reasons(made.vertices, made.faces[:, ::-1]) == ()
    squared = igl.point_mesh_squared_distance(np.ascontiguousarray(made.vertices), *outer)[0]
    assert 2.0 <= np.sqrt(squared).min() <= np.sqrt(squared).max() <= 2.09
