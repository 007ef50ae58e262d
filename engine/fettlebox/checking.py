"""Check recipe files without running them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from .catalog import Catalog, find_steps
from .errors import RecipeError, UsageError
from .recipe import Problem, load_recipe, load_shop
from .recipe.shop import require_standard


@dataclass(frozen=True)
class Checked:
    """One file, what is wrong with it, and what is only odd."""

    path: Path
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()


def check_paths(paths: Sequence[Path]) -> list[Checked]:
    """Check files, and for a shop's folder its shop.yaml and every recipe. One bad file hides no other."""
    catalog = find_steps()
    checked = []
    for path in paths:
        if path.is_dir():
            shop, standard = path / "shop.yaml", _standard_of(path)
            checked.append(_try(shop, partial(_look_at_shop, path)))
            files = sorted((path / "recipes").glob("*.yaml"))
        elif path.is_file():
            files, standard = [path], None
        else:
            raise UsageError(f"there is no file or folder {str(path)!r}")
        checked += [_try(file, partial(_look_at_recipe, file, catalog, standard)) for file in files]
    return checked


def _look_at_shop(folder: Path) -> tuple[Problem, ...]:
    load_shop(folder)
    return ()


def _standard_of(folder: Path) -> str | None:
    try:
        return load_shop(folder).standard
    except RecipeError:
        return None  # its problems are reported with the shop file


def _look_at_recipe(path: Path, catalog: Catalog, standard: str | None) -> tuple[Problem, ...]:
    recipe = load_recipe(path, catalog)
    require_standard(recipe, path.stem, path.parent, standard)
    return recipe.warnings


def _try(path: Path, look: Callable[[], tuple[Problem, ...]]) -> Checked:
    try:
        return Checked(path, warnings=look())
    except RecipeError as error:
        return Checked(path, problems=error.problems)
