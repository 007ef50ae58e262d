"""Every example in tests/expectations, by our checker and by an independent one (check-jsonschema)."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from fettlebox.catalog import Catalog
from fettlebox.errors import Problem, RecipeError
from fettlebox.recipe.expect import load_expectation, report_unfitting
from fettlebox.recipe.nodes import Problems
from hypothesis import given, settings
from hypothesis import strategies as st

from .conftest import Read

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "tests" / "expectations"
GOOD, BAD, BEYOND = (sorted((EXAMPLES / kind).glob("*.yaml")) for kind in ("good", "bad", "beyond_schema"))


def complaints(path: Path) -> tuple[Problem, ...]:
    try:
        load_expectation(path, path.name)
    except RecipeError as error:
        return error.problems
    return ()


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.name)
def test_good_examples_have_no_error(path: Path) -> None:
    assert [problem.text() for problem in complaints(path)] == []


@pytest.mark.parametrize("path", BAD + BEYOND, ids=lambda path: path.name)
def test_bad_examples_get_the_messages_in_their_first_comment(path: Path) -> None:
    lines = path.read_text("utf-8").splitlines()
    expected = [line.removeprefix("# ") for line in lines if line.startswith("# ")]
    heads = [one.text().splitlines()[0].replace(f"{path.name}:", "", 1) for one in complaints(path)]
    assert expected, "the first comment has to hold the messages"
    assert heads == expected


@pytest.fixture(scope="module")
def refused() -> set[Path]:
    """The examples that check-jsonschema refuses, with the schema that is committed."""
    schema = ROOT / "schemas" / "expect.schema.json"
    command = [sys.executable, "-m", "check_jsonschema", "--output-format", "json", "--schemafile"]
    done = subprocess.run(
        [*command, schema, *GOOD, *BAD, *BEYOND], capture_output=True, encoding="utf-8", check=False
    )
    report = json.loads(done.stdout)
    return {Path(one["filename"]) for one in report["errors"] + report["parse_errors"]}


@pytest.mark.parametrize("path", GOOD + BEYOND, ids=lambda path: path.name)
def test_the_schema_accepts(path: Path, refused: set[Path]) -> None:
    assert path not in refused


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.name)
def test_the_schema_refuses(path: Path, refused: set[Path]) -> None:
    assert path in refused


HOSTILE = [
    b"", b"\x00", b"\xff\xfe", b"[" * 4000, b"{a: " * 4000, b"recipe: !!python/object/apply:os.system [id]\n",
    b"a: &a [1]\nb: *a\n", b"recipe: r\nfacts: {triangles: 1" + b"0" * 5000 + b"}\n",
    b"recipe: r\nsteps: {s: {x_mm: {below: 1e999 mm}}}\n", b"recipe: r\nsteps: {s: {x: .nan}}\n",
    b"recipe: r\nsteps: {s: {x: 1e999}}\n", b"recipe: r\nsteps: {s: {x_mm: {of: 1/0 mm, within: 1 mm}}}\n",
    b"recipe: r\nfacts: [1]\nsteps: 5\n", b"recipe: r\nsteps: {s: {\"\\u202e\": 1}}\n",
    b"recipe: r\n" * 30000, b"recipe: r\nscan: ..\n", b"recipe: r\nscan: a/../b\n", b"recipe: ../../etc\n",
    b"recipe: r\nsteps: {s: {x: {{y: 1}: 2}}}\n",
]  # fmt: skip


@pytest.mark.parametrize("data", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_files_get_a_sentence(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "expect.yaml"
    path.write_bytes(data)
    said = complaints(path)
    assert said
    assert all(len(problem.text()) < 2000 and problem.text().isprintable() for problem in said
               if "\n" not in problem.text())  # fmt: skip


WORDS = ["recipe", "ends", "at", "facts", "steps", "fidelity", "volume_mm3", "closed", "below", "above",
         "within", "of", "between", "done", "held", "r", "5 mm", "3 mm3", "2 %", "1/2 in"]  # fmt: skip
VALUES = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.sampled_from(WORDS), st.text(max_size=8)
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(WORDS), inner, max_size=4)
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.sampled_from(WORDS[:6]), VALUES, max_size=6))
def test_whatever_stands_there_is_read_or_refused_as_the_schema_does(data: dict[str, object]) -> None:
    """What the schema refuses, our checker refuses too; ours may know more, as of bounds that exclude all."""
    from fettlebox.recipe.expect import expect_schema, parse_expectation
    from jsonschema import Draft202012Validator

    try:
        text = json.dumps(data, allow_nan=False)
    except ValueError:
        return  # YAML has numbers that JSON has not, and those are refused
    try:
        parse_expectation(text, "expect.yaml")
    except RecipeError:
        return
    assert Draft202012Validator(expect_schema()).is_valid(data)


def test_steps_that_the_recipe_has_not_are_told_with_the_nearest(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "expect.yaml"
    path.write_text("recipe: r\nends: held\nat: wiegh\nsteps:\n  rub: {}\n  rubb: {}\n")
    problems = Problems()
    report_unfitting(load_expectation(path, "e"), read("steps: [rub: 1 mm, weigh]\ndeliver: []\n"), problems)
    said = [problem.text().splitlines()[:2] for problem in problems.found]
    assert said[0][0] == "e:6:3: steps: the recipe 'r' has no step 'rubb'" and "'rub'?" in said[0][1]
    assert said[1][0] == "e:3:5: at: the recipe 'r' has no step 'wiegh'" and "'weigh'?" in said[1][1]


@pytest.mark.parametrize("at", ["reading", "delivery", "ticket and recipe", "weigh"])
def test_a_job_may_end_at_no_step_too(read: Read, tmp_path: Path, at: str) -> None:
    path = tmp_path / "expect.yaml"
    path.write_text(f"recipe: r\nends: held\nat: {at}\n")
    problems = Problems()
    report_unfitting(load_expectation(path), read("steps: [weigh]\ndeliver: []\n"), problems)
    assert problems.found == []


def test_there_are_enough_examples(catalog: Catalog) -> None:
    assert len(GOOD) >= 4 and len(BAD) >= 4 and len(BEYOND) >= 2
