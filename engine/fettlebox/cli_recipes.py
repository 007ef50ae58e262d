"""The command line's part of recipes that are not run, and of the steps in them. `cli` takes it in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .cli import AsJson, OfShop, _group, _of_shop, command
from .errors import UsageError

of_recipes = _group("recipe", "Hold recipes against each other.")


@command("check")
def check(
    recipes: Annotated[
        list[Path], typer.Argument(help="Recipe files, or a shop's folder.", metavar="RECIPE...")
    ],
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Check recipes without running them; every problem is shown with its place, and of a shop what its
    printers cannot make. Of a shop that is not named, as its folder or by --shop, no own step is loaded.
    """
    from . import printing
    from .checking import check_paths
    from .recipe.expect import EXPECT
    from .suiting import suits_of, suits_of_file

    worst = printing.check_report(check_paths(recipes, shop), as_json=as_json)
    for path in recipes:
        if path.name != EXPECT:
            found = suits_of(path) if path.is_dir() else suits_of_file(path, shop)
            worst = max(worst, printing.suited_report(found, as_json=as_json))
    return worst


@command("explain")
def explain(
    recipe: Annotated[Path, typer.Argument(help="A recipe file.", metavar="RECIPE")],
    shop: OfShop = None,
    as_json: AsJson = False,
) -> None:
    """Say in plain words what RECIPE does, for the shop floor."""
    from . import printing
    from .recipe import load_recipe
    from .recipe.explain import explain as in_words
    from .surroundings import catalog_of, read_around, shop_around

    catalog = catalog_of(_of_shop(shop)[0], read_around(shop_around(recipe)))
    printing.explanation(in_words(load_recipe(recipe, catalog)), as_json=as_json)


@command("diff", of_recipes)
def recipe_diff(
    old: Annotated[Path, typer.Argument(help="A recipe file, or a finished job's folder.", metavar="OLD")],
    new: Annotated[Path, typer.Argument(help="The same.", metavar="NEW")],
    shop: OfShop = None,
    as_json: AsJson = False,
) -> None:
    """Say what NEW does otherwise than OLD; for a job's folder, the recipe it was done with."""
    from . import printing
    from .comparing import compare

    printing.differences(compare(old, new, shop), as_json=as_json)


@command("steps")
def steps(
    name: Annotated[str | None, typer.Argument(help="One step, in full.", metavar="[NAME]")] = None,
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """List the steps that recipes can use, or show one with its parameters."""
    from . import printing
    from .surroundings import catalog_of

    catalog = catalog_of(_of_shop(shop)[0])
    if name is not None and name not in catalog.steps:
        raise UsageError(catalog.why_not(name))
    printing.steps(catalog, name, as_json=as_json)
    return 0
