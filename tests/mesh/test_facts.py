"""Facts against closed forms and two independent libraries."""

from __future__ import annotations

import math

import numpy as np
import pymeshlab
import pytest
import trimesh
from fettlebox.mesh import Part
from fettlebox.mesh import facts as facts_module
from fettlebox.mesh.facts import measure
from fettlebox.mesh.topology import bodies


def part_of(mesh: trimesh.Trimesh) -> Part:
    return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int32))


def test_an_icosahedron_has_the_handbook_volume() -> None:
    """CRC Standard Mathematical Tables: V = 5(3+sqrt 5)/12 a^3, A = 5 sqrt(3) a^2."""
    solid = trimesh.creation.icosahedron()
    edge = float(solid.edges_unique_length[0])
    facts = measure(part_of(solid))
    assert facts["volume_mm3"] == pytest.approx(5 * (3 + math.sqrt(5)) / 12 * edge**3, rel=1e-9)
    assert facts["area_mm2"] == pytest.approx(5 * math.sqrt(3) * edge**2, rel=1e-9)
    assert facts["triangles"] == 20
    assert facts["vertices"] == 12


@pytest.mark.parametrize("detail", [4, 5])
def test_a_fine_ball_and_torus_come_close_to_the_handbook(detail: int) -> None:
    """CRC: ball 4/3 pi r^3; torus 2 pi^2 R r^2 (Pappus). The facets lie inside by their sag."""
    sag = (math.pi / 2**detail / 3) ** 2
    ball = measure(part_of(trimesh.creation.icosphere(detail, 10.0)))
    assert ball["volume_mm3"] == pytest.approx(4 / 3 * math.pi * 1000, rel=sag)
    torus = measure(part_of(trimesh.creation.torus(20, 5, 2**detail * 4, 2**detail * 2)))
    assert torus["volume_mm3"] == pytest.approx(2 * math.pi**2 * 20 * 25, rel=4 * sag)


def test_facts_agree_with_trimesh_and_pymeshlab_on_a_real_scan(bunny_scan) -> None:
    scan = trimesh.load_mesh(bunny_scan, process=False)
    facts = measure(part_of(scan))
    other = pymeshlab.MeshSet()
    other.load_new_mesh(str(bunny_scan))
    measured, counted = other.get_geometric_measures(), other.get_topological_measures()
    assert facts["area_mm2"] == pytest.approx(scan.area, rel=1e-9)
    assert facts["area_mm2"] == pytest.approx(measured["surface_area"], rel=1e-5)
    assert facts["triangles"] == counted["faces_number"]
    assert facts["closed"] == scan.is_watertight == (counted["boundary_edges"] == 0)
    assert facts["bodies"] == counted["connected_components_number"]
    assert facts["rims"] > 0
    assert facts["size_mm"] == pytest.approx(list(scan.extents))


def test_a_cavity_is_no_body_and_takes_volume_away() -> None:
    inner = trimesh.creation.icosphere(3, 5.0)
    inner.invert()
    facts = measure(part_of(trimesh.util.concatenate([trimesh.creation.icosphere(3, 10.0), inner])))
    assert (facts["bodies"], facts["cavities"], facts["sound"]) == (1, 1, True)
    whole = measure(part_of(trimesh.creation.icosphere(3, 10.0)))["volume_mm3"]
    assert facts["volume_mm3"] == pytest.approx(whole * (1 - 0.125), rel=1e-9)


def test_nothing_has_facts_too() -> None:
    facts = measure(Part(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)))
    assert (facts["triangles"], facts["closed"], facts["sound"], facts["volume_mm3"]) == (
        0,
        False,
        False,
        None,
    )


def test_how_faces_hang_together_is_found_once_for_all_places_of_a_part(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Scaled by 2, a surface is four times as large and its volume eight times; nothing is searched anew."""
    ball = trimesh.creation.icosphere(3, 10.0)
    part = part_of(trimesh.util.concatenate([ball, trimesh.creation.box((1, 1, 1))]))
    first = measure(part, witness=False)
    searched = []
    monkeypatch.setattr(facts_module, "bodies", lambda *given: searched.append(given) or bodies(*given))
    grown = measure(part.scaled(2.0), witness=False)
    assert not searched
    assert grown["volume_mm3"] == pytest.approx(8 * first["volume_mm3"])
    assert grown["area_mm2"] == pytest.approx(4 * first["area_mm2"])
    counts = ("triangles", "vertices", "closed", "bodies", "cavities", "rims")
    assert [grown[name] for name in counts] == [first[name] for name in counts] == [1292, 650, True, 2, 0, 0]
    opened = part.with_mesh(part.vertices, part.faces[1:])
    assert (measure(opened, witness=False)["rims"], len(searched)) == (1, 1)
