from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.errors import RecipeError
from fettlebox.printer import EVERYDAY, Printer
from fettlebox.recipe import load_shop

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
    assert (read.printer, read.workers, read.keep_s) == (EVERYDAY, 1, None)
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
