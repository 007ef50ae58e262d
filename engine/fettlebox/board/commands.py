"""What the command line does with a board: serve with one, tokens, hooks."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..errors import UsageError
from ..jobs.events import ServeSummary
from ..jobs.folders import ShopFolders


def with_board(
    shop: Path, address: str | None, url: str | None, certificate: Path | None, key: Path | None
) -> Callable[..., ServeSummary]:
    """The server's `serve` for this shop, with a board beside it if there is an address for one.

    Raises UsageError for an address or files that cannot be.
    """
    from ..server import serve

    if address is None:
        if any((url, certificate, key)):
            raise UsageError("--board-url, --board-cert and --board-key go with --board ADDR")
        return lambda **how: serve(shop, **how)
    from .beside import board_beside
    from .settings import settings_for

    _require_shop(shop)
    settings = settings_for(shop, address, url, certificate, key)

    def run(**how: Any) -> ServeSummary:
        with board_beside(settings, _say) as board:
            return serve(shop, show=board.show, **how)

    return run


def _say(text: str) -> None:
    with contextlib.suppress(OSError):
        print(text, file=sys.stderr, flush=True)


def add_token_to(shop: Path, name: str, may: str) -> str:
    """The new token. Raises UsageError for a name in use, or a word that is none."""
    from .keys import add_token, may_of

    with _cabinet(shop) as cabinet:
        return add_token(cabinet, name, may_of(may))


def list_tokens(shop: Path) -> list[dict[str, Any]]:
    from .keys import tokens

    with _cabinet(shop) as cabinet:
        return [{"name": name, "may": may, "created": created} for name, may, created in tokens(cabinet)]


def remove_token_from(shop: Path, name: str) -> str:
    from .keys import remove_token

    with _cabinet(shop) as cabinet:
        remove_token(cabinet, name)
    return f"the token {name!r} opens nothing any more"


def add_hook_to(shop: Path, url: str) -> str:
    """The new hook's secret, in a sentence."""
    from .ledger_index import LedgerIndex
    from .postman import add_hook

    with _cabinet(shop) as cabinet:
        LedgerIndex(shop, cabinet).catch_up()  # what happened before now is not told
        hook, secret = add_hook(cabinet, url)
    return f"hook {hook}; its signatures are made with {secret}"


def list_hooks(shop: Path) -> list[dict[str, Any]]:
    from .postman import hooks

    with _cabinet(shop) as cabinet:
        return hooks(cabinet)


def remove_hook_from(shop: Path, hook: str) -> str:
    from .postman import remove_hook

    with _cabinet(shop) as cabinet:
        remove_hook(cabinet, hook)
    return f"{hook} is told nothing any more"


@contextmanager
def _cabinet(shop: Path) -> Iterator[Any]:
    from .cabinet import Cabinet

    _require_shop(shop)
    cabinet = Cabinet(ShopFolders(shop).private)
    try:
        yield cabinet
    finally:
        cabinet.close()


def _require_shop(shop: Path) -> None:
    if not (shop / "shop.yaml").is_file():
        raise UsageError(f"{shop} is not a shop: it has no shop.yaml")
