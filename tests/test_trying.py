"""Trying a recipe: a sheet that shows every step, and nothing done twice."""

from __future__ import annotations

from pathlib import Path

import lxml.html
import pytest
import trimesh
from fettlebox.api import StepResult
from fettlebox.errors import RecipeError
from fettlebox.run_once import run_once
from fettlebox.step_cache import KEPT, StepCache
from fettlebox.trying import try_recipe

RECIPE = """\
recipe: small
about: A ball, cut and scaled.
steps:
  - cut: {{at: {at}}}
  - seat
  - scale: {{by: {size}}}
deliver: [stl]
"""


@pytest.fixture
def ball(tmp_path: Path) -> Path:
    path = tmp_path / "ball <b>.stl"
    trimesh.creation.icosphere(3, 20.0).export(path)
    return path


def tried(tmp_path: Path, scan: Path, at: str = "20 %", size: str = "50 %") -> tuple[Path, str]:
    recipe = tmp_path / "small.yaml"
    recipe.write_text(RECIPE.format(at=at, size=size))
    sheet, run = try_recipe(recipe, scan, tmp_path / "out")
    return sheet, run.state


def test_the_sheet_shows_every_step_and_needs_nothing_else(ball: Path, tmp_path: Path) -> None:
    sheet, state = tried(tmp_path, ball)
    assert state == "done"
    page = lxml.html.fromstring(sheet.read_text("utf-8"))
    headings = [h.text_content() for h in page.iter("h2")]
    assert headings == [
        "The scan, as declared",
        "1. cut: done, a sound solid",
        "2. seat: done, a sound solid",
        "3. scale: done, a sound solid",
    ]
    assert all(img.get("src", "").startswith("data:image/png;base64,") for img in page.iter("img"))
    assert not page.xpath("//script | //link | //*[starts-with(@href, 'http')]")
    assert not page.xpath("//b"), "the scan's name is text, not markup"


def test_only_what_moved_the_surface_has_a_map_of_it(ball: Path, tmp_path: Path) -> None:
    sheet, _ = tried(tmp_path, ball)
    page = lxml.html.fromstring(sheet.read_text("utf-8"))
    maps = [section.xpath("count(.//figure)") for section in page.iter("section")]
    assert maps == [1, 1, 1, 1], "cutting, seating and scaling leave what is left of the surface where it was"


def test_steps_whose_input_is_as_before_are_not_done_again(
    ball: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    put = StepCache.put

    def note(self: StepCache, key: str, result: StepResult) -> None:
        done.append(key)
        put(self, key, result)

    monkeypatch.setattr(StepCache, "put", note)
    first, _ = tried(tmp_path, ball)
    shown = first.read_text("utf-8")
    assert len(done) == 3
    done.clear()
    second, _ = tried(tmp_path, ball)
    assert done == []
    assert second.read_text("utf-8") == shown
    tried(tmp_path, ball, size="25 %")
    assert len(done) == 1, "only the last step has another parameter"
    done.clear()
    tried(tmp_path, ball, at="30 %")
    assert len(done) == 3, "everything after the first step has another input"


def test_a_run_into_the_same_folder_takes_what_trying_kept_and_makes_the_same_part(
    ball: Path, tmp_path: Path
) -> None:
    tried(tmp_path, ball)
    after_trying, _ = run_once(tmp_path / "small.yaml", ball, tmp_path / "out")
    fresh, _ = run_once(tmp_path / "small.yaml", ball, tmp_path / "elsewhere")
    assert after_trying.record.timing["reused"] == ["cut", "seat", "scale"]
    assert "reused" not in fresh.record.timing
    assert not (tmp_path / "elsewhere" / KEPT).exists(), "only who tries asks for scans to be kept"
    assert [out.sha256 for out in after_trying.record.outputs] == [out.sha256 for out in fresh.record.outputs]
    assert [step.facts for step in after_trying.record.steps] == [step.facts for step in fresh.record.steps]


def test_a_wrong_recipe_makes_no_sheet(ball: Path, tmp_path: Path) -> None:
    with pytest.raises(RecipeError):
        tried(tmp_path, ball, at="20")
    assert not (tmp_path / "out").exists()


def test_a_ticket_beside_the_scan_counts_as_it_does_for_run(ball: Path, tmp_path: Path) -> None:
    ball.with_name("ball <b>.ticket.yaml").write_text("unit: cm\n")
    recipe = tmp_path / "small.yaml"
    recipe.write_text(RECIPE.format(at="20 %", size="50 %"))
    _, run = try_recipe(recipe, ball, tmp_path / "out")
    assert run.part.bounds[1, 0] - run.part.bounds[0, 0] == pytest.approx(200.0, rel=0.01)
