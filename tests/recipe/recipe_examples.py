"""The example files of tests/recipes and recipes, and what our checker says of each."""

from __future__ import annotations

from pathlib import Path

from fettlebox.catalog import Catalog
from fettlebox.errors import Problem, RecipeError
from fettlebox.recipe import load_recipe, load_ticket
from fettlebox.recipe.shop import parse_shop
from fettlebox.recipe.text import read_file

EXAMPLES = Path(__file__).parents[1] / "recipes"
SHIPPED = Path(__file__).parents[2] / "recipes"
GOOD = sorted((EXAMPLES / "good").glob("*.yaml")) + sorted(SHIPPED.glob("*.yaml"))
BAD = sorted((EXAMPLES / "bad").glob("*.yaml"))
BEYOND = sorted((EXAMPLES / "beyond_schema").glob("*.yaml"))


def kind_of(path: Path) -> str:
    return path.suffixes[0].removeprefix(".") if len(path.suffixes) > 1 else "recipe"


def complaints(path: Path, catalog: Catalog) -> tuple[Problem, ...]:
    try:
        match kind_of(path):
            case "ticket":
                load_ticket(path, path.name)
            case "shop":
                parse_shop(read_file(path, path.name, "shop file"), path.name)
            case _:
                return load_recipe(path, catalog, path.name).warnings
    except RecipeError as error:
        return error.problems
    return ()
