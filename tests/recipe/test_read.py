from __future__ import annotations

import dataclasses
import json
import pickle
from collections.abc import Callable
from pathlib import Path

import pytest
from fettlebox.catalog import Catalog
from fettlebox.errors import Problem, RecipeError
from fettlebox.params import StepParams
from fettlebox.recipe import Recipe, load_recipe, parse_recipe
from pydantic import model_validator

Read = Callable[[str], Recipe]
Complain = Callable[[str], list[Problem]]


def one(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, [p.text() for p in problems]
    return problems[0]


def test_a_message_says_where_what_was_found_what_was_expected_and_shows_the_line(complain: Complain) -> None:
    problem = one(complain("steps:\n  - trim: {tilt: 50, keep: 85 %}\n"))
    assert problem.text() == (
        "r.yaml:2:18: steps[0] trim › tilt: 50 has no unit\n"
        "  expected an angle such as '30 deg', or keys of its own (up to); "
        "write '50 deg' if that is what you mean\n"
        "    2 |   - trim: {tilt: 50, keep: 85 %}\n"
        "      |                  ^"
    )


def test_all_problems_are_reported_at_once_in_the_order_of_the_file(complain: Complain) -> None:
    problems = complain(
        "recipe: 7\nask:\n  a: {type: ratoi}\nsteps:\n  - trimm\n"
        "  - rub: {grit: 5 mm, passes: 99}\ndeliver: [pdf]\n"
    )
    assert [p.line for p in problems] == [1, 3, 5, 6, 6, 7]
    assert [p.hint for p in problems[1:3]] == ["did you mean 'ratio'?", "did you mean 'trim'?"]


@pytest.mark.parametrize(
    ("step", "place", "found", "advice"),
    [
        ("trim: {kepe: 5 %}", "steps[0] trim", "there is no key 'kepe' here", "did you mean 'keep'?"),
        ("trim: {tilt: {upto: 5 deg}}", "steps[0] trim › tilt", "there is no key 'upto' here", "'up to'"),
        ("trim: {tilt: {up_to: 5 deg}}", "steps[0] trim › tilt", "there is no key 'up_to' here", "'up to'"),
        ("trim: {tilt: {up to: 99 deg}}", "steps[0] trim › tilt › up to", "99 deg is out of range", "80 deg"),
        ("trim: {side: Back}", "steps[0] trim › side", "found the text 'Back'", "did you mean back?"),
        ("trim: [1, 2]", "steps[0] trim › at", "found a list of 2", "a length such as '2 mm'"),
        ("rub: {passes: 2}", "steps[0] rub", "'grit' is missing", "a length such as '2 mm'"),
        ("rub", "steps[0] rub", "'grit' is missing", "from 0.05 mm to 2 mm"),
        ("rub: {grit: 1 mm, passes: two}", "steps[0] rub › passes", "found the text 'two'", "a whole number"),
        ("rub: {grit: 1 mm, passes: 2.5}", "steps[0] rub › passes", "found the number 2.5", "a whole number"),
        ("rub: {grit: 1 mm, passes: '2'}", "steps[0] rub › passes", "found the text '2'", "without quotes"),
        ("rub: {grit: 1 mm, wet: no}", "steps[0] rub › wet", "found the text 'no'", "write false"),
        ("rub: {grit: 1 mm, wet:}", "steps[0] rub › wet", "found nothing", "true or false"),
        ("rub: {grit: 1 mm, zones: [a, 2]}", "steps[0] rub › zones[1]", "found the number 2", "quotes: '2'"),
        ("rub: {grit: 2 mm, wet: true}", "steps[0] rub", "wet with a coarse grit", "1 mm or less"),
        ("rub: {grit: 1 mm, wet: true, passes: 1}", "steps[0] rub", "found both", "a single pass"),
        ("rub: {grit: {mm: 1}}", "steps[0] rub › grit", "found keys of its own (mm)", "a length such as"),
        ("engrave: hello", "steps[0] engrave", "found the text 'hello'", "keys of its own (text, depth)"),
        ("engrave: {text: 1984}", "steps[0] engrave › text", "found the number 1984", "quotes: '1984'"),
        ("weigh: 3", "steps[0] weigh", "found the number 3", "this step has no settings"),
        ("weigh: {a: 1}", "steps[0] weigh", "there is no key 'a' here", "nothing to set"),
        ("glaze", "steps[0]", "step 'glaze' comes from glaze-house, which is set aside: ImportError: "
         "no module named 'kiln'", ""),
    ],
)  # fmt: skip
def test_a_wrong_parameter(complain: Complain, step: str, place: str, found: str, advice: str) -> None:
    problems = complain(f"steps:\n  - {step}\n")
    problem = next(p for p in problems if p.found == found)
    assert problem.place == place
    assert advice in f"{problem.expected}; {problem.hint}"


def test_bare_values_and_names_are_whole_steps(read: Read) -> None:
    plan = read("steps:\n  - trim: 20 mm\n  - trim\n  - trim:\n  - rub: 1 mm\n").plan()
    assert [s.params_as_written.get("at") for s in plan.steps] == ["20 mm", "15 mm", "15 mm", None]
    assert [s.id for s in plan.steps] == ["trim", "trim-2", "trim-3", "rub"]
    assert plan.steps[3].params_as_written == {"grit": "1 mm", "passes": 3, "wet": False, "zones": []}


def test_what_is_asked_but_not_used_is_a_warning_only(read: Read) -> None:
    recipe = read("ask:\n  mark: {type: text, default: ''}\nsteps: [weigh]\n")
    assert [(w.level, w.found) for w in recipe.warnings] == [("warning", "no step uses 'mark'")]


def test_a_file_of_another_name_is_a_warning_only(tmp_path: Path, catalog: Catalog) -> None:
    path = tmp_path / "bust.yaml"
    path.write_text("recipe: head\nsteps: [weigh]\ndeliver: []\n")
    recipe = load_recipe(path, catalog)
    assert len(recipe.warnings) == 1 and "bust" in recipe.warnings[0].hint
    assert recipe.deliver == ()


def test_an_error_travels_between_processes(complain: Complain) -> None:
    problems = complain("steps: [trimm]\n")
    error = pickle.loads(pickle.dumps(RecipeError(problems)))
    assert error.problems == tuple(problems)
    assert str(error) == str(RecipeError(problems))
    assert json.loads(json.dumps([p.as_dict() for p in error.problems]))[0]["line"] == 1


def test_a_recipe_knows_its_own_bytes(read: Read) -> None:
    recipe = read("recipe: r\nsteps: [weigh]\ndeliver: [stl]\n")
    assert recipe.text == "recipe: r\nsteps: [weigh]\ndeliver: [stl]\n"
    # Computed with `sha256sum` of the GNU core utilities.
    assert recipe.sha256 == "5a2cef4cbf90d526dd8fd258e931a90abe0aba76e20311c0929626d00e5c0656"


def test_a_missing_file_is_told_in_one_sentence(tmp_path: Path, catalog: Catalog) -> None:
    with pytest.raises(RecipeError, match="cannot be read"):
        load_recipe(tmp_path / "none.yaml", catalog)


@pytest.mark.parametrize("text", ["", "# nothing\n", "7", "- a", "a", "[]", "{}"])
def test_a_file_that_holds_no_recipe(text: str, catalog: Catalog) -> None:
    with pytest.raises(RecipeError):
        parse_recipe(text, "r.yaml", catalog)


@pytest.mark.parametrize(
    ("text", "found", "hint"),
    [
        ("recipe r\nsteps: [weigh]\n", "a colon where none can stand", "is there a colon missing in line 1?"),
        ("steps:\n  - trim {at: 2 mm}\n", "there is no step 'trim {at'", "write 'trim: …', with a colon"),
        ("steps:\n  - trim: {at: ${a}}\n", "braces that are never closed",
         'put what a ticket sets in quotes: "${name}"'),
        ("steps:\n  - rub: {grit: 1 mm}\n    passes: 3\n", "there is no key 'passes' beside a step",
         "settings of rub go inside its braces: 'rub: {passes: …}'"),
        ("steps:\n  - weigh: {}\n    wehn: true\n", "there is no key 'wehn' beside a step",
         "did you mean 'when'?"),
        ("steps:\n  - weigh: {}\n    trim: 1 mm\n", "more than one step in one entry (weigh, trim)",
         "start a new line with '- '"),
    ],
)  # fmt: skip
def test_a_slip_of_the_pen_gets_the_hint_that_mends_it(
    complain: Complain, text: str, found: str, hint: str
) -> None:
    problem = one(complain(text))
    assert (problem.found, problem.hint) == (found, hint)


def test_whole_numbers_are_those_of_json_schema(read: Read) -> None:
    plan = read("steps:\n  - rub: {grit: 1 mm, passes: 2e1}\n").plan()
    assert plan.steps[0].params_as_written["passes"] == 20


def test_a_defect_in_the_settings_of_a_plugin_is_a_problem_of_the_recipe(catalog: Catalog) -> None:
    class Faulty(StepParams):
        number: int = 0

        @model_validator(mode="after")
        def _divide(self) -> Faulty:
            raise ZeroDivisionError("division by zero")

    faulty = dataclasses.replace(catalog.steps["weigh"], name="faulty", params=Faulty)
    with pytest.raises(RecipeError, match="the step fails while it checks its settings: ZeroDivisionError"):
        parse_recipe("recipe: r\nsteps: [faulty]\ndeliver: []\n", "r.yaml", Catalog({"faulty": faulty}))


def test_many_open_answers_are_checked_in_no_time(read: Read) -> None:
    names = [f"n{index}" for index in range(40)]
    asked = "".join(f"  {name}: {{type: count}}\n" for name in names)
    zones = ", ".join(f'"z${{{name}}}"' for name in names)
    assert read(f"ask:\n{asked}steps:\n  - rub: {{grit: 1 mm, zones: [{zones}]}}\n").steps
