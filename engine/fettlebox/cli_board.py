"""The command line's part of what a board does too: verdicts of persons, tokens, hooks. `cli` takes it in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer

from .cli import AsJson, JobId, ShopFolder, _group, _login_name, command

of_tokens = _group("token", "Who may enter a shop's board.")
of_hooks = _group("hook", "Who is told of what happens to a shop's jobs.")


@command("release")
def release(
    shop: ShopFolder,
    job: JobId,
    by: Annotated[str | None, typer.Option(help="Who has looked; your login name if not given.")] = None,
) -> None:
    """A person has looked: hand a held job's parts over to the outbox as they are."""
    from .jobs import release as act

    print(act(shop, job, by=by or _login_name()))


@command("reject")
def reject(
    shop: ShopFolder,
    job: JobId,
    reason: Annotated[str, typer.Option(help="A sentence for whoever brought the scan.")],
    by: Annotated[str | None, typer.Option(help="Who has looked; your login name if not given.")] = None,
) -> None:
    """A person has looked: a held job is not made, for a reason."""
    from .jobs import reject as act

    print(act(shop, job, reason, by=by or _login_name()))


@command("add", of_tokens)
def token_add(
    shop: ShopFolder,
    name: Annotated[str, typer.Argument(help="Whose it is, as the ledger will say.", metavar="NAME")],
    may: Annotated[str, typer.Option(help="see, decide or admin.")] = "see",
) -> None:
    """Make a token for the board, and show it this once."""
    from .board.commands import add_token_to

    print(add_token_to(shop, name, may))


@command("list", of_tokens)
def token_list(shop: ShopFolder, as_json: AsJson = False) -> None:
    """List the tokens of the board by name."""
    from .board.commands import list_tokens

    _rows(list_tokens(shop), as_json=as_json)


@command("remove", of_tokens)
def token_remove(
    shop: ShopFolder, name: Annotated[str, typer.Argument(help="Whose it is.", metavar="NAME")]
) -> None:
    """Take a token back; whoever entered with it is out."""
    from .board.commands import remove_token_from

    print(remove_token_from(shop, name))


@command("add", of_hooks)
def hook_add(
    shop: ShopFolder, url: Annotated[str, typer.Argument(help="Where to post events.", metavar="URL")]
) -> None:
    """Tell URL of every job from now on; the secret of the signatures is shown this once."""
    from .board.commands import add_hook_to

    print(add_hook_to(shop, url))


@command("list", of_hooks)
def hook_list(shop: ShopFolder, as_json: AsJson = False) -> None:
    """List who is told, what waits for them and what was given up."""
    from .board.commands import list_hooks

    _rows(list_hooks(shop), as_json=as_json)


@command("remove", of_hooks)
def hook_remove(
    shop: ShopFolder, hook: Annotated[str, typer.Argument(help="Its id or URL.", metavar="HOOK")]
) -> None:
    """Tell it nothing any more."""
    from .board.commands import remove_hook_from

    print(remove_hook_from(shop, hook))


def _rows(rows: Sequence[Mapping[str, Any]], *, as_json: bool) -> None:
    from . import printing
    from .text import plain

    for row in rows:
        if as_json:
            printing.as_json_line(row)
        else:
            print("  ".join(plain(str(value)) for value in row.values()))
