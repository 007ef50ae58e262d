"""Colours of a textured scan are still where they were, at the end of a recipe and in every file."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
from fettlebox.catalog import find_steps
from fettlebox.declaring import declared
from fettlebox.mesh import Part, read_scan, write_part
from fettlebox.mesh.surfaces import Surface
from fettlebox.printer import EVERYDAY
from fettlebox.recipe import parse_recipe, parse_ticket
from fettlebox.run_steps import run_steps
from numpy.typing import NDArray

RECIPE = """\
recipe: in-colour
about: Everything that touches a surface.
steps:
  - orient: as is
  - debris: 1 %
  - repair
  - smooth: {strength: 40 %, guard: 0.3 mm}
  - simplify: {within: 0.05 mm}
  - cut: {at: 6 %}
  - seat
  - scale: {by: 50 %}
deliver: []
"""
LEVELS = 255.0


@pytest.fixture(scope="module")
def textured_zip(textured_bunny: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("bunny") / "bunny.zip"
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("bunny10k_textured.obj", "bunny10k_textured.mtl", "TextureDouble_A.png"):
            if not (textured_bunny.parent / name).is_file():
                pytest.skip(f"pymeshlab ships no {name}")
            archive.write(textured_bunny.parent / name, name)
    return place


@pytest.fixture(scope="module")
def made(textured_zip: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Part, Part]:
    """The scan as declared, and the part that the recipe makes of it."""
    ticket = parse_ticket("unit: cm\nup: +y\n", "t.ticket.yaml")
    plan = parse_recipe(RECIPE, "in-colour.yaml", find_steps()).plan({}, ticket)
    scan, origin, _ = declared(read_scan(textured_zip), ticket)
    scratch = tmp_path_factory.mktemp("scratch")
    run = run_steps(scan, origin, plan, EVERYDAY, seed="1", scratch=scratch, progress=lambda step, done: None)
    assert run.complete, run.reason
    return scan, run.part


def colours_at(part: Part, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Colours (k,3), 0 to 1, of a surface at its places nearest to points (k,3), and how far they are, mm."""
    away, face, foot = Surface(part.vertices, part.faces).nearest(points)
    a, b, c = (part.vertices[part.faces[face, k]] for k in range(3))
    whole = np.cross(b - a, c - a)
    scale = np.maximum(np.einsum("ij,ij->i", whole, whole), 1e-300)
    shares = [
        np.einsum("ij,ij->i", np.cross(q - p, foot - p), whole) / scale for p, q in ((b, c), (c, a), (a, b))
    ]
    assert part.colours is not None
    found = sum(s[:, None] * part.colours[part.faces[face, k], :3] for k, s in enumerate(shares))
    return np.asarray(found) / LEVELS, away


@pytest.mark.parametrize("suffix", [".3mf", ".ply", ".glb"])
def test_colours_are_still_where_they_were(made: tuple[Part, Part], suffix: str, tmp_path: Path) -> None:
    scan, part = made
    write_part(part, tmp_path / f"p{suffix}")
    read = read_scan(tmp_path / f"p{suffix}")
    written, _, _ = declared(read, None)
    assert written.colours is not None, "the colours were lost on the way"
    assert np.allclose(written.bounds, part.bounds, atol=1e-3)
    back = scan.placement @ np.linalg.inv(part.placement)
    at_home = written.vertices @ back[:3, :3].T + back[:3, 3]
    there, away = colours_at(scan, at_home)
    # Beside the scan lies what was made on purpose: the cut, and the fill of the holes underneath.
    near = away < 0.5
    assert near.mean() > 0.95
    apart = np.abs(there - written.colours[:, :3] / LEVELS)[near].max(axis=1)
    assert np.median(apart) < 0.02
    assert (apart < 0.15).mean() > 0.9


def test_the_scan_has_more_than_one_colour(textured_zip: Path) -> None:
    """Or the test above could not fail."""
    colours = read_scan(textured_zip).part.colours
    assert colours is not None
    assert (colours[:, :3].std(axis=0) > 30).all()
    mixed = np.random.default_rng(1).permutation(colours)
    assert np.median(np.abs(mixed[:, :3].astype(int) - colours[:, :3]).max(axis=1)) > 30


@pytest.mark.parametrize("painted", [True, False], ids=["painted", "plain"])
def test_simplifying_says_when_it_costs_colours(painted: bool) -> None:
    """Without a bend nothing but the colours says that a vertex is of use."""
    from fettlebox.api import Origin, StepContext
    from fettlebox_steps.simplify import Params, simplify

    x, y = np.meshgrid(np.arange(41.0), np.arange(41.0))
    flat = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    a = np.array([j * 41 + i for j in range(40) for i in range(40)])
    faces = np.concatenate([np.stack([a, a + 1, a + 42], axis=1), np.stack([a, a + 42, a + 41], axis=1)])
    colours = np.full((len(flat), 4), 255, np.uint8)
    if painted:
        colours[(x.ravel() // 10 + y.ravel() // 10) % 2 == 0, :3] = [200, 30, 30]
    plate = Part(flat, faces, colours)
    ctx = StepContext(Origin("p.ply", "ply", "0" * 64), plate, np.random.default_rng(0), Path())
    result = simplify(plate, Params.model_validate({"within": "0.05 mm"}), ctx)
    there, _ = colours_at(result.part, plate.vertices)
    apart = np.abs(there * LEVELS - colours[:, :3]).max(axis=1)
    assert result.facts["colour_change_p95_levels"] == pytest.approx(np.percentile(apart, 95), abs=1.0)
    assert [("colours" in warning) for warning in result.warnings] == ([True] if painted else [])


def test_a_wrapped_scan_keeps_its_colours(textured_zip: Path) -> None:
    from fettlebox.api import Origin, StepContext
    from fettlebox_steps.rewrap import Params, rewrap

    scan = read_scan(textured_zip).part
    scan = Part(scan.vertices * 10, scan.faces, scan.colours)
    ctx = StepContext(Origin("b.zip", "obj", "0" * 64), scan, np.random.default_rng(0), Path())
    part = rewrap(scan, Params(), ctx).part
    assert part.colours is not None
    there, away = colours_at(scan, part.vertices)
    near = away < 0.5
    apart = np.abs(there - part.colours[:, :3] / LEVELS)[near].max(axis=1)
    assert near.mean() > 0.9
    assert np.median(apart) < 0.05
