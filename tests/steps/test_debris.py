"""Loose bits dropped, accounted for to the last one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError
from fettlebox_steps.debris import Params, debris


def context(part: Part) -> StepContext:
    return StepContext(Origin("scan.ply", "ply", "0" * 64), part, np.random.default_rng(0), Path())


def balls(*radii: float, **more: Any) -> Part:
    """Balls in a row that do not touch, each with a colour of its own."""
    points, faces, colours, x, n = [], [], [], 0.0, 0
    for i, radius in enumerate(radii):
        ball = trimesh.creation.icosphere(2, radius=radius)
        x += radius
        points.append(np.asarray(ball.vertices) + np.array([x, 0, 0]))
        x += radius + 1
        faces.append(np.asarray(ball.faces) + n)
        colours.append(np.full((len(ball.vertices), 4), i, np.uint8))
        n += len(ball.vertices)
    return Part(np.concatenate(points), np.concatenate(faces), np.concatenate(colours), **more)


def test_pieces_under_the_share_go_and_the_rest_is_bit_for_bit_the_same() -> None:
    placement = np.diag([2.0, 2, 2, 1])
    part = balls(10, 0.5, 4, placement=placement)
    before = part.digest()
    result = debris(part, Params(under="2 %"), context(part))
    assert part.digest() == before
    assert result.facts["pieces_found"] == 3
    assert result.facts["pieces_dropped"] == 1
    # areas go with the square of the radius
    assert result.facts["dropped_area_share"] == pytest.approx(0.25 / 116.25)
    assert result.facts["largest_dropped_share"] == pytest.approx(0.25 / 116.25)
    assert result.part.vertices.tobytes() == balls(10, 0.5, 4).vertices[np.r_[:162, 324:486]].tobytes()
    assert np.unique(result.part.colours).tolist() == [0, 2]
    assert result.reference is result.part
    assert (result.reference.placement == placement).all()
    assert result.warnings == ()


def test_a_dropped_piece_that_could_be_missed_is_said() -> None:
    part = balls(10, 1.2)
    result = debris(part, Params(under="2 %"), context(part))
    assert len(result.warnings) == 1
    assert "1.4%" in result.warnings[0]


def test_without_debris_the_part_passes_as_it_is() -> None:
    part = balls(10, 8)
    result = debris(part, Params(), context(part))
    assert result.part is part
    assert result.reference is None
    assert result.facts["pieces_dropped"] == 0


def test_the_largest_piece_stays_whatever_the_share() -> None:
    part = balls(10, 9.9)
    with pytest.raises(HoldError, match="loose pieces hold 49%"):
        debris(part, Params(under="50 %"), context(part))
    alone = balls(10)
    assert debris(alone, Params(under="50 %"), context(alone)).part is alone


def test_a_figure_in_many_small_parts_is_held_rather_than_lost() -> None:
    part = balls(10, *[1.2] * 30)
    with pytest.raises(HoldError) as held:
        debris(part, Params(under="2 %"), context(part))
    assert held.value.evidence["pieces_dropped"] == 30


def test_a_texture_seam_is_no_gap() -> None:
    ball = trimesh.creation.icosphere(2, radius=10)
    soup = np.asarray(ball.vertices)[ball.faces].reshape(-1, 3)
    part = Part(soup, np.arange(len(soup)).reshape(-1, 3))
    assert debris(part, Params(), context(part)).facts["pieces_found"] == 1


def test_an_empty_scan_is_refused() -> None:
    part = Part(np.zeros((3, 3)), np.zeros((0, 3), np.int32))
    with pytest.raises(StepError, match="no faces"):
        debris(part, Params(), context(part))


def test_a_real_scan_loses_its_crumbs_only(face_scan: Path) -> None:
    mesh = trimesh.load(face_scan, process=False)
    part = Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    result = debris(part, Params(), context(part))
    # counted with trimesh, which takes flaps that hang by one vertex for pieces of their own
    pieces = mesh.split(only_watertight=False)
    large = [p for p in pieces if p.area > 0.02 * mesh.area]
    assert result.facts["pieces_kept"] == len(large) == 2
    assert 0 <= len(result.part.faces) - sum(len(p.faces) for p in large) < 10
    assert result.facts["dropped_area_share"] < 0.005
