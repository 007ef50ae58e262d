"""What a rung's work is held against. Judge: the engine's witness, which shares no code with the steps."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from fettlebox.mesh import Part
from fettlebox.mesh.soundness import inspect
from fettlebox_steps.geometry.acceptance import judge
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
