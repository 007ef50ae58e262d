"""Printers and materials as files: read as in shop.yaml, one from another, every mistake at its place."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.printer import Filament, Material, Printer
from fettlebox.recipe import compose_schema, load_shop, parse_shop
from jsonschema import Draft202012Validator

SHOP = "shop: One bench\nrecipe: bust\nprinter: wide\n"
FILES = {
    "printers/plain": "kind: filament\nbuild volume: [220 mm, 22 cm, 10 in]\nnozzle: 0.6 mm\n"
    "material: oak-thread\n",
    "printers/wide": "extends: plain\nbuild volume: [40 cm, 400 mm, 0.4 m]\nwalls: 2\n",
    "printers/bath": "kind: resin\nbuild volume: [120 mm, 68 mm, 155 mm]\nmaterial: clear\n",
    "materials/thread": "kind: filament\ndensity: 1240 kg/m3\nprice: 20\n",
    "materials/oak-thread": "extends: thread\nprice: 35\n",
    "materials/clear": "kind: resin\ndensity: 1.1 g/cm3\nprice: 50\n",
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "recipes").mkdir()
    (tmp_path / "recipes" / "bust.yaml").write_text("recipe: bust\n")
    (tmp_path / "shop.yaml").write_text(SHOP)
    for name, text in FILES.items():
        write(tmp_path, name, text)
    return tmp_path


def write(shop: Path, name: str, text: str) -> None:
    path = shop / f"{name}.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text)


def problems(shop: Path) -> list[str]:
    with pytest.raises(RecipeError) as caught:
        load_shop(shop)
    return [f"{Path(p.file).name} {p.line}: {p.place}: {p.found}" for p in caught.value.problems]


def test_a_file_says_only_what_differs_from_the_one_that_it_extends(shop: Path) -> None:
    read = load_shop(shop)
    oak = Material("oak-thread", density_g_per_cm3=1.24, price_per_kg=35.0)
    assert set(read.printers) == {"plain", "wide", "bath"}
    assert read.printers["plain"].build_volume_mm == (220.0, 220.0, 254.0)  # 10 in of 25.4 mm
    assert read.printer == Printer(
        "wide", (400.0, 400.0, 400.0), nozzle_mm=0.6, filament=Filament(walls=2), stated_material=oak
    )
    assert read.printers["bath"].material == Material("clear", 1.1, 50.0)


def test_files_are_what_the_same_words_in_the_shop_file_are(shop: Path, tmp_path: Path) -> None:
    text = {
        kind: {
            Path(name).stem: yaml.safe_load(FILES[name])
            for name in FILES
            if name.startswith(kind) and "extends" not in FILES[name]
        }
        for kind in ("printers", "materials")
    }
    text["printers"]["plain"]["material"] = "thread"
    write(shop, "printers/plain", yaml.safe_dump(text["printers"]["plain"]))
    inline = parse_shop(yaml.safe_dump({"shop": "One bench", "recipe": "bust", **text}), "shop.yaml")
    from_files = load_shop(shop).printers
    assert inline.printers and all(from_files[name] == one for name, one in inline.printers.items())


def test_a_file_may_extend_what_stands_in_the_shop_file(shop: Path) -> None:
    (shop / "shop.yaml").write_text(
        SHOP + "printers:\n  bench: {kind: filament, build volume: [9 cm, 9 cm, 9 cm], layer: 0.1 mm}\n"
    )
    write(shop, "printers/twin", "extends: bench\nnozzle: 0.25 mm\n")
    twin = load_shop(shop).printers["twin"]
    assert (twin.build_volume_mm, twin.layer_mm, twin.nozzle_mm) == ((90.0, 90.0, 90.0), 0.1, 0.25)


def test_without_a_name_the_only_material_of_a_printers_kind_is_the_one(shop: Path) -> None:
    write(shop, "printers/bath", "kind: resin\nbuild volume: [120 mm, 68 mm, 155 mm]\n")
    assert load_shop(shop).printers["bath"].material.name == "clear"  # two others are thread


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("printers/wide", "extends: plian\n", "wide.yaml 1: extends: there is no printer 'plian'"),
        ("printers/wide", "extends: plain\nnozle: 1 mm\n", "wide.yaml 2: : there is no key 'nozle' here"),
        ("printers/wide", "extends: plain\nnozzle: 1\n", "wide.yaml 2: nozzle: 1 has no unit"),
        ("printers/wide", "build volume: [1 cm, 1 cm, 1 cm]\n", "wide.yaml 1: kind: 'kind' is missing"),
        ("printers/wide", "extends: plain\nkind: rasin\n", "wide.yaml 2: kind: found the text 'rasin'"),
        ("printers/wide", "extends: plain\nkind: resin\n", "plain.yaml 3: : there is no key 'nozzle' here"),
        ("printers/wide", "- plain\n", "wide.yaml 1: : found a list of 1"),
        ("printers/wide", "", "wide.yaml 0: : this printer file is empty"),
        ("printers/wide", "extends: plain\nmaterial: clear\n",
         "wide.yaml 2: material: 'clear' is resin, and this printer takes filament"),
        ("printers/wide", "extends: plain\nmaterial: oak\n",
         "wide.yaml 2: material: there is no material 'oak'"),
        ("printers/wide", "extends: plain\nbuild volume: [1 mm, 0 mm, 1 mm]\n",
         "wide.yaml 2: build volume: a build volume of nothing"),
        ("materials/thread", "density: 1 kg\n", "thread.yaml 1: density: 'kg' is not a unit of density"),
        ("materials/thread", "extends: oak-thread\n", "materials that extend each other in a circle"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_named_with_the_place(shop: Path, name: str, text: str, said: str) -> None:
    write(shop, name, text)
    found = problems(shop)
    assert any(said in one for one in found), found


def test_two_of_one_name_are_a_problem_and_neither_wins(shop: Path) -> None:
    text = SHOP + "materials:\n  clear: {price: 3}\n"
    (shop / "shop.yaml").write_text(text)
    assert problems(shop) == [
        "shop.yaml 5: materials › clear: 'clear' stands here and in materials/clear.yaml"
    ]


def test_what_an_editor_leaves_is_no_printer(shop: Path) -> None:
    write(shop, "printers/.wide", "half writ")
    (shop / "printers" / "wide.yaml~").write_text("kind: oops")
    assert set(load_shop(shop).printers) == {"plain", "wide", "bath"}


@pytest.mark.parametrize("name", list(FILES))
def test_the_schema_accepts_them(name: str, catalog: Catalog) -> None:
    kind = "printer" if name.startswith("printers") else "material"
    schema = Draft202012Validator(compose_schema(kind, catalog))
    good = yaml.safe_load(FILES[name])
    assert schema.is_valid(good)
    assert not schema.is_valid({**good, "colour": "red"})


def test_the_schema_wants_a_whole_printer_where_nothing_is_extended(catalog: Catalog) -> None:
    schema = Draft202012Validator(compose_schema("printer", catalog))
    assert not schema.is_valid({"kind": "resin"})
    assert not schema.is_valid({"kind": "resin", "build volume": ["1 mm"] * 3, "nozzle": "1 mm"})
    assert schema.is_valid({"kind": "resin", "extends": "bath"})
