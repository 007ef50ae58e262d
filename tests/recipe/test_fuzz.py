"""No text makes the checker raise anything but RecipeError, and what it says can always be shown."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
import yaml
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.recipe import compose_schema, parse_recipe, parse_shop, parse_ticket
from fettlebox.recipe.nodes import Problems
from fettlebox.recipe.text import read_nodes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

GOOD = """recipe: r
ask:
  size: {type: length, default: 20 mm}
  mark: {type: text, longest: 9}
steps:
  - trim: {at: "${size}", tilt: {up to: 5 deg}}
  - rub: {grit: 1 mm, passes: 3, zones: [a, b]}
    id: x
    when: "${mark}"
  - weigh
deliver: [stl, 3mf]
"""
VOCABULARY = """
recipe about extends ask steps deliver trim rub engrave weigh glaze at tilt keep side grit passes wet zones
text id when otherwise after before type default min max longest choices ratio length angle number count
choice flag size mark ${size} ${mark} ${ ${} 25% 2_mm 30_deg up_to stl 3mf stop no on ~ 1e999 0x1F .inf -1
0.5 true null shop printer printers kind filament build_volume set order unit up
"""
WORDS = st.sampled_from([word.replace("_", " ") for word in VOCABULARY.split()])
SIGNS = st.sampled_from([*":-?[]{},#&*!|>'%@`\"\\ ab1", "${a}", "steps", "\n", "\n  ", "\n- "])
SCALARS = st.one_of(WORDS, st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8))
DATA = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.one_of(WORDS, st.text(max_size=4)), inner, max_size=5)
    ),
    max_leaves=24,
)
RECIPE_LIKE = st.fixed_dictionaries(
    {},
    optional={
        "recipe": SCALARS,
        "about": SCALARS,
        "extends": SCALARS,
        "ask": st.dictionaries(WORDS, st.dictionaries(WORDS, SCALARS, max_size=4) | DATA, max_size=3),
        "steps": st.lists(st.dictionaries(WORDS, DATA, max_size=3) | WORDS, max_size=4),
        "deliver": DATA,
    },
)
# The catalog is the same for every example; that it is made once is what is wanted.
quietly = settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture(scope="module")
def schema(catalog: Catalog) -> Draft202012Validator:
    return Draft202012Validator(compose_schema("recipe", catalog))


def survives(text: str, catalog: Catalog) -> None:
    readers: list[Callable[[], Any]] = [
        lambda: parse_recipe(text, "r.yaml", catalog).plan(),
        lambda: parse_ticket(text, "t.yaml"),
        lambda: parse_shop(text, "shop.yaml"),
    ]
    for read in readers:
        try:
            read()
        except RecipeError as error:
            assert any(problem.level == "error" for problem in error.problems)
            shown = str(error)
            assert all(line.isprintable() for line in shown.split("\n"))
            json.dumps([problem.as_dict() for problem in error.problems])


@quietly
@given(text=st.text())
def test_any_text(text: str, catalog: Catalog) -> None:
    survives(text, catalog)


@quietly
@given(text=st.lists(SIGNS, max_size=40).map("".join))
def test_texts_made_of_yaml_signs(text: str, catalog: Catalog) -> None:
    survives(text, catalog)


@quietly
@given(data=DATA | RECIPE_LIKE)
def test_any_data(data: Any, catalog: Catalog) -> None:
    survives(yaml.safe_dump(data, allow_unicode=True), catalog)


@quietly
@given(start=st.integers(0, len(GOOD)), length=st.integers(0, 12), patch=WORDS | st.text(max_size=6))
def test_a_good_recipe_with_a_hole_or_a_patch(start: int, length: int, patch: str, catalog: Catalog) -> None:
    survives(GOOD[:start] + patch + GOOD[start + length :], catalog)


@quietly
@given(
    patches=st.lists(
        st.tuples(st.integers(0, len(GOOD)), st.integers(0, 9), WORDS | st.just("")), min_size=1, max_size=2
    )
)
def test_the_schema_accepts_what_the_checker_accepts(
    patches: list[tuple[int, int, str]], catalog: Catalog, schema: Draft202012Validator
) -> None:
    text = GOOD
    for start, length, word in patches:
        text = text[:start] + word + text[start + length :]
    try:
        parse_recipe(text, "r.yaml", catalog)
    except RecipeError:
        return
    root = read_nodes(text, "r.yaml", Problems())
    assert root is not None
    assert [error.message for error in schema.iter_errors(root.plain())] == []


def test_the_recipe_that_is_patched_is_good(catalog: Catalog) -> None:
    assert parse_recipe(GOOD, "r.yaml", catalog).plan({"mark": "A"}).steps[1].enabled
