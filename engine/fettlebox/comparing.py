"""Two recipes held against each other: files, or the recipe that a finished job was done with."""

from __future__ import annotations

from pathlib import Path

from .errors import UsageError
from .recipe import Recipe, Shop, load_recipe, load_shop, parse_recipe
from .recipe.difference import Difference, difference
from .surroundings import catalog_of, read_around, shop_around, shop_of_job


def compare(old: Path, new: Path, shop: Path | None = None) -> list[Difference]:
    """What differs between two recipes, each a file or a job's folder. `shop`: whose own steps they may have.

    Raises UsageError where there is neither, RecipeError with every problem of a recipe that is not good.
    """
    named = load_shop(shop) if shop is not None else None
    return difference(_recipe_at(old, named), _recipe_at(new, named))


def _recipe_at(path: Path, named: Shop | None) -> Recipe:
    if not path.is_dir():
        return load_recipe(path, catalog_of(named, read_around(shop_around(path))))
    from .traveler.writing import TRAVELER, read_traveler

    if not (path / TRAVELER).is_file():
        raise UsageError(f"{path} is neither a recipe file nor a job's folder: it has no {TRAVELER}")
    recorded = read_traveler(path).recipe
    catalog = catalog_of(named, read_around(shop_of_job(path)))
    return parse_recipe(recorded["text"], f"{path.name}/{recorded['name']}", catalog)
