"""Which pieces of a scan end up in the part, and that each large one is accounted for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.closing import CannotCloseError, Closing, close_scan
from numpy.typing import NDArray

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


def ball(
    radius: float, at: tuple[float, float, float], without_above: float = np.inf, level: int = 3
) -> Mesh:
    mesh = trimesh.creation.icosphere(level, radius=radius)
    keep = np.asarray(mesh.triangles_center)[:, 2] < without_above
    return np.asarray(mesh.vertices) + np.array(at), np.asarray(mesh.faces, np.int64)[keep]


def together(*meshes: Mesh) -> Mesh:
    start = np.cumsum([0, *(len(v) for v, _ in meshes)])
    faces = [f + s for (_, f), s in zip(meshes, start, strict=False)]
    return np.concatenate([v for v, _ in meshes]), np.concatenate(faces)


def close(*meshes: Mesh, **options: Any) -> Closing:
    result = close_scan(*together(*meshes), **options)
    assert inspect(Part(result.vertices, result.faces)).reasons == ()
    facts = result.facts
    assert facts["pieces_found"] == len(meshes) == facts["pieces_kept"] + facts["pieces_dropped"]
    assert facts["kept_area_share"] + facts["dropped_area_share"] == pytest.approx(1)
    assert facts["pieces_lost"] == 0
    assert all(row["area_share"] > 0.005 for row in result.evidence.get("pieces", []))
    return result


def fate(result: Closing) -> list[str]:
    return [row["fate"] for row in result.evidence["pieces"]]


def test_hair_glasses_and_pedestal_that_overlap_become_one() -> None:
    parts = [ball(40, (0, 0, 0)), ball(38, (0, 10, 12)), ball(12, (0, -38, 5)), ball(30, (0, 0, -50))]
    result = close(*parts)
    assert result.facts["bodies"] == 1
    assert fate(result) == ["united"] * 4
    assert result.facts["pieces_united"] == 4


def test_overlapping_shells_with_holes_are_united_too() -> None:
    open_ball = ball(40, (0, 0, 0), without_above=37)
    result = close(open_ball, ball(36, (0, 50, 0), without_above=34))
    assert result.facts["bodies"] == 1
    assert fate(result) == ["united", "united"]


def test_one_body_within_another_is_said_to_be_enclosed() -> None:
    result = close(ball(40, (0, 0, 0)), ball(20, (0, 0, 0)))
    assert result.facts["bodies"] == 1
    assert fate(result) == ["kept", "enclosed"]
    assert trimesh.Trimesh(result.vertices, result.faces).volume == pytest.approx(
        4 / 3 * np.pi * 40**3, rel=0.02
    )


def test_the_largest_alone() -> None:
    result = close(ball(40, (0, 0, 0), 36), ball(30, (0, 90, 0)), ball(5, (0, 0, 60)), gather="largest")
    assert (result.facts["bodies"], fate(result)) == (1, ["kept", "dropped", "dropped"])
    assert sum("dropped" in w for w in result.warnings) == 2


def test_pieces_apart_stay_apart_become_one_or_are_refused() -> None:
    near = [ball(40, (0, 0, 0), 36), ball(30, (0, 75, 0))]
    assert close(*near, gather="keep").facts["bodies"] == 2
    assert close(*near).facts["bodies"] == 2, "two bodies of like size are an assembly"
    one = close(*near, gather="unite")
    assert (one.facts["bodies"], fate(one)) == (1, ["united", "united"])
    assert one.evidence["gaps_bridged_mm"] == pytest.approx([5], abs=1)
    assert any("struts" in w for w in one.warnings)
    with pytest.raises(CannotCloseError, match="pieces: keep"):
        close(near[0], ball(30, (0, 150, 0)), gather="unite")


def test_sound_bodies_apart_are_untouched_unless_they_must_be_one() -> None:
    apart = [ball(40, (0, 0, 0)), ball(30, (0, 75, 0))]
    assert close(*apart).rung == "untouched"
    assert close(*apart, gather="unite").facts["bodies"] == 1
    assert close(*apart, gather="largest").facts["bodies"] == 1


def test_keep_drops_no_small_body_of_a_subject() -> None:
    button = ball(1.5, (0, -41, 0), level=1)
    assert close(ball(40, (0, 0, 0), 36), button).facts["pieces_dropped"] == 1
    kept = close(ball(40, (0, 0, 0), 36), button, gather="keep")
    assert kept.facts["pieces_dropped"] == 0


@pytest.mark.parametrize("how", ["flat", "follow"])
def test_several_openings(torus: Callable, how: str) -> None:
    # neck and crown: a ball without its top and bottom; arms: a ring cut at two places that face one way
    both_ends = trimesh.creation.icosphere(5, radius=50)
    height = np.asarray(both_ends.triangles_center)[:, 2]
    mesh = (
        np.asarray(both_ends.vertices),
        np.asarray(both_ends.faces, np.int64)[(height > -35) & (height < 40)],
    )
    result = close(mesh, close=how)
    assert result.facts["bodies"] == 1
    ring = torus(40.0, 14.0)
    low = ring.vertices[ring.faces].mean(axis=1)[:, 2] > -30
    legs = close((ring.vertices, ring.faces[low]), close=how)
    assert legs.facts["bodies"] == 1


def test_an_opening_can_stay_while_holes_are_filled(sphere: Callable) -> None:
    whole = sphere(50.0, 5)
    middle = whole.vertices[whole.faces].mean(axis=1)
    keep = (middle[:, 2] > -30) & (np.linalg.norm(middle - [50, 0, 0], axis=1) > 5)
    result = close_scan(whole.vertices, whole.faces[keep], close="none")
    mesh = trimesh.Trimesh(result.vertices, result.faces, process=False)
    rims = [len(e.points) for e in mesh.outline().entities]
    assert (result.rung, result.facts["holes_filled"], len(rims)) == ("open", 1, 1)
    assert not mesh.is_watertight and mesh.is_winding_consistent
    whole_and_hole = whole.vertices, whole.faces[np.linalg.norm(middle - [50, 0, 0], axis=1) > 5]
    assert close(whole_and_hole, close="none").facts["bodies"] == 1, (
        "with no opening there is nothing to leave"
    )
