"""What a shop's standard recipe locks, no recipe below it, ticket or `--set` can weaken."""

from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.recipe import load_recipe, parse_recipe, parse_ticket

STANDARD = """
recipe: standard
ask:
  share: {type: ratio, default: 60 %, min: 50 %, max: 70 %}
  words: {type: text, default: Hi}
steps:
  - rub: 1 mm
  - engrave: {text: "${words}"}
  - trim: {keep: "${share}"}
    locked: true
  - weigh
  - rub: {grit: 2 mm}
    id: last
    otherwise: hold
    locked: true
deliver: [stl]
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "standard.yaml").write_text(STANDARD)
    (tmp_path / "between.yaml").write_text("recipe: between\nextends: standard\nsteps:\n  - rub: 1.5 mm\n")
    return tmp_path


def child(body: str, parent: str = "standard") -> str:
    return f"recipe: child\nextends: {parent}\n{body}"


@pytest.mark.parametrize("parent", ["standard", "between"])
@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("steps: [{trim: {keep: 55 %}}]", "the step 'trim' is locked in standard.yaml"),
        ("steps: [{trim: 3 mm}]", "the step 'trim' is locked"),
        ("steps: [trim]", "the step 'trim' is locked"),
        ("steps: [{trim: , when: false}]", "the step 'trim' is locked"),
        ("steps: [{trim: , locked: false}]", "the step 'trim' is locked"),
        ("steps: [{trim: , otherwise: skip}]", "the step 'trim' is locked"),
        ("steps: [{weigh: , id: trim}]", "the step 'trim' is locked"),
        ("steps: [{weigh: , id: last}]", "the step 'last' is locked"),
        ("steps: [{rub: 1 mm, id: more, after: last}]", "ends with 'last', which is locked"),
        ("ask: {share: {type: ratio, default: 60 %, min: 1 %}}", "'share' is what the locked step"),
        ("ask: {share: {type: ratio, default: 65 %}}", "'share' is what the locked step"),
        ("deliver: [stl, ply: {after: rub}]", "a part that has not passed the locked step 'last'"),
    ],
)  # fmt: skip
def test_what_is_locked_cannot_be_weakened(
    shelf: Path, catalog: Catalog, parent: str, body: str, said: str
) -> None:
    with pytest.raises(RecipeError) as caught:
        parse_recipe(child(body, parent), "child.yaml", catalog, shelf)
    assert any(said in problem.text() for problem in caught.value.problems), str(caught.value)
    assert all(problem.file == "child.yaml" for problem in caught.value.problems)


@pytest.mark.parametrize(
    "body",
    [
        "steps: [{rub: 0.5 mm}]",
        "steps: [{weigh: , when: false}]",
        "steps: [{weigh: , locked: true}]",
        "steps: [{rub: 1 mm, id: more, before: last}]",
        "steps: [{rub: 1 mm, id: more, after: trim}]",
        "ask: {words: {type: text, default: Ho}, depth: {type: number, default: 1}}\n"
        'steps: [{engrave: {depth: "${depth}"}}]',
        "deliver: [ply, pictures]",
    ],
)
def test_the_rest_stays_free(shelf: Path, catalog: Catalog, body: str) -> None:
    plan = parse_recipe(child(body), "child.yaml", catalog, shelf).plan()
    kept = {step.id: step for step in plan.steps}
    assert kept["trim"].params_as_written["keep"] == "60 %"
    assert (plan.steps[-1].id, kept["last"].otherwise, kept["last"].enabled) == ("last", "hold", True)


def test_a_lock_reaches_a_recipe_that_locks_a_step_of_its_own(shelf: Path, catalog: Catalog) -> None:
    (shelf / "stricter.yaml").write_text(
        "recipe: stricter\nextends: standard\nsteps: [{weigh: , locked: true}]"
    )
    with pytest.raises(RecipeError, match=r"'weigh' is locked in stricter\.yaml"):
        parse_recipe(child("steps: [{weigh: , when: false}]", "stricter"), "child.yaml", catalog, shelf)


@pytest.mark.parametrize("share", ["49 %", "71 %", "1000 %"])
def test_neither_ticket_nor_setting_leaves_the_bounds_of_a_locked_step(
    shelf: Path, catalog: Catalog, share: str
) -> None:
    recipe = load_recipe(shelf / "standard.yaml", catalog)
    with pytest.raises(RecipeError, match=r"too (small|large)"):
        recipe.plan({"share": share})
    ticket = parse_ticket(f"set: {{share: {share}}}", "a.ticket.yaml")
    with pytest.raises(RecipeError, match=r"too (small|large)"):
        recipe.plan(ticket=ticket)
    for beyond in ("keep", "locked", "trim", "last", "otherwise"):
        with pytest.raises(RecipeError, match="does not ask for"):
            recipe.plan({beyond: "true"})


def test_the_lock_is_part_of_the_text_that_stands_for_itself(shelf: Path, catalog: Catalog) -> None:
    recipe = load_recipe(shelf / "between.yaml", catalog)
    again = parse_recipe(recipe.text, "between.yaml", catalog)
    assert [call.id for call in again.steps if call.locked] == ["trim", "last"]
    assert again.sha256 == recipe.sha256
