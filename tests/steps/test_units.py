"""The unit of a scan: declared, or judged by size. Right or held; never wrong and done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import HoldError, Origin, Part, StepContext, StepError
from fettlebox_steps.geometry.usual_size import UNIT_MM
from fettlebox_steps.units import Params, units

# Life-size subjects by their largest extent. The first two are the 50th percentiles of head length of women
# and men in S. Pheasant, C. Haslegrave, "Bodyspace" (180 and 195 mm), as a face mask or a bare head has them.
HEADS = {"mask": 180.0, "head": 195.0, "head and neck": 290.0, "bust": 480.0}
# Common practice, no published source.
FIGURINES = {"figure": 75.0, "statuette": 160.0}

TABLE = [
    *((unit, "head", name, size) for unit in UNIT_MM for name, size in HEADS.items()),
    *((unit, "figurine", name, size) for unit in UNIT_MM for name, size in FIGURINES.items()),
]


def solid(longest: float) -> Part:
    """An egg with a neck below it, `longest` tall in the file's numbers."""
    egg = trimesh.creation.icosphere(3)
    points = np.asarray(egg.vertices) * [0.36, 0.42, 0.5]
    points[:, :2] *= np.where(points[:, 2:] < -0.2, 0.7, 1.0)
    return Part(points * longest, np.asarray(egg.faces))


def context(part: Part, **declared: Any) -> StepContext:
    return StepContext(
        Origin("scan.ply", "ply", "0" * 64, **declared), part, np.random.default_rng(0), Path()
    )


def judge(part: Part, expect: Any, **declared: Any) -> Any:
    return units(part, Params.model_validate({"expect": expect}), context(part, **declared))


@pytest.mark.parametrize(("unit", "expect", "name", "size_mm"), TABLE)
def test_right_or_held(unit: str, expect: str, name: str, size_mm: float) -> None:
    part = solid(size_mm / UNIT_MM[unit])
    try:
        result = judge(part, expect)
    except HoldError as held:
        readings = {reading["unit"]: reading for reading in held.evidence["readings"]}
        assert max(readings[unit]["size_mm"]) == pytest.approx(size_mm)
        assert set(readings) == set(UNIT_MM)
        return
    assert result.facts["unit"] == unit
    assert np.ptp(result.part.vertices[:, 2]) == pytest.approx(size_mm)
    assert result.part.life_scale == 1.0
    assert len(result.warnings) == 1, "a judged unit is never silent"


def test_most_of_the_table_is_decided() -> None:
    decided = 0
    for unit, expect, _, size_mm in TABLE:
        try:
            judge(solid(size_mm / UNIT_MM[unit]), expect)
            decided += 1
        except HoldError:
            pass
    assert decided >= 0.6 * len(TABLE)


@pytest.mark.parametrize(
    ("expect", "longest"),
    [
        ("head", 20.0),  # 200 mm as cm, 508 mm as inches: both are heads
        ("head", 1.0),  # 1 m as m, 25 mm as inches: neither is
        ("head", 3000.0),
        ("figurine", 16.0),  # a miniature in mm, or a statuette in cm
        ("figurine", 0.62),  # 16 mm as inches, 620 mm as m
        ({"height": "240 mm"}, 60.0),
    ],
)
def test_ambiguous_or_absurd_is_held_with_readings(expect: Any, longest: float) -> None:
    with pytest.raises(HoldError, match=r"read as \w+ it is .* as \w+ ") as held:
        judge(solid(longest), expect)
    assert "ticket" in str(held.value)
    shares = [reading["likely_ratio"] for reading in held.value.evidence["readings"]]
    assert sum(shares) + held.value.evidence["none_of_these_ratio"] == pytest.approx(1.0)
    assert max(shares) < 0.9


@pytest.mark.parametrize("unit", UNIT_MM)
def test_a_known_height_decides_every_unit(unit: str) -> None:
    result = judge(solid(246.0 / UNIT_MM[unit]), {"height": "240 mm"})
    assert result.facts["unit"] == unit


def test_more_certainty_is_asked_for_and_held() -> None:
    part = solid(75.0)
    assert units(part, Params(expect="figurine"), context(part)).facts["unit"] == "mm"
    strict = Params.model_validate({"expect": "figurine", "sure": "99.9 %"})
    with pytest.raises(HoldError):
        units(part, strict, context(part))


def test_debris_far_away_does_not_change_the_size() -> None:
    part = solid(290.0)
    speck = np.array([[5000.0, 0, 0], [5001.0, 0, 0], [5000.0, 1, 0]])
    both = Part(
        np.concatenate([part.vertices, speck]),
        np.concatenate([part.faces, [[len(part.vertices) + k for k in range(3)]]]),
    )
    assert judge(both, "head").facts["size_mm"][2] == pytest.approx(290.0)


def test_a_declared_unit_is_not_guessed_and_not_applied_twice() -> None:
    part = solid(290.0)
    result = judge(part, "head", unit_mm=1000.0, unit_from="ticket")
    assert result.part is part
    assert result.facts["unit"] == "m"
    assert result.facts["unit_from"] == "declared by the ticket"
    assert result.warnings == ()


def test_a_declared_unit_that_is_odd_is_warned_of() -> None:
    assert "usual" in judge(solid(600.0), "head", unit_mm=1.0).warnings[0]


def test_a_file_unit_that_is_absurd_is_held_but_a_person_is_believed() -> None:
    part = solid(0.29)
    with pytest.raises(HoldError, match=r"0\.29 mm"):
        judge(part, "head", unit_mm=1.0)
    believed = judge(part, "head", unit_mm=1.0, unit_from="ticket")
    assert believed.part is part and believed.warnings


def test_without_expectation_only_a_declared_unit_will_do() -> None:
    part = solid(290.0)
    assert judge(part, None, unit_mm=1.0).facts["unit_from"] == "declared by the file"
    with pytest.raises(HoldError, match="declares no unit"):
        judge(part, None)


def test_a_scan_without_surface_is_an_error() -> None:
    with pytest.raises(StepError):
        judge(Part(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32)), "head")


def test_real_scans(face_scan: Path, bunny_scan: Path, textured_bunny: Path) -> None:
    def load(path: Path) -> Part:
        mesh = trimesh.load(path, process=False, force="mesh")
        return Part(np.asarray(mesh.vertices), np.asarray(mesh.faces))

    face = judge(load(face_scan), "head")  # life-size in millimetres, says its publisher
    assert face.facts["unit"] == "mm"
    assert judge(load(bunny_scan), "figurine").facts["unit"] == "mm"
    with pytest.raises(HoldError):  # 15.6 of something
        judge(load(textured_bunny), "figurine")


def test_same_input_same_bytes_and_input_untouched() -> None:
    part = solid(0.29)
    before = part.digest()
    first, second = judge(part, "head"), judge(part, "head")
    assert part.digest() == before
    assert first.part.digest() == second.part.digest()
    assert np.allclose(first.part.placement, np.diag([1000.0, 1000.0, 1000.0, 1.0]))
