"""Placeholders, `when`, and the plan that a recipe makes of a ticket's values."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from fettlebox.errors import Problem, RecipeError
from fettlebox.recipe import Plan, Recipe, parse_ticket

Read = Callable[[str], Recipe]
Complain = Callable[[str], list[Problem]]

RECIPE = """
ask:
  size: {type: length, default: 20 mm, min: 5 mm, max: 60 mm}
  lean: {type: angle, default: 0 deg}
  much: {type: ratio, default: 50 %}
  mark: {type: text, default: "", longest: 12}
  times: {type: count, default: 3}
  deep: {type: number, default: 0.5}
  side: {type: choice, choices: [back, front], default: back}
  wet: {type: flag, default: false}
steps:
  - trim: {at: "${size}", tilt: {up to: "${lean}"}, keep: "${much}", side: "${side}"}
  - rub: {grit: 0.5 mm, passes: "${times}", wet: "${wet}", zones: ["${side}", "no ${times} at ${size}"]}
  - engrave: {text: "No. ${mark}", depth: "${deep}"}
    when: "${mark}"
"""


def written(plan: Plan) -> list[dict[str, Any]]:
    return [dict(step.params_as_written) for step in plan.steps]


def test_substitution_keeps_the_type(read: Read) -> None:
    plan = read(RECIPE).plan({"times": 7, "wet": True, "mark": "A1", "deep": 2, "side": "front"})
    trim, rub, engrave = written(plan)
    assert trim == {"at": "20 mm", "tilt": {"up to": "0 deg"}, "keep": "50 %", "side": "front"}
    assert rub == {"grit": "0.5 mm", "passes": 7, "wet": True, "zones": ["front", "no 7 at 20 mm"]}
    assert engrave == {"text": "No. A1", "depth": 2.0}
    assert json.loads(json.dumps(written(plan))) == written(plan)


def test_a_command_line_gives_texts(read: Read) -> None:
    plan = read(RECIPE).plan({"times": "7", "wet": "true", "deep": "2.5", "size": "3/4 in"})
    assert plan.steps[1].params_as_written["passes"] == 7
    assert plan.steps[1].params_as_written["wet"] is True
    assert plan.values_as_written["size"] == "3/4 in"
    assert plan.steps[0].params is not None
    assert plan.steps[0].params.at == pytest.approx(19.05)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("ask", "given", "runs"),
    [
        ("{type: text}", "", False),
        ("{type: text}", "x", True),
        ("{type: text}", "0", True),  # a text of one letter is not the number 0
        ("{type: count}", 0, False),
        ("{type: count}", 2, True),
        ("{type: number}", 0.0, False),
        ("{type: flag}", False, False),
        ("{type: flag}", True, True),
        ("{type: length}", "0 mm", False),
        ("{type: ratio}", "1 %", True),
    ],
)
def test_when(read: Read, ask: str, given: object, runs: bool) -> None:
    recipe = read(f'ask:\n  x: {ask}\nsteps:\n  - weigh:\n    when: "${{x}}"\n')
    assert recipe.plan({"x": given}).steps[0].enabled is runs


def test_a_step_that_does_not_run_needs_no_fitting_values(read: Read) -> None:
    plan = read(RECIPE).plan()
    assert not plan.steps[2].enabled
    assert plan.steps[2].params is None
    assert plan.steps[2].params_as_written == {"text": "No. ", "depth": 0.5}


@pytest.mark.parametrize(
    ("values", "found", "advice"),
    [
        ({"size": "4 mm"}, "'4 mm' is too small", "at least 5 mm"),
        ({"size": "10 cm"}, "'10 cm' is too large", "at most 60 mm"),
        ({"size": 30}, "30 has no unit", "write '30 mm'"),
        ({"size": "30 deg"}, "'deg' is not a unit of length (mm, cm, m, um, µm, in)", ""),
        ({"mark": "thirteen letters"}, "'thirteen letters' has 16 letters", "at most 12"),
        ({"mark": "a\nb"}, "the text has a line break or an invisible character", "one line"),
        ({"times": 2.5}, "expected a whole number, found 2.5", ""),
        ({"times": -1}, "expected a whole number, found -1", ""),
        ({"deep": "deep"}, "expected a number, found 'deep'", ""),
        ({"deep": "nan"}, "expected a number, found 'nan'", ""),
        ({"side": "left"}, "'left' is not a choice", "one of back, front"),
        ({"wet": "yes"}, "expected true or false, found 'yes'", ""),
        ({"sise": "30 mm"}, "this recipe does not ask for 'sise'", "did you mean 'size'?"),
    ],
)
def test_an_answer_that_does_not_suit(read: Read, values: dict[str, Any], found: str, advice: str) -> None:
    with pytest.raises(RecipeError) as caught:
        read(RECIPE).plan(values)
    (problem,) = caught.value.problems
    assert (problem.file, problem.found) == (f"--set {next(iter(values))}", found)
    assert advice in f"{problem.expected}; {problem.hint}"


def test_an_answer_of_a_ticket_is_shown_in_the_ticket(read: Read) -> None:
    ticket = parse_ticket("order: 7\nset:\n  size: 4 mm\n  times: 4\n", "a.ticket.yaml")
    with pytest.raises(RecipeError) as caught:
        read(RECIPE).plan({"times": "none"}, ticket)
    places = {(p.file, p.line, p.column) for p in caught.value.problems}
    assert places == {("a.ticket.yaml", 3, 9), ("--set times", 0, 0)}


def test_a_number_in_a_ticket_is_the_text_it_looks_like(read: Read) -> None:
    ticket = parse_ticket("set: {mark: 0042}\n", "a.ticket.yaml")
    assert read(RECIPE).plan(ticket=ticket).steps[2].params_as_written["text"] == "No. 0042"


def test_a_value_that_spoils_a_parameter_says_where_it_came_from(read: Read) -> None:
    with pytest.raises(RecipeError) as caught:
        read(RECIPE).plan({"times": 51})
    (problem,) = caught.value.problems
    assert problem.place == "steps[1] rub › passes"
    assert "${times} is 51" in problem.hint


def test_without_a_default_the_ticket_has_to_answer(read: Read) -> None:
    recipe = read("ask:\n  size: {type: length, about: The height.}\nsteps:\n  - trim: '${size}'\n")
    with pytest.raises(RecipeError) as caught:
        recipe.plan()
    (problem,) = caught.value.problems
    assert problem.found == "nobody says 'size'"
    assert "The height." in problem.hint
    assert recipe.plan({"size": "3 mm"}).steps[0].params_as_written["at"] == "3 mm"


@pytest.mark.parametrize(
    ("step", "found"),
    [
        ('trim: {keep: "${size}"}', "'mm' is not a unit of ratio (%)"),
        ('trim: {at: "${sizes}"}', "'ask' has no 'sizes'"),
        ('trim: {at: "${size * 2}"}', "'${size * 2}' is not the name of a value"),
        ('engrave: {text: "${size"}', "'${size' is not the name of a value"),
        ('rub: {grit: 1 mm, passes: "${free}"}', "found the text '${free}'"),
        ('rub: {grit: "${free}"}', "found 'A'"),
    ],
)
def test_placeholders_are_checked_before_any_ticket_comes(complain: Complain, step: str, found: str) -> None:
    asked = "ask:\n  size: {type: length, default: 20 mm}\n  free: {type: text}\n"
    problems = [
        p for p in complain(f"{asked}steps:\n  - weigh\n  - {step}\n  - nosuch\n") if p.place != "steps[2]"
    ]
    errors = [p.found for p in problems if p.level == "error"]
    assert errors == [found]


def test_a_recipe_without_default_is_checked_with_samples(read: Read) -> None:
    recipe = read(
        "ask:\n  n: {type: count}\n  s: {type: length}\nsteps:\n  - rub: {grit: '${s}', passes: '${n}'}\n"
    )
    assert recipe.plan({"n": 3, "s": "1 mm"}).steps[0].params is not None
