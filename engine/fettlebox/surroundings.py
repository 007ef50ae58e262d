"""Which shop a recipe, or a job, is looked at in, and what of that shop holds for it.

What a shop writes down as data (its standard, its printers and materials) holds for the recipes that lie in
its folder. Its own steps are code: they run only where a person names the shop, or has one of its jobs done
again, never because a recipe was found to lie in one. So whoever has the folder of somebody else can
check and read its recipes without running anything of theirs.
"""

from __future__ import annotations

from pathlib import Path

from . import catalog
from .catalog import Catalog
from .errors import RecipeError
from .own_steps import left_out, with_own_steps
from .recipe import Recipe, Shop, load_shop
from .recipe.nodes import Problems
from .recipe.shop import SHOP_FILE, require_standard
from .recipe.text import read_file
from .recipe.ticket import read_mapping

RECIPES = "recipes"


def shop_around(recipe: Path) -> Path | None:
    """The folder of the shop in whose `recipes/` a file lies."""
    folder = recipe.absolute().parent
    return _shop_in(folder.parent) if folder.name == RECIPES else None


def shop_of_job(folder: Path) -> Path | None:
    """The folder of the shop in whose outbox, hold or rejects a job's folder lies."""
    return _shop_in(folder.resolve().parent.parent)


def _shop_in(folder: Path) -> Path | None:
    return folder if (folder / SHOP_FILE).is_file() else None


def read_around(folder: Path | None) -> Shop | None:
    """A shop that was found; None if there is none, or if its file is wrong, which `check` tells."""
    if folder is None:
        return None
    try:
        return load_shop(folder)
    except RecipeError:
        return None


def catalog_of(named: Shop | None, around: Shop | None = None) -> Catalog:
    """The steps that are installed, with those of the shop that was named. Of a shop that was only found, the
    steps are not run; who misses one is told how to have it.
    """
    if named is not None:
        return with_own_steps(catalog.find_steps(), named.own_steps)
    found = catalog.find_steps()
    if around is None:
        return found
    why = f"code of the shop {around.folder} is run only if the shop is named; add --shop {around.folder}"
    return left_out(found, (one.file for one in around.own_steps), why)


def catalog_of_wrong(folder: Path) -> Catalog:
    """The steps that are installed, for a shop whose file is wrong: of the files that it names, nothing is
    run, and who misses a step is told that it may come from there.
    """
    try:
        steps = read_mapping(read_file(folder / SHOP_FILE, SHOP_FILE, "shop file"), SHOP_FILE, "shop file",
                             Problems()).plain().get("steps")  # fmt: skip
    except RecipeError:
        steps = None
    named = [one.get("file") for one in steps if isinstance(one, dict)] if isinstance(steps, list) else []
    files = [file for file in named if isinstance(file, str)]
    return left_out(catalog.find_steps(), files, f"nothing of it is run before {SHOP_FILE} is mended")


def require_shop_s_standard(recipe: Recipe, path: Path, shop: Shop | None) -> None:
    """Raise RecipeError unless a recipe file, wherever it lies, is the shop's standard or extends it."""
    if shop is None:
        return
    recipes = shop.folder / RECIPES
    name = path.stem if path.resolve().parent == recipes.resolve() else str(path)
    require_standard(recipe, name, recipes, shop.standard)
