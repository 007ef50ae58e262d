from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.catalog import Catalog
from fettlebox.errors import RecipeError
from fettlebox.printer import EVERYDAY, Filament, Material, Prices, Printer, Resin
from fettlebox.recipe import load_recipe, load_shop
from fettlebox.recipe.profiles import MaterialFile, made_material
from fettlebox.recipe.shop import require_standard

SHOP = """
shop: The Workshop by the Weir
recipe: bust
settle: 500 ms
workers: 2
printer: fine
printers:
  tall: {kind: filament, build volume: [220 mm, 22 cm, 0.4 m], nozzle: 0.6 mm, layer: 0.3 mm}
  fine: {kind: resin, build volume: [5 in, 80 mm, 160 mm], pixel: 50 um}
limits: {time: 10 min, memory: 4 GB, attempts: 3}
keep: 30 days
"""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "recipes").mkdir()
    (tmp_path / "recipes" / "bust.yaml").write_text("recipe: bust\n")
    return tmp_path


def problems(folder: Path, text: str) -> list[str]:
    (folder / "shop.yaml").write_text(text)
    with pytest.raises(RecipeError) as caught:
        load_shop(folder)
    return [f"{p.line}: {p.place}: {p.found}" for p in caught.value.problems]


def test_a_shop_is_read_with_its_units(shop: Path) -> None:
    (shop / "shop.yaml").write_text(SHOP)
    read = load_shop(shop)
    assert (read.name, read.recipe, read.workers, read.settle_s) == (
        "The Workshop by the Weir",
        "bust",
        2,
        0.5,
    )
    assert read.printers["tall"] == Printer(
        "tall", (220.0, 220.0, 400.0), "filament", nozzle_mm=0.6, layer_mm=0.3
    )
    assert read.printer == Printer("fine", (127.0, 80.0, 160.0), "resin", pixel_mm=0.05, layer_mm=0.05)
    assert (read.limits.time_s, read.limits.memory_mb, read.limits.attempts) == (600.0, 4000.0, 3)
    assert read.keep_s == 30 * 24 * 3600
    assert read.recipe_path() == shop / "recipes" / "bust.yaml"


def test_a_shop_needs_only_a_name_and_a_recipe(shop: Path) -> None:
    (shop / "shop.yaml").write_text("shop: One bench\nrecipe: bust\n")
    read = load_shop(shop)
    assert (read.printer, read.workers, read.keep_s) == (EVERYDAY, None, None)
    assert read.limits.time_s > 0


def test_the_only_printer_is_the_one(shop: Path) -> None:
    lines = [line for line in SHOP.splitlines() if not line.startswith(("printer: ", "  fine"))]
    (shop / "shop.yaml").write_text("\n".join(lines))
    assert load_shop(shop).printer.name == "tall"


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("printer: fine", "printer: fien", "6: printer: there is no printer 'fien'"),
        ("recipe: bust", "recipe: busts", "3: recipe: there is no recipes/busts.yaml"),
        ("settle: 500 ms", "settle: 2", "4: settle: 2 has no unit"),
        ("4 GB", "4 TB", "10: limits › memory: 'TB' is not a unit of data size (MB, GB, kB)"),
        ("attempts: 3", "attempts: 0", "10: limits › attempts: found the number 0"),
        ("keep: 30 days", "keep: 1 s", "11: keep: 1 s is out of range"),
        ("pixel: 50 um", "nozzle: 50 um", "9: printers › fine: there is no key 'nozzle' here"),
        ("kind: resin", "kind: rasin", "9: printers › fine › kind: found the text 'rasin'"),
        ("kind: resin, ", "", "9: printers › fine: 'kind' is missing"),
        ("5 in, 80 mm, ", "5 in, ", "9: printers › fine › build volume: found a list of 2"),
        ("5 in, 80 mm, ", "5 in, 0 mm, ", "9: printers › fine › build volume: a build volume of nothing"),
    ],
)
def test_a_wrong_shop(shop: Path, old: str, new: str, problem: str) -> None:
    assert problems(shop, SHOP.replace(old, new)) == [problem]


def test_a_folder_that_is_no_shop(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match=r"shop\.yaml: this shop file cannot be read"):
        load_shop(tmp_path)


PROFILES = """
shop: The Workshop by the Weir
recipe: bust
money: GBP
materials:
  chalk: {density: 1.3 g/cm3, price: 31.5, diameter: 2.85 mm}
  clay: {density: 1100 kg/m3, price: 60}
printers:
  tall:
    {kind: filament, build volume: [220 mm, 22 cm, 0.4 m], material: chalk, line: 0.5 mm, walls: 2,
    skin: 1 mm, infill: 20 %, support: 10 %, wall speed: 3 m/min, infill speed: 8 cm/s,
    support speed: 70 mm/s,
    travel speed: 0.2 m/s, acceleration: 3 m/s2, layer change: 500 ms, least layer: 0 s, start: 3 min,
    machine hour: 2, handling: 4.5}
  fine:
    {kind: resin, build volume: [5 in, 80 mm, 160 mm], material: clay, exposure: 2 s, lift: 7 s,
    first layers: 6, first exposure: 25 s, support: 5 %}
"""


