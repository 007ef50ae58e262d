"""What a rung's work is held against. Judge: the engine's witness, which shares no code with the steps."""

from __future__ import annotations

from collections.abc import Callable

import igl
import numpy as np
import pytest
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.acceptance import judge
from fettlebox_steps.geometry.closing import close_scan
from fettlebox_steps.geometry.rungs import _anew, healed_solid

OLD_NEEDLES = (100, 7000)
NEW_NEEDLE = 4000


def needled(vertices: np.ndarray, which: tuple[int, ...]) -> np.ndarray:
    """Vertices drawn right through a ball and out of the other side."""
    points = vertices.copy()
    for i in which:
        points[i] = -1.2 * vertices[i]
    return points


@pytest.mark.parametrize(
    ("which", "sound"),
    [
        pytest.param((), True, id="both places mended"),
        pytest.param(OLD_NEEDLES, False, id="nothing mended"),
        pytest.param(OLD_NEEDLES[:1], False, id="one of two places mended"),
        pytest.param((NEW_NEEDLE,), False, id="both mended, and what was mended crosses what was sound"),
    ],
)
def test_proving_what_is_new_or_was_bad_finds_what_proving_everything_does(
    sphere: Callable, which: tuple[int, ...], sound: bool
) -> None:
    ball = sphere(50.0, 5)
    before = needled(ball.vertices, OLD_NEEDLES)
    verdict = judge(before, ball.faces)
    assert verdict.offending is not None and verdict.offending.any()
    after = needled(ball.vertices, which)
    asked = _anew((before, ball.faces), verdict, after, ball.faces)
    assert asked.any() and not asked.all(), "some faces were held against one another before"
    found = judge(after, ball.faces, only=asked)
    assert found.sound is sound
    assert (inspect(Part(after, ball.faces)).reasons == ()) is sound
    whole = judge(after, ball.faces)
    assert set(found.faults()) == set(whole.faults())
    assert found.volume_mm3 == whole.volume_mm3


def test_a_healed_solid_is_sound_as_a_whole_though_only_what_is_new_was_asked(sphere: Callable) -> None:
    ball = sphere(50.0, 5)
    before = needled(ball.vertices, OLD_NEEDLES), ball.faces
    healed, why_not = healed_solid(before, judge(*before))
    assert healed is not None, why_not
    assert judge(*healed).faults() == {}
    assert inspect(Part(*healed)).reasons == ()


def test_where_mending_the_wall_takes_too_much_of_it_the_bad_place_alone_is_mended(
    torus: Callable, raw_scan: Callable
) -> None:
    """Of a ring seen askew, two triangles lie folded; rings of the wall's around them are half its height."""
    ring = torus(40.0, 14.0, 100, 40)
    scan = raw_scan(ring, 8201, noise_mm=0.3, holes=4, seen_from=(0.3, -1.0, 0.3))
    closed = close_scan(scan.vertices, scan.faces, gather="unite")
    assert inspect(Part(closed.vertices, closed.faces)).reasons == ()
    assert closed.rung == "local" and closed.frame is not None and closed.frame.straight
    kept = scan.faces[closed.input_kept]
    points = scan.vertices[np.unique(kept)]
    edge_mm = np.median(np.linalg.norm(scan.vertices[kept[:, 0]] - scan.vertices[kept[:, 1]], axis=1))
    seen = points[distance_mm(points, ring.vertices, ring.faces) < 4 * 0.3]  # no tips of fins
    assert np.percentile(distance_mm(seen, closed.vertices, closed.faces), 99.9) <= 0.5 * edge_mm


def distance_mm(points: np.ndarray, vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    squared, _, _ = igl.point_mesh_squared_distance(points, vertices, faces.astype(np.int64))
    return np.sqrt(squared)
