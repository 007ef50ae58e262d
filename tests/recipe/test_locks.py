"""What a shop's standard recipe locks, no recipe below it, ticket or `--set` can weaken."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.recipe import load_recipe, parse_recipe, parse_ticket
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

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
        ("deliver: [stl, ply: {after: rub}]", "a part that has not passed the locked step 'trim'"),
        ("deliver: [ply: {after: weigh}]", "a part that has not passed the locked step 'last'"),
        ("steps: [{rub: 1 mm, id: more, after: trim}]\ndeliver: [ply: {after: more}]",
         "a part that has not passed the locked step 'last'"),
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
        "deliver: [ply: {after: last}]",
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


OPEN_END = """
recipe: open-end
steps:
  - rub: 1 mm
  - engrave: {text: SAMPLE}
    locked: true
  - trim: {keep: 60 %}
  - weigh
deliver: [stl]
"""


@pytest.mark.parametrize(
    ("after", "early"), [("rub", True), ("engrave", False), ("trim", False), ("weigh", False)]
)
def test_nothing_is_delivered_that_has_not_passed_a_locked_step_in_the_middle(
    tmp_path: Path, catalog: Catalog, after: str, early: bool
) -> None:
    """A part without the mark that a shop puts on all its samples would be one that it did not let out."""
    (tmp_path / "open-end.yaml").write_text(OPEN_END)
    text = child(f"deliver: [stl, ply: {{after: {after}}}]", "open-end")
    if not early:
        assert parse_recipe(text, "child.yaml", catalog, tmp_path).deliver[1].after == after
        return
    with pytest.raises(RecipeError, match="has not passed the locked step 'engrave'"):
        parse_recipe(text, "child.yaml", catalog, tmp_path)


@pytest.mark.parametrize("body", ["steps:", "steps: []", "steps: {}", "steps: weigh", "ask:", "ask: []"])
def test_no_list_is_emptied_to_be_rid_of_a_lock(shelf: Path, catalog: Catalog, body: str) -> None:
    try:
        plan = parse_recipe(child(body), "child.yaml", catalog, shelf).plan({"share": "70 %"})
    except RecipeError:
        return
    assert locked_steps(plan) == locked_steps(
        load_recipe(shelf / "standard.yaml", catalog).plan({"share": "70 %"})
    )


def locked_steps(plan: Any) -> list[tuple[Any, ...]]:
    """What is locked in STANDARD, as it will be done: everything but the value that a ticket may choose."""
    kept = [step for step in plan.steps if step.id in ("trim", "last")]
    return [(s.id, s.step.name, s.enabled, s.otherwise, json.dumps(s.params_as_written)) for s in kept]


_WORDS = st.sampled_from(
    ["rub", "engrave", "trim", "weigh", "last", "share", "words", "standard", "locked", "when"]
)
_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 500),
    st.sampled_from(["55 %", "1 %", "9 mm", "skip", "${share}", "${words}"]),
)
_STEP = st.one_of(
    _WORDS,
    st.builds(
        lambda name, value, siblings: {name: value, **siblings},
        st.sampled_from(["rub", "engrave", "trim", "weigh"]),
        st.one_of(
            _VALUES, st.dictionaries(st.sampled_from(["keep", "grit", "text", "depth"]), _VALUES, max_size=2)
        ),
        st.dictionaries(
            st.sampled_from(["id", "when", "otherwise", "locked", "after", "before"]),
            st.one_of(_WORDS, _VALUES),
            max_size=3,
        ),
    ),
)
_ASK = st.fixed_dictionaries(
    {"type": st.sampled_from(["ratio", "text", "flag"])}, optional={"default": _VALUES, "min": _VALUES}
)
_CHILD = st.fixed_dictionaries(
    {"recipe": st.just("child"), "extends": st.sampled_from(["standard", "between"])},
    optional={
        "steps": st.lists(_STEP, max_size=3),
        "ask": st.dictionaries(_WORDS, _ASK, max_size=2),
        "deliver": st.lists(
            st.one_of(st.just("stl"), st.builds(lambda w: {"ply": {"after": w}}, _WORDS)),
            max_size=2,
            unique_by=str,
        ),
    },
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=_CHILD, answers=st.dictionaries(st.one_of(_WORDS, st.just("share")), _VALUES, max_size=2))
def test_whatever_a_child_and_a_ticket_say_the_locked_steps_are_done(
    shelf: Path, catalog: Catalog, text: dict[str, Any], answers: dict[str, Any]
) -> None:
    """Of what is accepted at all, the locked steps run, as they stand, in their order, the last one last."""
    try:
        recipe = parse_recipe(yaml.safe_dump(text), "child.yaml", catalog, shelf)
        plan = recipe.plan(answers)
    except RecipeError:
        return
    assert plan.steps[-1].id == "last"
    for each in plan.deliver:
        assert each.after in (None, "last")
    share = answers.get("share", "60 %")
    standard = load_recipe(shelf / "standard.yaml", catalog).plan({"share": share})
    assert locked_steps(plan) == locked_steps(standard)
