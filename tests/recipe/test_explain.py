"""A recipe in plain words. What is said is taken from the recipe and the steps; nothing is left out."""

from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.catalog import Catalog, find_steps
from fettlebox.recipe import load_recipe
from fettlebox.recipe.explain import ExplainedAsk, ExplainedSetting, explain, lines_of, value_in_words

from .conftest import Read

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.yaml"))

RECIPE = """
recipe: relief-plate
about: A plate.
ask:
  lean: {type: angle, default: 10 deg, min: 0 deg, max: 20 deg, about: How far it leans.}
  words: {type: text, longest: 12}
  face: {type: choice, choices: [left, right], default: left}
steps:
  - trim: {at: 3 mm, tilt: {up to: 30 deg}}
    locked: true
  - rub: 1 mm
    otherwise: skip
  - engrave: {text: "To ${words}, ${face}"}
    when: "${words}"
    id: words
    otherwise: hold
  - weigh:
    when: false
deliver: [stl, {3mf: {after: trim}}, pictures, zip]
"""


def test_what_a_ticket_may_set(read: Read) -> None:
    lean, words, face = explain(read(RECIPE)).asks
    assert lean == ExplainedAsk(
        "lean", "an angle, at least 0 deg, at most 20 deg", "10 deg", "How far it leans."
    )
    assert words == ExplainedAsk("words", "text of at most 12 letters", None, "")
    assert face == ExplainedAsk("face", "one of left, right", "left", "")


def test_what_is_done(read: Read) -> None:
    trim, rub, words, weigh = explain(read(RECIPE)).steps
    assert trim.summary == "Trim it."
    assert trim.settings == (
        ExplainedSetting("at", "3 mm", "Where to trim."),
        ExplainedSetting("tilt", "up to 30 deg", "A tilt, or the bounds of a search for one."),
    )
    assert trim.conditions == ("Locked: recipes that extend this one keep it as it is.",)
    assert rub.settings == (ExplainedSetting("grit", "1 mm", "Coarseness."),)  # by its shorthand
    assert rub.conditions == ("If it cannot, the part goes on without it.",)
    assert (words.id, words.step) == ("words", "engrave")
    assert words.settings[0].value == "To [words], [face]"
    assert words.conditions == ("Only if the ticket says words.", "If it cannot, the job waits for a person.")
    assert weigh.conditions == ("Switched off.",)


def test_what_comes_out(read: Read) -> None:
    assert explain(read(RECIPE)).delivered == (
        "the finished part as stl", "the part after trim as 3mf", "its pictures", "a zip of all of it",
    )  # fmt: skip
    assert list(lines_of(explain(read("steps: [weigh]\ndeliver: []"))))[-1] == (
        "What comes out: a report, no part"
    )


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (True, "yes"),
        ("${size}", "size as the ticket says"),
        ({"below": "8 %", "above": 2}, "below 8 %, above 2"),
        ([["1 mm", "2 mm"], "x"], "1 mm; 2 mm; x"),
        ([], "none"),
        ("", "nothing"),
    ],
)
def test_values_in_words(value: object, words: str) -> None:
    assert value_in_words(value) == words


@pytest.fixture(scope="module")
def built_in() -> Catalog:
    return find_steps()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_setting_of_a_ready_recipe_is_said_with_what_it_is_for(path: Path, built_in: Catalog) -> None:
    recipe = load_recipe(path, built_in)
    explained = explain(recipe)
    said = "\n".join(lines_of(explained))
    assert recipe.about in said
    for call, step in zip(recipe.steps, explained.steps, strict=True):
        assert [setting.name for setting in step.settings] == list(call.params.value or {})
        for setting in step.settings:
            assert setting.about, f"{step.step} does not say what {setting.name} is for"
            assert f"{setting.name}: {setting.value}" in said
