"""The command line's part of a shop's own standards: its golden scans. `cli` takes it in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .cli import AsJson, ShopFolder, _group, command
from .errors import RecipeError, UsageError

of_shop = _group("shop", "Hold a shop's recipes against scans that it keeps for that.")


@command("test", of_shop)
def shop_test(
    shop: ShopFolder,
    only: Annotated[
        list[str] | None, typer.Option(help="Only this golden scan; may be given again.", metavar="NAME")
    ] = None,
    record: Annotated[
        str | None,
        typer.Option(help="Draw up golden/NAME/expect.yaml from what is measured now.", metavar="NAME"),
    ] = None,
    recipe: Annotated[
        str | None,
        typer.Option(help="The recipe to record with, by its name in recipes/.", metavar="NAME"),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="With --record: overwrite the expect file that is there.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Run the shop's recipes on its golden scans, as `serve` would, and hold the facts against their bounds.

    Nothing is written to the shop, but by --record. Exit status 0: all as expected. 4: something is not.
    2: an expect file is wrong, or --record would overwrite one without --replace.
    """
    if record is not None:
        if only:
            raise UsageError("--record names the golden scan itself; leave --only out")
        return _record(shop, record, recipe, replace, as_json)
    if recipe is not None or replace:
        raise UsageError("--recipe and --replace go with --record NAME")
    return _test(shop, only or [], as_json)


def _test(shop: Path, only: list[str], as_json: bool) -> int:
    from . import golden_report, printing
    from .catalog import find_steps
    from .golden import read_all
    from .golden_run import judge, runner
    from .jobs.rules import load_rules
    from .own_steps import with_own_steps

    rules = load_rules(shop.absolute())  # the child that does the job runs in another folder
    catalog = with_own_steps(find_steps(), rules.own_steps)
    golden, problems = read_all(shop, rules.recipe_folder, catalog, only)
    if problems:
        raise RecipeError(problems)
    results = []
    with runner(rules) as runs:
        for one in golden:
            with printing.job_progress(one.name) as progress:
                ran = runs.run(one.expected.recipe, one.scans, one.ticket, progress)
            result = judge(one, ran, catalog)
            golden_report.tested(result, as_json=as_json)
            results.append(result)
    return golden_report.all_tested(results, as_json=as_json)


def _record(shop: Path, name: str, recipe: str | None, replace: bool, as_json: bool) -> int:
    from . import golden_report, printing
    from .golden_record import draft, wish_for, write
    from .golden_run import runner
    from .jobs.rules import load_rules

    rules = load_rules(shop.absolute())  # the child that does the job runs in another folder
    wish = wish_for(shop, name, recipe, rules.default_recipe or "")
    rules.recipe_text(wish.recipe)
    with runner(rules) as runs, printing.job_progress(name) as progress:
        made = draft(wish, runs.run(wish.recipe, wish.scans, wish.ticket, progress))
    wrote = made.old is None or (replace and bool(made.diff))
    if wrote:
        write(made)
    golden_report.recorded(made, wrote, as_json=as_json)
    if made.diff and not wrote:
        raise UsageError(f"{made.path} was left as it is; to overwrite it with this: --replace")
    return 0
