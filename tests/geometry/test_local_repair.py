from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry import local_repair as module
from fettlebox_steps.geometry.acceptance import judge
from fettlebox_steps.geometry.carrying import unmoved_faces
from fettlebox_steps.geometry.local_repair import heal_crossings


def test_a_spike_through_the_wall_is_cut_out_and_the_rest_stays(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    broken = ball.vertices.copy()
    spikes = [100, 7000]  # needles right through the ball and out of the other side
    for i in spikes:
        broken[i] = -1.2 * ball.vertices[i]
    assert judge(broken, ball.faces).crossing_faces
    vertices, faces, rounds = heal_crossings(broken, ball.faces)
    assert 1 <= rounds <= 6
    assert judge(vertices, faces).faults() == {}
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight and mesh.euler_number == 2
    assert mesh.volume == pytest.approx(ball.volume_mm3, rel=2e-3)
    kept = {tuple(p) for p in vertices.tolist()}
    places = [sign * ball.vertices[i] for i in spikes for sign in (1, -1)]
    near = np.min([np.linalg.norm(ball.vertices - place, axis=1) for place in places], axis=0)
    far = ball.vertices[near > 30]
    assert all(tuple(p) in kept for p in far.tolist())


def test_a_sound_surface_is_returned_as_it_is(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    vertices, faces, rounds = heal_crossings(ball.vertices, ball.faces)
    assert (vertices is ball.vertices, faces is ball.faces, rounds) == (True, True, 0)


def test_two_balls_through_one_another_are_no_local_matter(sphere: Callable) -> None:
    ball = sphere(50.0, 3)
    both = np.concatenate([ball.vertices, ball.vertices + np.array([1.0, 0, 0])])
    healed = heal_crossings(both, np.concatenate([ball.faces, ball.faces + len(ball.vertices)]))
    assert healed is None or set(judge(*healed[:2]).faults()) <= {"misplaced_bodies"}


def test_a_wall_that_crosses_the_scan_gives_way_to_it(sphere: Callable) -> None:
    ball = sphere(50.0, 4)
    low = ball.vertices[ball.faces].mean(axis=1)[:, 2] < -20
    broken = ball.vertices.copy()
    inner = np.setdiff1d(ball.faces[low], ball.faces[~low])
    for i in inner[[3, 40]]:  # of the part that is ours, two needles through the scan and out of it
        broken[i] = -1.2 * ball.vertices[i]
    vertices, faces, _ = heal_crossings(broken, ball.faces, ours=low)
    assert judge(vertices, faces).faults() == {}
    scan = ball.faces[~low]
    assert unmoved_faces(broken, scan, vertices, faces).all()
    bare = heal_crossings(broken, ball.faces)
    assert not unmoved_faces(broken, scan, *bare[:2]).all(), "without knowing whose is what, the scan is cut"
    assert trimesh.Trimesh(vertices, faces, process=False).volume == pytest.approx(ball.volume_mm3, rel=2e-2)


@pytest.mark.parametrize(
    ("below_mm", "scan_is_cut"),
    [
        pytest.param(-20.0, False, id="needles of ours, through the scan"),
        pytest.param(-49.8, True, id="needles of the scan, far from what is ours"),
    ],
)
def test_within_a_window_what_is_ours_gives_way_as_it_does_without_one(
    sphere: Callable, monkeypatch: pytest.MonkeyPatch, below_mm: float, scan_is_cut: bool
) -> None:
    ball = sphere(50.0, 6)
    ours = ball.vertices[ball.faces].mean(axis=1)[:, 2] < below_mm
    broken = ball.vertices.copy()
    places = ball.vertices[np.setdiff1d(ball.faces[ball.vertices[ball.faces].mean(axis=1)[:, 2] < -20], [])]
    for place in places[[3, 40]]:
        i = int(np.flatnonzero((ball.vertices == place).all(axis=1))[0])
        broken[i] = -1.2 * ball.vertices[i]
    windows: list[bool] = []
    within = module._healed_within

    def watched(*given: object) -> object:
        windows.append(False)
        healed = within(*given)  # raises where the window is too narrow
        windows[-1] = healed is not None
        return healed

    monkeypatch.setattr(module, "_healed_within", watched)
    vertices, faces, rounds = heal_crossings(broken, ball.faces, ours=ours)
    assert windows == [True], "it was healed in its window"
    assert inspect(Part(vertices, faces)).reasons == ()
    scan = ball.faces[~ours]
    assert unmoved_faces(broken, scan, vertices, faces).all() == (not scan_is_cut)
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    assert mesh.is_watertight and mesh.euler_number == 2
    assert mesh.volume == pytest.approx(ball.volume_mm3, rel=2e-3)

    def too_narrow(*_: object) -> object:
        raise module._TooNarrowError

    monkeypatch.setattr(module, "_healed_within", too_narrow)
    bare_vertices, bare_faces, bare_rounds = heal_crossings(broken, ball.faces, ours=ours)
    assert bare_rounds == rounds
    window, bare = (p[np.lexsort(p.T)] for p in (vertices, bare_vertices))
    np.testing.assert_array_equal(window, bare)
    assert len(faces) == len(bare_faces)
