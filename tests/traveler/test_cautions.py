"""Each caution appears when its hazard is there, and only then."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fettlebox.traveler.cautions import CAUTIONS, cautions_for, fits_small_parts_cylinder
from fettlebox.traveler.record import JobRecord


def _has(record: JobRecord, word: str) -> bool:
    return any(word in sentence for sentence in cautions_for(record))


def test_every_caution_is_a_sentence_and_says_when() -> None:
    for caution in CAUTIONS:
        assert caution.sentence[0].isupper() and caution.sentence.endswith(".") and caution.when


def test_a_rejected_scan_has_no_part_to_be_careful_with(rejected: JobRecord) -> None:
    assert cautions_for(rejected) == ()


def test_resin_only_in_hollow_parts(done: JobRecord) -> None:
    assert not _has(done, "uncured")
    assert _has(replace(done, after={**done.after, "cavities": 1}), "uncured")
    opened = replace(done.steps[3], facts={"can_trap_liquid": True})
    assert _has(replace(done, steps=(*done.steps, opened)), "uncured")
    assert not _has(replace(done, steps=(*done.steps, replace(opened, outcome="skipped"))), "uncured")


@pytest.mark.parametrize(
    ("size_mm", "fits"),
    [
        # 16 CFR 1501.4: 1.25 in across, sloping from 1 in to 2.25 in deep (values from memory).
        ([31.0, 31.0, 57.0], True),
        ([57.0, 10.0, 31.0], True),
        ([32.0, 32.0, 20.0], False),
        ([10.0, 10.0, 60.0], False),
    ],
)
def test_small_parts(done: JobRecord, size_mm: list[float], fits: bool) -> None:
    assert fits_small_parts_cylinder(size_mm) is fits
    assert _has(replace(done, after={**done.after, "size_mm": size_mm}), "swallow") is fits


def test_a_face_is_biometric(done: JobRecord) -> None:
    assert _has(done, "biometric")
    thing = replace(
        done,
        scan={"name": "gearbox.stl"},
        recipe={**done.recipe, "name": "machine-part"},
        steps=done.steps[1:],
    )
    assert not _has(thing, "biometric")
    assert _has(replace(thing, recipe={**done.recipe, "name": "quarter-bust"}), "biometric")
    assert _has(replace(thing, scan={"name": "Face007.ply"}), "biometric")
    assert not _has(replace(thing, scan={"name": "surface.ply"}), "biometric")


def test_food_certificates_and_local_codes_are_always_named(done: JobRecord) -> None:
    for word in ("food", "medical", "Local codes"):
        assert _has(done, word)
