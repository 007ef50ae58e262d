"""Every example in tests/recipes, by our checker and by an independent one (check-jsonschema)."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from fettlebox.catalog import Catalog, find_steps
from fettlebox.recipe import compose_schema
from fettlebox.recipe.schema import KINDS, write_schema
from recipe_examples import BAD, BEYOND, GOOD, complaints, kind_of


@pytest.fixture(scope="module")
def built_in() -> Catalog:
    return find_steps()


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.name)
def test_good_examples_have_no_error(path: Path, built_in: Catalog) -> None:
    assert [p.text() for p in complaints(path, built_in) if p.level == "error"] == []


@pytest.mark.parametrize("path", BAD + BEYOND, ids=lambda path: path.name)
def test_bad_examples_get_the_messages_in_their_first_comment(path: Path, built_in: Catalog) -> None:
    expected = []
    for line in path.read_text("utf-8", errors="replace").splitlines():
        if not line.startswith("# "):
            break
        expected.append(line.removeprefix("# "))
    heads = [p.text().splitlines()[0].replace(f"{path.name}:", "", 1) for p in complaints(path, built_in)]
    assert expected, "the first comment has to hold the messages"
    assert heads == expected


@pytest.fixture(scope="module")
def refused_by_schema(built_in: Catalog, tmp_path_factory: pytest.TempPathFactory) -> set[Path]:
    """The examples that check-jsonschema, with our composed schemas, refuses."""
    folder = tmp_path_factory.mktemp("schemas")
    refused: set[Path] = set()
    for kind in KINDS:
        schema = folder / f"{kind}.schema.json"
        schema.write_text(write_schema(compose_schema(kind, built_in)), "utf-8")
        files = [path for path in GOOD + BAD + BEYOND if kind_of(path) == kind]
        if not files:
            continue  # printers and materials have their own examples, in test_shelf
        command = [sys.executable, "-m", "check_jsonschema", "--output-format", "json", "--schemafile"]
        done = subprocess.run([*command, schema, *files], capture_output=True, encoding="utf-8", check=False)
        report = json.loads(done.stdout)
        refused |= {Path(one["filename"]) for one in report["errors"] + report["parse_errors"]}
    return refused


@pytest.mark.parametrize("path", GOOD + BEYOND, ids=lambda path: path.name)
def test_the_schema_accepts(path: Path, refused_by_schema: set[Path]) -> None:
    assert path not in refused_by_schema


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.name)
def test_the_schema_refuses(path: Path, refused_by_schema: set[Path]) -> None:
    assert path in refused_by_schema


def test_there_are_enough_examples() -> None:
    assert len(GOOD) >= 8
    assert len(BAD) >= 20
