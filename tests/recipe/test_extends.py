from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.recipe import load_recipe, parse_recipe

PARENT = """
recipe: parent
about: What the parent is for.
ask:
  size: {type: length, default: 20 mm}
steps:
  - trim: {at: "${size}", keep: 60 %}
  - rub: 1 mm
  - rub: {grit: 0.5 mm, passes: 9}
    id: fine
    otherwise: hold
  - weigh
deliver: [stl]
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "parent.yaml").write_text(PARENT)
    return tmp_path


def test_steps_are_overridden_by_id_key_by_key(shelf: Path, catalog: Catalog) -> None:
    text = """
recipe: child
extends: parent
ask:
  size: {type: length, default: 30 mm}
steps:
  - trim: {side: front}
  - rub: {passes: 5}
  - rub: {passes: 2}
    id: fine
  - engrave: {text: Hi}
    after: fine
  - engrave: {text: First}
    id: first
    before: trim
  - weigh:
    when: false
"""
    plan = parse_recipe(text, "child.yaml", catalog, shelf).plan()
    assert [(s.id, s.enabled, s.otherwise) for s in plan.steps] == [
        ("first", True, "stop"), ("trim", True, "stop"), ("rub", True, "stop"), ("fine", True, "hold"),
        ("engrave", True, "stop"), ("weigh", False, "stop"),
    ]  # fmt: skip
    by_id = {s.id: s.params_as_written for s in plan.steps}
    assert by_id["trim"]["at"] == "30 mm" and by_id["trim"]["side"] == "front"
    assert by_id["rub"] == {"grit": "1 mm", "passes": 5, "wet": False, "zones": []}
    assert by_id["fine"]["grit"] == "0.5 mm" and by_id["fine"]["passes"] == 2
    assert [d.format for d in plan.deliver] == ["stl"]


def test_the_text_of_a_recipe_with_a_parent_stands_for_itself(shelf: Path, catalog: Catalog) -> None:
    child = "recipe: child\nextends: parent\nsteps:\n  - rub: {zones: ['no', '0o17', '1:30', '2 mm', 'é']}\n"
    recipe = parse_recipe(child, "child.yaml", catalog, shelf)
    again = parse_recipe(recipe.text, "child.yaml", catalog, None)
    assert again.extends is None
    assert again.text == recipe.text and again.sha256 == recipe.sha256
    assert [(s.id, s.params_as_written) for s in again.plan().steps] == [
        (s.id, s.params_as_written) for s in recipe.plan().steps
    ]
    (shelf / "parent.yaml").write_text(PARENT.replace("60 %", "70 %"))
    assert parse_recipe(child, "child.yaml", catalog, shelf).sha256 != recipe.sha256


def test_a_problem_in_the_parent_is_shown_in_the_parent(shelf: Path, catalog: Catalog) -> None:
    (shelf / "parent.yaml").write_text(PARENT.replace("60 %", "600 %"))
    with pytest.raises(RecipeError) as caught:
        parse_recipe("recipe: child\nextends: parent\n", "child.yaml", catalog, shelf)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.place) == ("parent.yaml", 7, "steps › trim › keep")


def test_parents_lie_in_folders_below_too(shelf: Path, catalog: Catalog) -> None:
    (shelf / "base").mkdir()
    (shelf / "base" / "top.yaml").write_text(PARENT)
    (shelf / "base" / "middle.yaml").write_text("recipe: middle\nextends: top\ndeliver: [ply]\n")
    (shelf / "bottom.yaml").write_text("recipe: bottom\nextends: base/middle\nabout: Third.\n")
    recipe = load_recipe(shelf / "bottom.yaml", catalog)
    assert (recipe.about, recipe.deliver[0].format, len(recipe.steps)) == ("Third.", "ply", 4)


@pytest.mark.parametrize(
    "parent", ["../parent", "/etc/passwd", "base/../../parent", "a\\b", "link", "7", "''"]
)
def test_parents_outside_are_refused(shelf: Path, catalog: Catalog, parent: str) -> None:
    inner = shelf / "inner"
    inner.mkdir()
    (inner / "link.yaml").symlink_to(shelf / "parent.yaml")
    with pytest.raises(RecipeError):
        parse_recipe(f"recipe: child\nextends: {parent}\n", "child.yaml", catalog, inner)


def test_circles_are_refused(shelf: Path, catalog: Catalog) -> None:
    (shelf / "a.yaml").write_text("recipe: a\nextends: b\n")
    (shelf / "b.yaml").write_text("recipe: b\nextends: a\n")
    (shelf / "c.yaml").write_text("recipe: c\nextends: c\n")
    for name in ("a", "b", "c"):
        with pytest.raises(RecipeError, match="in a circle"):
            load_recipe(shelf / f"{name}.yaml", catalog)


def test_a_recipe_without_a_folder_extends_nothing(catalog: Catalog) -> None:
    with pytest.raises(RecipeError, match="not in a folder"):
        parse_recipe("recipe: child\nextends: parent\n", "child.yaml", catalog, None)


def test_a_parents_deliveries_are_written_out_and_read_again(tmp_path: Path) -> None:
    from fettlebox.catalog import find_steps
    from fettlebox.recipe import load_recipe, parse_recipe

    parent = (
        "recipe: parent\nsteps: [repair, {repair: {}, id: again}]\ndeliver: [{stl: {after: repair}}, zip]\n"
    )
    (tmp_path / "parent.yaml").write_text(parent)
    (tmp_path / "child.yaml").write_text("recipe: child\nextends: parent\n")
    child = load_recipe(tmp_path / "child.yaml", find_steps())
    assert [(one.format, one.after) for one in child.deliver] == [("stl", "repair"), ("zip", None)]
    assert parse_recipe(child.text, "child.yaml", find_steps()).deliver == child.deliver


def test_a_bare_step_may_stand_for_a_bare_one(shelf: Path, catalog: Catalog) -> None:
    """`- weigh` in both, and a second `- weigh` whose id is made from its number."""
    (shelf / "parent.yaml").write_text(PARENT.replace("  - weigh\n", "  - weigh\n  - weigh\n"))
    recipe = parse_recipe("recipe: child\nextends: parent\nsteps: [weigh]", "child.yaml", catalog, shelf)
    assert [call.id for call in recipe.steps] == ["trim", "rub", "fine", "weigh", "weigh-2"]
