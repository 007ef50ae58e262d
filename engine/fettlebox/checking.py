"""Check recipe files without running them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from .catalog import Catalog
from .errors import RecipeError, UsageError
from .recipe import Problem, Shop, load_recipe, load_shop
from .recipe.expect import EXPECT, GOLDEN
from .recipe.shop import SHOP_FILE
from .surroundings import (
    RECIPES,
    catalog_of,
    catalog_of_wrong,
    read_around,
    require_shop_s_standard,
    shop_around,
)


@dataclass(frozen=True)
class Checked:
    """One file, what is wrong with it, and what is only odd."""

    path: Path
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()


def check_paths(paths: Sequence[Path], shop: Path | None = None) -> list[Checked]:
    """Check files, and for a shop's folder its shop.yaml, every recipe and every golden scan. One bad file
    hides no other.

    A recipe is looked at in the shop that is named, else in the one whose folder it lies in; of the latter
    nothing is run. Raises UsageError for what is not there, RecipeError if the shop that is named is wrong.
    """
    named = load_shop(shop) if shop is not None else None
    checked = []
    for path in paths:
        if path.is_dir():
            checked += _check_shop(path)
        elif path.is_file():
            checked.append(_check_file(path, named))
        else:
            raise UsageError(f"there is no file or folder {str(path)!r}")
    return checked


def _check_shop(folder: Path) -> list[Checked]:
    read = read_around(folder)  # its problems are reported with the shop file
    catalog = catalog_of(read) if read is not None else catalog_of_wrong(folder)
    checked = [_try(folder / SHOP_FILE, partial(_look_at_shop, folder))]
    for path in sorted((folder / RECIPES).glob("*.yaml")):
        checked.append(_try(path, partial(_look_at_recipe, path, catalog, read)))
    if (folder / GOLDEN).is_dir():
        from .golden import golden_folders, strays  # with all of a shop's jobs, which take long to import

        for golden in golden_folders(folder):
            checked.append(_try(golden / EXPECT, partial(_look_at_golden, golden, folder, catalog)))
        if stray := tuple(strays(folder)):
            checked.append(Checked(folder / GOLDEN, problems=stray))
    return checked


def _check_file(path: Path, named: Shop | None) -> Checked:
    if path.name == EXPECT and path.absolute().parent.parent.name == GOLDEN:
        folder = path.absolute().parent.parent.parent
        catalog = catalog_of(named, read_around(folder))
        return _try(path, partial(_look_at_golden, path.parent, folder, catalog))
    around = read_around(shop_around(path))
    return _try(path, partial(_look_at_recipe, path, catalog_of(named, around), named or around))


def _look_at_shop(folder: Path) -> tuple[Problem, ...]:
    shop = load_shop(folder)
    files = {one.file for one in shop.own_steps}
    aside = [bad for bad in catalog_of(shop).quarantined.values() if bad.source in files]
    if aside:
        raise RecipeError([Problem(bad.source, 0, 0, "", f"is set aside: {bad.reason}") for bad in aside])
    return ()


def _look_at_golden(folder: Path, shop: Path, catalog: Catalog) -> tuple[Problem, ...]:
    from .golden import read_golden

    read_golden(folder, shop / RECIPES, catalog)
    return ()


def _look_at_recipe(path: Path, catalog: Catalog, shop: Shop | None) -> tuple[Problem, ...]:
    recipe = load_recipe(path, catalog)
    require_shop_s_standard(recipe, path, shop)
    return recipe.warnings


def _try(path: Path, look: Callable[[], tuple[Problem, ...]]) -> Checked:
    try:
        return Checked(path, warnings=look())
    except RecipeError as error:
        return Checked(path, problems=error.problems)
