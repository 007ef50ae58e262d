"""The command line's part of plugins: what they bring, a new one, the contract. `cli` takes it in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from .cli import AsJson, _settings, command, of_plugins


@command("list", of_plugins)
def plugin_list(as_json: AsJson = False) -> int:
    """List what plugins bring, by kind, and what is set aside. Exit status 4: something is."""
    from . import printing
    from .catalog import find_steps
    from .plugin_list import brought

    catalog = find_steps()
    printing.plugins(brought(catalog), as_json=as_json)
    return 4 if catalog.quarantined else 0


@command("new", of_plugins)
def plugin_new(
    name: Annotated[
        str, typer.Argument(help="The name of the step, as recipes will call it.", metavar="NAME")
    ],
    into: Annotated[Path, typer.Option(help="The folder to put it into.")] = Path(),
) -> None:
    """Make a package for a step of one's own, with a test; it installs and passes at once."""
    from .new_plugin import new_plugin

    folder = new_plugin(name, into)
    print(f"{folder} is ready. Next: cd {folder}; pip install -e '.[test]'; pytest; fettlebox steps {name}")


@command("prove", of_plugins)
def plugin_prove(
    name: Annotated[
        str,
        typer.Argument(
            help="An installed step, the ending of a reader (.asc), the format of a writer (obj), or the "
            "name of any other hook, with its package (PACKAGE/NAME) where two have it.",
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
    as_json: AsJson = False,
) -> int:
    """Hold what a plugin brings against the plugin contract. Exit status 4: it breaks a check, or gave one
    nothing to look at.
    """
    from . import printing
    from .catalog import find_steps
    from .proving import checks_of

    checks = checks_of(name, find_steps(), _settings(setting or []), sample or (), tell=tell)
    return printing.proof(checks, as_json=as_json)
