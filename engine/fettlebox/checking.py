"""Check recipe files without running them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from .catalog import Catalog, find_steps
from .errors import RecipeError, UsageError
from .own_steps import OwnStep, with_own_steps
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
        steps = catalog
        if path.is_dir():
            steps = with_own_steps(catalog, _own_steps(path))
            shop, standard = path / "shop.yaml", _standard_of(path)
            checked.append(_try(shop, partial(_look_at_shop, path)))
            files = sorted((path / "recipes").glob("*.yaml"))
        elif path.is_file():
            files, standard = [path], None
        else:
            raise UsageError(f"there is no file or folder {str(path)!r}")
        checked += [_try(file, partial(_look_at_recipe, file, steps, standard)) for file in files]
    return checked


def _look_at_shop(folder: Path) -> tuple[Problem, ...]:
    own = load_shop(folder).own_steps
    files = {one.file for one in own}
    aside = [bad for bad in with_own_steps(find_steps(), own).quarantined.values() if bad.source in files]
    if aside:
        raise RecipeError([Problem(bad.source, 0, 0, "", f"is set aside: {bad.reason}") for bad in aside])
    return ()


def _own_steps(folder: Path) -> tuple[OwnStep, ...]:
    try:
        return load_shop(folder).own_steps
    except RecipeError:
        return ()  # its problems are reported with the shop file


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
