"""What `plugins/hooks/fields.md` says of the public contract is what the code has: names, types, kinds."""

from __future__ import annotations

import dataclasses
import functools
import inspect
import re
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
from fettlebox import api, errors, hooks, mesh, pictures, printer

PAGE = (Path(__file__).resolve().parents[1] / "plugins" / "hooks" / "fields.md").read_text("utf-8")
CLASSES: dict[str, Any] = {
    "Part": api.Part, "Plane": api.Plane, "Origin": api.Origin, "StepContext": api.StepContext,
    "StepResult": api.StepResult, "Printer": api.Printer, "Material": printer.Material,
    "Filament": printer.Filament, "Resin": printer.Resin, "Prices": printer.Prices, "Grade": api.Grade,
    "Source": hooks.Source, "RawMesh": hooks.RawMesh, "StepError": errors.StepError,
    "HoldError": errors.HoldError, "step": api.step,
}  # fmt: skip


def in_a_table(annotation: object) -> str:
    """A type as a table can show it: `|` would end the cell."""
    return " ".join(str(annotation).replace(" | ", " or ").split())


def said_in_code(thing: Any) -> dict[str, str]:
    """Name → type of every field, argument, property and method that is public."""
    found: dict[str, str] = {}
    if thing is errors.StepError:  # what every exception takes
        return {"sentence": "str"}
    if dataclasses.is_dataclass(thing):
        found |= {one.name: in_a_table(one.type) for one in dataclasses.fields(thing)}
    else:
        signature = inspect.signature(thing)
        found |= {
            name: in_a_table(one.annotation) for name, one in signature.parameters.items() if name != "self"
        }
    if not inspect.isclass(thing):
        return found
    for name, one in vars(thing).items():
        if name.startswith("_") or name in found:
            continue
        if isinstance(one, property | functools.cached_property):
            function = one.fget if isinstance(one, property) else one.func
            found[name] = in_a_table(inspect.signature(function).return_annotation)  # type: ignore[arg-type]
        elif inspect.isfunction(one):
            arguments = [
                f"{argument.name}" + ("" if argument.default is argument.empty else f"={argument.default!r}")
                if argument.kind is not argument.VAR_POSITIONAL
                else f"*{argument.name}"
                for argument in list(inspect.signature(one).parameters.values())[1:]
            ]
            found[f"{name}({', '.join(arguments)})"] = in_a_table(inspect.signature(one).return_annotation)
    return found


def said_on_the_page(name: str) -> dict[str, str]:
    section = re.search(rf"^## {name}\b.*?(?=^## |\Z)", PAGE, re.DOTALL | re.MULTILINE)
    assert section, f"fields.md has no section {name}"
    rows = re.findall(r"^\| `([^|]+)` \| `([^|]+)` \| (.+) \|$", section[0], re.MULTILINE)
    assert all(len(about.split()) > 1 for _, _, about in rows), f"{name}: a row says nothing"
    return {field: kind for field, kind, _ in rows}


@pytest.mark.parametrize("name", CLASSES)
def test_every_field_stands_there_with_its_type(name: str) -> None:
    assert said_on_the_page(name) == said_in_code(CLASSES[name])


def test_the_page_has_no_other_sections() -> None:
    assert set(re.findall(r"^## (\w+)", PAGE, re.MULTILINE)) == set(CLASSES)


@pytest.mark.parametrize(
    ("thing", "field"), [(mesh.Plane, "kind"), (printer.Printer, "kind"), (mesh.Origin, "unit_from")]
)
def test_the_values_of_a_closed_list_are_all_explained(thing: Any, field: str) -> None:
    row = re.search(rf"^\| `{field}` .*$", PAGE.split(f"## {thing.__name__}")[1], re.MULTILINE)
    assert row
    about = row[0].split("|")[3]
    for value in get_args(get_type_hints(thing)[field]):
        assert f"`{value}`" in about


def test_every_name_that_plugins_import_is_explained() -> None:
    """On this page, on a hook's own, or in the guide."""
    root = Path(__file__).resolve().parents[1]
    pages = [root / "DEVELOPERS.md", *(root / "plugins" / "hooks").glob("*.md")]
    words = set(re.findall(r"\w+", "".join(page.read_text("utf-8") for page in pages)))
    assert {*api.__all__, *hooks.__all__} - words == {"Hooks", "Measured"}  # of the engine's own use


def test_what_draws_stands_on_the_page_of_pictures_with_its_arguments() -> None:
    page = (Path(__file__).resolve().parents[1] / "plugins" / "hooks" / "pictures.md").read_text("utf-8")
    table = "".join(re.findall(r"^\| .*$", page, re.MULTILINE))
    for name in pictures.__all__:
        one = getattr(pictures, name)
        if not inspect.isfunction(one):
            assert re.search(rf"`{name}\b", table), name
            continue
        shown: list[str] = []
        for argument in inspect.signature(one).parameters.values():
            if argument.kind is argument.KEYWORD_ONLY and "*" not in shown:
                shown.append("*")
            shown.append(argument.name)
        assert f"`{name}({', '.join(shown)})`" in table, name
    assert f"`View({', '.join(inspect.signature(pictures.View).parameters)})`" in table
