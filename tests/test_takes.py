"""Of several takes the best is worked on; all are kept, and all grades are on record."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.mesh import Part, write_part
from fettlebox.run_once import run_once

RECIPE = """\
recipe: only-read
about: Reads.
steps:
  - units:
    otherwise: skip
  - debris: 0 %
deliver: []
"""


def take(keep_above: float, noise_mm: float = 0.0) -> Part:
    shape = trimesh.creation.icosphere(4)
    points, faces = np.asarray(shape.vertices), np.asarray(shape.faces)
    faces = faces[points[faces].mean(axis=1)[:, 2] > keep_above]
    rough = np.random.default_rng(3).normal(size=(len(points), 1)) * noise_mm / 50.0
    return Part(points * 50.0 * (1 + rough), faces)


TAKES = {"rough.ply": take(-2.0, 2.0), "half.ply": take(0.0), "whole.ply": take(-0.95)}


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "in"
    folder.mkdir()
    (tmp_path / "r.yaml").write_text(RECIPE)
    return folder


def write_takes(folder: Path) -> None:
    for name, part in TAKES.items():
        write_part(part, folder / name)


def run(inbox: Path, scan: str, ticket: str) -> tuple[Any, Path]:
    return run_once(inbox.parent / "r.yaml", inbox / scan, inbox.parent / "out", ticket=inbox / ticket)


def check_chosen(result: Any) -> None:
    scan = result.record.scan
    assert result.state == "done", result.reason
    assert scan["take"] == "whole.ply"
    assert [(t["take"], t["chosen"]) for t in scan["takes"]] == [(n, n == "whole.ply") for n in TAKES]
    grades = {t["take"]: t for t in scan["takes"]}
    assert grades["half.ply"]["facts"]["covered_ratio"] == pytest.approx(0.5, abs=0.03)
    assert grades["rough.ply"]["facts"]["noise_mm"] == pytest.approx(2.0, rel=0.2)
    assert grades["whole.ply"]["rank"] > max(grades["half.ply"]["rank"], grades["rough.ply"]["rank"])
    assert "whole.ply was chosen as the best" in result.record.warnings[0]
    assert result.record.before["triangles"] == len(TAKES["whole.ply"].faces)


def test_takes_side_by_side(inbox: Path) -> None:
    write_takes(inbox)
    (inbox / "o.takes.ticket.yaml").write_text(f"takes: [{', '.join(TAKES)}]\nunit: mm\n")
    result, folder = run(inbox, "half.ply", "o.takes.ticket.yaml")
    check_chosen(result)
    assert sorted(p.name for p in (folder / "original").iterdir()) == sorted([*TAKES, "o.takes.ticket.yaml"])
    again, _ = run(inbox, "whole.ply", "o.takes.ticket.yaml")
    assert again.job == result.job


@pytest.mark.parametrize("packed", [False, True], ids=["folder", "zip"])
def test_takes_in_one_folder_or_zip(inbox: Path, packed: bool) -> None:
    subject = inbox / "subject"
    subject.mkdir()
    write_takes(subject)
    (inbox / "subject.ticket.yaml").write_text(f"takes: [{', '.join(TAKES)}]\n")
    if packed:
        with zipfile.ZipFile(inbox / "subject.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            for name in TAKES:
                archive.write(subject / name, name)
    result, _ = run(inbox, "subject.zip" if packed else "subject", "subject.ticket.yaml")
    check_chosen(result)


def test_a_missing_take_is_named(inbox: Path) -> None:
    write_takes(inbox)
    (inbox / "o.takes.ticket.yaml").write_text("takes: [half.ply, whole.ply, gone.ply]\n")
    result, folder = run(inbox, "half.ply", "o.takes.ticket.yaml")
    assert result.state == "rejected"
    assert "lists 3 takes, but 'gone.ply' did not come with the others" in result.reason
    assert (folder / "original" / "whole.ply").exists()


def test_a_damaged_take_is_passed_over_and_accounted_for(inbox: Path) -> None:
    write_takes(inbox)
    (inbox / "half.ply").write_bytes(b"ply\nnot at all")
    (inbox / "o.takes.ticket.yaml").write_text(f"takes: [{', '.join(TAKES)}]\n")
    result, _ = run(inbox, "rough.ply", "o.takes.ticket.yaml")
    assert result.state == "done"
    damaged = result.record.scan["takes"][1]
    assert (damaged["grade"], damaged["chosen"]) == ("unreadable", False)
    assert "half.ply" in damaged["reasons"][0]
    for name in TAKES:
        (inbox / name).write_bytes(b"ply\nnot at all")
    result, _ = run(inbox, "rough.ply", "o.takes.ticket.yaml")
    assert result.state == "rejected" and "no take can be read" in result.reason


def test_a_ticket_that_lists_others_only_is_told_how_to_be_called(inbox: Path) -> None:
    write_takes(inbox)
    (inbox / "half.ticket.yaml").write_text("takes: [rough.ply, whole.ply]\n")
    result, _ = run(inbox, "half.ply", "half.ticket.yaml")
    assert result.state == "rejected" and "NAME.takes.ticket.yaml" in result.reason


def test_a_person_may_say_which_take_is_worked_on(inbox: Path) -> None:
    write_takes(inbox)
    ticket = inbox / "o.takes.ticket.yaml"
    ticket.write_text(f"takes: [{', '.join(TAKES)}]\ntake: half.ply\nunit: mm\n")
    result, _ = run(inbox, "half.ply", ticket.name)
    assert result.state == "done", result.reason
    assert result.record.scan["take"] == "half.ply" and len(result.record.scan["takes"]) == 3
    assert result.record.before["triangles"] == len(TAKES["half.ply"].faces)
    assert "half.ply was worked on as the ticket says" in result.record.warnings[0]
    ticket.write_text(f"takes: [{', '.join(TAKES)}]\ntake: other.ply\n")
    result, _ = run(inbox, "half.ply", ticket.name)
    assert result.state == "rejected" and "the ticket wants the take" in result.reason
    (inbox / "whole.ply").write_bytes(b"no mesh")
    ticket.write_text(f"takes: [{', '.join(TAKES)}]\ntake: whole.ply\n")
    result, _ = run(inbox, "half.ply", ticket.name)
    assert result.state == "rejected" and "cannot be read" in result.reason
