"""The command line's part of plugins: what they bring, a new one, the contract. `cli` takes it in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .cli import AsJson, OfShop, _of_shop, _settings, command, of_plugins
from .errors import UsageError


@command("list", of_plugins)
def plugin_list(shop: OfShop = None, as_json: AsJson = False) -> int:
    """List what plugins bring, by kind, and what is set aside. Exit status 4: something is."""
    from . import printing
    from .plugin_list import brought
    from .surroundings import catalog_of

    catalog = catalog_of(_of_shop(shop)[0])
    printing.plugins(brought(catalog), as_json=as_json)
    return 4 if catalog.quarantined else 0


@command("new", of_plugins)
def plugin_new(
    name: Annotated[
        str, typer.Argument(help="Its name: of a step, as recipes will call it.", metavar="NAME")
    ],
    into: Annotated[Path, typer.Option(help="The folder to put it into.")] = Path(),
    kind: Annotated[
        str,
        typer.Option(
            help="step, reader, writer, fact-collector, painter, grader, notifier or job-observer.",
            metavar="KIND",
        ),
    ] = "step",
) -> None:
    """Make a package for a plugin of one's own, with a test; it installs and passes at once."""
    from .new_plugin import new_plugin

    folder = new_plugin(name, into, kind)
    look = f"steps {name}" if kind == "step" else "plugin list"
    print(f"{folder} is ready. Next: cd {folder}; pip install -e '.[test]'; pytest; fettlebox {look}")


@command("prove", of_plugins)
def plugin_prove(
    name: Annotated[
        str,
        typer.Argument(
            help="A step that is installed or the shop's own, the ending of a reader (.asc), the format of a "
            "writer (obj), or the name of any other hook, with its package (PACKAGE/NAME) where two have it.",
            metavar="NAME",
        ),
    ],
    setting: Annotated[
        list[str] | None,
        typer.Option("--set", help="A step's parameter to try it with.", metavar="NAME=VALUE"),
    ] = None,
    sample: Annotated[
        list[Path] | None,
        typer.Option(
            help="A file that a reader has to read; a mesh in mm, to try anything else on instead of the "
            "small shapes.",
            metavar="FILE",
        ),
    ] = None,
    tell: Annotated[
        bool,
        typer.Option(
            "--tell", help="Tell an observer or notifier made-up events: it may send or switch something."
        ),
    ] = False,
    shop: OfShop = None,
    as_json: AsJson = False,
) -> int:
    """Hold what a plugin brings against the plugin contract. Exit status 4: it breaks a check, or gave one
    nothing to look at.
    """
    from . import printing
    from .proving import checks_of
    from .surroundings import catalog_of

    checks = checks_of(name, catalog_of(_of_shop(shop)[0]), _settings(setting or []), sample or (), tell=tell)
    return printing.proof(checks, as_json=as_json)


@command("page", of_plugins)
def plugin_page(
    name: Annotated[str, typer.Argument(help="An installed step.", metavar="NAME")],
    scan: Annotated[
        Path | None, typer.Option(help="A scan for the picture, instead of one that ships.", metavar="SCAN")
    ] = None,
    into: Annotated[Path, typer.Option(help="The folder to put it into.")] = Path(),
) -> None:
    """Write the reference page of a step: parameters, what it measures, limits, sources, and a picture of the
    recipe in its docstring.
    """
    from .catalog import find_steps
    from .reference.writing import write_page

    catalog = find_steps()
    if name not in catalog.steps:
        raise UsageError(catalog.why_not(name))
    for path in write_page(catalog.steps[name], catalog, into, scan=scan):
        print(f"wrote {path}")
