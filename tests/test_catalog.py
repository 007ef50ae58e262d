"""Plugins of all sorts, good and broken, behind real entry points of a made-up package."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from fettlebox.api import ENTRY_POINT_GROUP, Grade, Grader, Origin
from fettlebox.catalog import Catalog, find_steps
from fettlebox.errors import RecipeError
from fettlebox.made_for import CONTRACT
from fettlebox.recipe import parse_recipe
from fettlebox.testing import brick

STEP = """
from fettlebox.api import Part, StepContext, StepParams, StepResult, step

class Params(StepParams):
    pass

@step({name!r}, version=1, summary="Does a thing.")
def run(part: Part, params: Params, ctx: StepContext) -> StepResult:
    return StepResult(part)
"""
Find = Callable[..., Catalog]


@pytest.fixture
def find(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Find]:
    """Finds the steps of modules given as NAME=SOURCE, each the entry point `NAME = NAME:run`."""
    monkeypatch.syspath_prepend(tmp_path)

    def found(**sources: str) -> Catalog:
        for name, source in sources.items():
            (tmp_path / f"{name}.py").write_text(source)
        return find_steps([EntryPoint(name, f"{name}:run", ENTRY_POINT_GROUP) for name in sources])

    before = set(sys.modules)
    yield found
    for name in set(sys.modules) - before:
        if not name.startswith(("fettlebox", "numpy", "pydantic")):
            del sys.modules[name]


@pytest.mark.parametrize(
    ("source", "reason"),
    [
        ("import no_such_kiln", "No module named 'no_such_kiln'"),
        ("1/0", "division by zero"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("def run(", "SyntaxError"),
        ("x = 1", "has no attribute 'run'"),
        ("run = 5", "registers no step; does @step decorate it?"),
        ("class run:\n    pass", "registers no step"),
        (STEP.format(name="bad").replace("params: Params", "params: int"), "a subclass of StepParams"),
        (STEP.format(name="bad").replace(", ctx: StepContext", ""), "expected (part, params, ctx)"),
        ("FETTLEBOX_CONTRACT = 99\n" + STEP.format(name="bad"), "made for plugin contract 99; this engine"),
        ("FETTLEBOX_CONTRACT = 0\n" + STEP.format(name="bad"), "Install a later version of the plugin"),
        ("FETTLEBOX_CONTRACT = '2'\n" + STEP.format(name="bad"), "expected a whole number"),
        ("FETTLEBOX_CONTRACT = 99\nclass run:\n    pass", "made for plugin contract 99"),
        (STEP.format(name="when"), "'when' cannot be a step's name"),
        (STEP.format(name="Bad Step"), "'Bad Step' cannot be a step's name"),
        (STEP.format(name="bad").replace("    pass", "    f: type(len) = len"), "Pydantic"),
    ],
)  # fmt: skip
def test_a_broken_plugin_is_set_aside_with_its_reason_and_the_rest_goes_on(
    find: Find, source: str, reason: str
) -> None:
    catalog = find(bad=source, good=STEP.format(name="good"))
    assert list(catalog.steps) == ["good"]
    assert list(catalog.quarantined) == ["bad"]
    assert reason in catalog.quarantined["bad"].reason
    assert "\n" not in catalog.quarantined["bad"].reason
    assert catalog.quarantined["bad"].source == "bad"
    # A sentence of ours stands alone; what a plugin raised itself begins with what it is.
    assert "UnusableError" not in catalog.quarantined["bad"].reason
    assert not catalog.quarantined["bad"].reason.startswith("TypeError: made for")


def test_a_recipe_that_names_a_broken_plugin_is_told_why(find: Find) -> None:
    catalog = find(bad="import no_such_kiln", good=STEP.format(name="good"))
    assert parse_recipe("recipe: r\nsteps: [good]\ndeliver: []\n", "r.yaml", catalog).steps[0].id == "good"
    with pytest.raises(RecipeError) as caught:
        parse_recipe("recipe: r\nsteps: [bad, goood]\ndeliver: []\n", "r.yaml", catalog)
    bad, misspelt = caught.value.problems
    assert bad.found.startswith("step 'bad' comes from bad, which is set aside: ModuleNotFoundError")
    assert (misspelt.found, misspelt.hint) == ("there is no step 'goood'", "did you mean 'good'?")


def test_a_name_in_use_is_not_taken_over(find: Find) -> None:
    catalog = find(first=STEP.format(name="same"), second=STEP.format(name="same"))
    assert catalog.sources == {"same": "first"}
    assert "the name 'same' is taken by first" in catalog.quarantined["second"].reason


HOOKS = """
from fettlebox.hooks import {kind}
FETTLEBOX_CONTRACT = 2
run = {kind}({given})
"""
READER, WRITER = "'grid', ('{}',), len", "'{}', len"


@pytest.mark.parametrize(
    ("kind", "given", "reason"),
    [
        ("Reader", READER.format(".stl"), "'.stl' is taken by fettlebox, which came first among the readers"),
        ("Reader", READER.format(".zip"), "'.zip' is taken by fettlebox"),
        (
            "Reader",
            READER.format("asc"),
            "'asc' cannot be an ending; expected small letters and digits: '.asc'",
        ),
        ("Writer", WRITER.format("3mf"), "'3mf' is taken by fettlebox, which came first among the writers"),
        ("Writer", WRITER.format("zip"), "'zip' is taken by fettlebox"),
        ("Writer", WRITER.format("../x"), "'../x' cannot be a format"),
        ("FactCollector", "'a/b', len", "'a/b' cannot be a name"),
        ("Painter", "'', 'It.', len", "'' cannot be a name"),
    ],
)
def test_a_hook_with_a_name_that_it_cannot_have_is_set_aside(
    find: Find, kind: str, given: str, reason: str
) -> None:
    catalog = find(bad=HOOKS.format(kind=kind, given=given), good=STEP.format(name="good"))
    assert reason in catalog.quarantined["bad"].reason
    assert list(catalog.steps) == ["good"]


@pytest.mark.parametrize(
    ("kind", "given"), [("Reader", READER.format(".asc")), ("Writer", WRITER.format("obj"))]
)
def test_of_two_plugins_for_one_format_the_second_is_set_aside(find: Find, kind: str, given: str) -> None:
    source = HOOKS.format(kind=kind, given=given)
    catalog = find(first=source, second=source)
    assert set(catalog.brought_by.values()) == {"first"}
    assert (
        f"taken by first, which came first among the {kind.lower()}s" in catalog.quarantined["second"].reason
    )


def test_what_cannot_come_whole_does_not_come_at_all(find: Find) -> None:
    """An ending of its own does not help a reader that also wants a taken one."""
    source = HOOKS.format(kind="Reader", given="'grid', ('.asc', '.stl'), len")
    catalog = find(bad=source, good=HOOKS.format(kind="Reader", given=READER.format(".asc")))
    assert list(catalog.quarantined) == ["bad"]
    assert catalog.brought_by == {("readers", ".asc"): "good"}


@pytest.mark.parametrize(
    ("kind", "given", "where"),
    [
        ("FactCollector", "'facts', len", "collectors"),
        ("Painter", "'view', 'A view.', len", "painters"),
        ("JobObserver", "'lamp', len", "observers"),
    ],
)
def test_what_only_adds_is_named_after_its_package(find: Find, kind: str, given: str, where: str) -> None:
    source = HOOKS.format(kind=kind, given=given)
    catalog = find(one=source, two=source)
    assert catalog.quarantined == {} and catalog.notes == []
    name = given.split("'")[1]
    assert list(getattr(catalog, where)) == [f"one/{name}", f"two/{name}"]


OLD_GRADER = """
from fettlebox.api import API_VERSION, Grade, Grader
run = Grader("old", lambda part: Grade("good", (float(len(part.faces)),)))
"""


def test_a_plugin_of_the_contract_before_works_and_is_noted(
    find: Find, recwarn: pytest.WarningsRecorder
) -> None:
    catalog = find(old=OLD_GRADER)
    assert catalog.quarantined == {}
    (grader,) = catalog.graders
    assert grader.grade(brick(), Origin("a", "stl", "")) == Grade("good", (12.0,))
    gone, old = sorted(catalog.notes)
    assert (
        gone
        == "old: fettlebox.api.API_VERSION goes with contract 3; write FETTLEBOX_CONTRACT = 2 in your module"
    )
    assert old.startswith("old: works as made for plugin contract 1, which contract 3 will end")
    assert not recwarn.list, "what concerns a plugin's author is not printed over a shop's terminal"


def test_a_grader_of_this_contract_is_given_the_origin(find: Find) -> None:
    new = OLD_GRADER.replace("API_VERSION, ", "").replace(
        'lambda part: Grade("good"', "lambda part, origin: Grade(origin.format"
    )
    catalog = find(new=f"FETTLEBOX_CONTRACT = {CONTRACT}\n{new}")
    assert catalog.notes == [] and isinstance(catalog.graders[0], Grader)
    assert catalog.graders[0].grade(brick(), Origin("a", "stl", "")).word == "stl"


def test_built_in_steps_come_before_those_of_other_packages() -> None:
    catalog = find_steps()
    own = [source == "fettlebox" for source in catalog.sources.values()]
    assert own == sorted(own, reverse=True)
    assert catalog.sources["scale"] == "fettlebox"


def test_nothing_is_set_aside_here() -> None:
    assert find_steps().quarantined == {}
    assert find_steps().notes == []


def test_finding_steps_imports_no_heavy_library() -> None:
    import subprocess

    heavy = [
        "scipy",
        "numba",
        "manifold3d",
        "pymeshlab",
        "igl",
        "embreex",
        "trimesh",
        "shapely",
        "PIL",
        "pebble",
        "prov",
        "watchdog",
    ]
    code = (
        "import sys, fettlebox.recipe; from fettlebox.catalog import find_steps; find_steps();"
        f"print([m for m in {heavy} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True,
                          env={**os.environ})  # fmt: skip
    assert done.stdout.strip() == "[]"
