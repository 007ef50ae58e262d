"""Two recipes held against each other: files, or the recipe that a finished job was done with."""

from __future__ import annotations

from pathlib import Path

from .catalog import Catalog, find_steps
from .errors import UsageError
from .recipe import Recipe, load_recipe, parse_recipe
from .recipe.difference import Difference, difference


def compare(old: Path, new: Path) -> list[Difference]:
    """What differs between two recipes, each a file or a job's folder.

    Raises UsageError where there is neither, RecipeError with every problem of a recipe that is not good.
    """
    catalog = find_steps()
    return difference(_recipe_at(old, catalog), _recipe_at(new, catalog))


def _recipe_at(path: Path, catalog: Catalog) -> Recipe:
    if not path.is_dir():
        return load_recipe(path, catalog)
    from .traveler.writing import TRAVELER, read_traveler

    if not (path / TRAVELER).is_file():
        raise UsageError(f"{path} is neither a recipe file nor a job's folder: it has no {TRAVELER}")
    recorded = read_traveler(path).recipe
    return parse_recipe(recorded["text"], f"{path.name}/{recorded['name']}", catalog)
