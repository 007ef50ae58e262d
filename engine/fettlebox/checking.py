"""Check recipe files without running them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from .catalog import Catalog, find_steps
from .errors import RecipeError, UsageError
from .recipe import Problem, load_recipe, load_shop


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
            checked.append(_try(path / "shop.yaml", partial(_look_at_shop, path)))
            files = sorted((path / "recipes").glob("*.yaml"))
        elif path.is_file():
            files = [path]
        else:
            raise UsageError(f"there is no file or folder {str(path)!r}")
        checked += [_try(file, partial(_look_at_recipe, file, catalog)) for file in files]
    return checked


def _look_at_shop(folder: Path) -> tuple[Problem, ...]:
    load_shop(folder)
    return ()


def _look_at_recipe(path: Path, catalog: Catalog) -> tuple[Problem, ...]:
    return load_recipe(path, catalog).warnings


def _try(path: Path, look: Callable[[], tuple[Problem, ...]]) -> Checked:
    try:
        return Checked(path, warnings=look())
    except RecipeError as error:
        return Checked(path, problems=error.problems)