def test_profiles_are_read_in_the_units_that_estimates_use(shop: Path) -> None:
    (shop / "shop.yaml").write_text(PROFILES)
    read = load_shop(shop)
    tall, fine = read.printers["tall"], read.printers["fine"]
    assert tall.filament == Filament(0.5, 2, 1.0, 0.2, 0.1, 50.0, 80.0, 70.0, 200.0, 3000.0, 0.5, 0.0)
    assert tall.material == Material("chalk", 1.3, 31.5, 2.85)
    assert (tall.prices, tall.start_s) == (Prices("GBP", 2.0, 4.5), 180.0)
    assert fine.resin == Resin(2.0, 7.0, 6, 25.0, 0.05)
    assert (fine.material.name, fine.material.density_g_per_cm3) == ("clay", pytest.approx(1.1))


def test_usual_values_of_file_and_profile_are_the_same(shop: Path) -> None:
    text = "kind: {}, build volume: [220 mm, 220 mm, 250 mm]"
    lines = ["shop: a", "recipe: bust", "printers:"]
    lines += [f"  {kind}: {{{text.format(kind)}}}" for kind in ("filament", "resin")]
    lines += ["materials: {plain: {}, other: {}}", ""]
    (shop / "shop.yaml").write_text("\n".join(lines))
    read = load_shop(shop)
    size = (220.0, 220.0, 250.0)
    assert read.printers["filament"] == Printer("filament", size)
    assert read.printers["resin"] == Printer("resin", size, "resin", layer_mm=0.05)
    assert made_material("usual filament", MaterialFile()) == Material()


def test_a_material_that_is_not_there(shop: Path) -> None:
    found = problems(shop, PROFILES.replace("material: clay", "material: cley"))
    assert found == ["16: printers › fine › material: there is no material 'cley'"]


def test_every_recipe_of_a_shop_extends_its_standard(tmp_path: Path, catalog: Catalog) -> None:
    recipes = tmp_path / "recipes"
    (recipes / "below").mkdir(parents=True)
    standard = "recipe: house\nsteps:\n  - weigh:\n    locked: true\ndeliver: [stl]\n"
    (recipes / "house.yaml").write_text(standard)
    (recipes / "below" / "house.yaml").write_text(standard)
    (recipes / "child.yaml").write_text("recipe: child\nextends: house\n")
    (recipes / "grandchild.yaml").write_text("recipe: grandchild\nextends: child\n")
    (recipes / "stray.yaml").write_text(standard.replace("house", "stray"))
    (recipes / "named.yaml").write_text(standard)  # says it is the standard, and is not its file
    (recipes / "elsewhere.yaml").write_text("recipe: elsewhere\nextends: below/house\n")

    def require(name: str, wanted: str | None = "house") -> None:
        recipe = load_recipe(recipes / f"{name}.yaml", catalog)
        require_standard(recipe, name, recipes, wanted)

    for name in ("house", "child", "grandchild"):
        require(name)
    for name in ("stray", "named", "elsewhere"):
        require(name, None)
        with pytest.raises(RecipeError, match="the shop's standard is 'house'"):
            require(name)


def test_who_does_not_extend_the_standard_is_told_where_and_what_to_do(
    tmp_path: Path, catalog: Catalog
) -> None:
    recipes = tmp_path / "recipes"
    recipes.mkdir()
    stray = "# first line\nrecipe: stray\nsteps:\n  - weigh:\ndeliver: [stl]\n"
    (recipes / "stray.yaml").write_text(stray)
    (recipes / "below.yaml").write_text("recipe: below\nextends: stray\n")

    def told(name: str) -> str:
        path = recipes / f"{name}.yaml"
        with pytest.raises(RecipeError) as caught:
            require_standard(load_recipe(path, catalog, f"{name}.yaml"), name, recipes, "house")
        return str(caught.value)

    alone, below = told("stray"), told("below")
    assert alone.startswith("stray.yaml:2:9: extends: ") and "2 | recipe: stray" in alone
    assert below.startswith("below.yaml:2:10: extends: ") and "2 | extends: stray" in below
    for said in (alone, below):
        assert "write 'extends: house'" in said
        assert "move a recipe that the shop does not use out of recipes/" in said
        assert "'standard' stands in shop.yaml" in said
    assert "'after: ID'" in alone and "let 'stray' extend it" in below


def test_the_standard_has_to_exist(shop: Path) -> None:
    (said,) = problems(shop, "shop: S\nrecipe: bust\nstandard: buste\n")
    assert said == "3: standard: there is no recipes/buste.yaml"
