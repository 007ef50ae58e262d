from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fettlebox.catalog import Catalog, find_steps
from fettlebox.recipe import compose_schema
from fettlebox.recipe.__main__ import main
from fettlebox.recipe.schema import KINDS, Kind, write_schema
from jsonschema import Draft202012Validator

SCHEMAS = Path(__file__).parents[2] / "schemas"


@pytest.mark.parametrize("kind", KINDS)
def test_the_committed_schema_is_that_of_the_installed_steps(kind: Kind) -> None:
    committed = (SCHEMAS / f"{kind}.schema.json").read_text("utf-8")
    assert committed == write_schema(compose_schema(kind, find_steps())), (
        "the schemas have changed; write them again with: python -m fettlebox.recipe schemas"
    )


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_is_valid_against_the_published_metaschema(kind: Kind, catalog: Catalog) -> None:
    for one in (compose_schema(kind, catalog), compose_schema(kind, find_steps())):
        assert one["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        Draft202012Validator.check_schema(one)


@pytest.mark.parametrize("kind", KINDS)
def test_every_reference_leads_somewhere(kind: Kind) -> None:
    schema = compose_schema(kind, find_steps())

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            if "$ref" in value:
                target: Any = schema
                for part in value["$ref"].removeprefix("#/").split("/"):
                    target = target[part.replace("%20", " ")]
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    walk(schema)


def accepts(catalog: Catalog, step: Any, extends: bool = False) -> bool:
    recipe = {"recipe": "r", "steps": [step], "deliver": []} | ({"extends": "p"} if extends else {})
    return Draft202012Validator(compose_schema("recipe", catalog)).is_valid(recipe)


@pytest.mark.parametrize(
    ("step", "valid", "valid_over_a_parent"),
    [
        ("weigh", True, True),
        ("rub", False, True),  # its grit has no default
        ({"rub": None}, False, True),
        ({"rub": "1 mm"}, True, True),
        ({"rub": "${grit}"}, True, True),
        ({"rub": {"grit": "${grit}", "passes": "${n}", "zones": ["${z}"], "wet": "${w}"}}, True, True),
        ({"rub": {"passes": 3}}, False, True),
        ({"rub": {"grit": "1 mm", "passes": "3"}}, False, False),
        ({"trim": {"tilt": {"up to": "${a}"}}}, True, True),
        ({"trim": {"tilt": {"up_to": "5 deg"}}}, False, False),
        ({"trim": "${a b}"}, False, False),
        ({"trim": {}, "weigh": {}}, False, False),
        ({"id": "a"}, False, False),
        ({"weigh": None, "id": "a", "when": "${x}", "otherwise": "hold"}, True, True),
        ({"weigh": None, "after": "trim"}, False, True),
        ({"weigh": {"x": 1}}, False, False),
        ("varnish", False, False),
    ],
)
def test_a_step(catalog: Catalog, step: Any, valid: bool, valid_over_a_parent: bool) -> None:
    assert accepts(catalog, step) is valid
    assert accepts(catalog, step, extends=True) is valid_over_a_parent


def test_an_editor_can_explain_and_complete(catalog: Catalog) -> None:
    schema = compose_schema("recipe", catalog)
    params = schema["$defs"]["step-trim"]["properties"]
    assert params["keep"]["description"] == "What must remain."
    assert params["keep"]["default"] == "50 %"
    assert params["keep"]["examples"] == ["25 %"]
    assert params["side"]["anyOf"][0]["enum"] == ["back", "front"]
    entry = schema["else"]["properties"]["steps"]["items"]["anyOf"][1]["properties"]
    assert entry["trim"]["description"] == "Trim it."


def test_the_schemas_are_written_on_request(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path)]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(f"{kind}.schema.json" for kind in KINDS)
    assert json.loads((tmp_path / "shop.schema.json").read_text("utf-8"))["title"] == "Fettlebox shop"
    assert main([]) == 2
