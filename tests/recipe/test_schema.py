from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fettlebox.catalog import Catalog, built_in_steps
from fettlebox.jobs import init_shop
from fettlebox.recipe import compose_schema, load_shop
from fettlebox.recipe.__main__ import main
from fettlebox.recipe.schema import KINDS, Kind, shop_schema, write_schema
from jsonschema import Draft202012Validator

SCHEMAS = Path(__file__).parents[2] / "schemas"


@pytest.mark.parametrize("kind", KINDS)
def test_the_committed_schema_is_that_of_the_built_in_steps(kind: Kind) -> None:
    committed = (SCHEMAS / f"{kind}.schema.json").read_text("utf-8")
    assert committed == write_schema(compose_schema(kind, built_in_steps())), (
        "the schemas have changed; write them again with: python -m fettlebox.recipe schemas"
    )


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_is_valid_against_the_published_metaschema(kind: Kind, catalog: Catalog) -> None:
    for one in (compose_schema(kind, catalog), compose_schema(kind, built_in_steps())):
        assert one["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        Draft202012Validator.check_schema(one)


@pytest.mark.parametrize("kind", KINDS)
def test_every_reference_leads_somewhere(kind: Kind) -> None:
    schema = compose_schema(kind, built_in_steps())

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


KEEL = """\
from fettlebox.api import Length, Part, StepContext, StepParams, StepResult, quantity, step

FETTLEBOX_CONTRACT = 2


class Params(StepParams):
    deep: Length = quantity("3 mm", at_least="1 mm", about="How deep it goes.")


@step("keel", version=1, summary="Put a keel under the part.", shorthand="deep")
def keel(part: Part, params: Params, ctx: StepContext) -> StepResult:
    return StepResult(part)
"""


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    from fettlebox.cli import app
    from typer.main import get_command

    get_command(app).main(["schema", *arguments], standalone_mode=False)
    return dict(json.loads(capsys.readouterr().out))


def test_what_is_installed_is_in_the_schema_only_if_asked_for(
    install: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    install("keel-makers", KEEL, "keel")
    committed = json.loads((SCHEMAS / "recipe.schema.json").read_text("utf-8"))
    assert printed(capsys, "recipe") == committed
    here = printed(capsys, "recipe", "--installed")
    assert set(here["$defs"]) - set(committed["$defs"]) == {"step-keel"}
    recipe = {"recipe": "r", "steps": [{"keel": "4 mm"}, "keel", {"keel": {"deep": "${d}"}}], "deliver": []}
    assert Draft202012Validator(here).is_valid(recipe)
    assert not Draft202012Validator(committed).is_valid(recipe)
    assert not Draft202012Validator(here).is_valid({**recipe, "steps": [{"keel": {"deeper": "1 mm"}}]})


def test_a_shop_s_own_step_and_names_are_in_its_schemas(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = tmp_path / "shop"
    init_shop(shop, recipes=SCHEMAS.parent / "recipes")
    (shop / "steps").mkdir()
    (shop / "steps" / "keel.py").write_text(KEEL)
    digest = hashlib.sha256(KEEL.encode()).hexdigest()
    with (shop / "shop.yaml").open("a") as stream:
        stream.write(f"materials: {{walnut: {{}}}}\nsteps: [{{file: steps/keel.py, sha256: {digest}}}]\n")
    (shop / "printers").mkdir(exist_ok=True)
    (shop / "printers" / "old-one.yaml").write_text(
        "kind: filament\nbuild volume: [200 mm, 200 mm, 200 mm]\nmaterial: walnut\n"
    )
    assert load_shop(shop).materials["walnut"].name == "walnut"
    for kind in KINDS:
        Draft202012Validator.check_schema(printed(capsys, kind, "--shop", str(shop)))
    recipe = Draft202012Validator(printed(capsys, "recipe", "--shop", str(shop)))
    assert recipe.is_valid({"recipe": "r", "steps": [{"keel": "4 mm"}], "deliver": []})
    ticket = Draft202012Validator(printed(capsys, "ticket", "--shop", str(shop)))
    assert ticket.is_valid({"recipe": "quarter-bust"}) and ticket.is_valid({"recipe": None})
    assert not ticket.is_valid({"recipe": "quarter-busk"})
    printer = Draft202012Validator(printed(capsys, "printer", "--shop", str(shop)))
    assert printer.is_valid({"extends": "old-one", "material": "walnut"})
    assert not printer.is_valid({"extends": "older-one"}) and not printer.is_valid(
        {"extends": "old-one", "material": "wallnut"}
    )
    # In a shop file a new printer may be named beside its own words.
    own = Draft202012Validator(printed(capsys, "shop", "--shop", str(shop)))
    room = {"kind": "filament", "build volume": ["200 mm", "200 mm", "200 mm"]}
    assert own.is_valid({"shop": "S", "recipe": "figurine", "printer": "new", "printers": {"new": room}})
    assert not own.is_valid({"shop": "S", "recipe": "figurines"})
    names = printed(capsys, "shop", "--shop", str(shop))["properties"]["printer"]["anyOf"][0]["enum"]
    assert names == sorted(load_shop(shop).printers)
    assert shop_schema("recipe", built_in_steps(), load_shop(shop)) == compose_schema(
        "recipe", built_in_steps()
    )
