"""Open a shop to serve it: one server, no children of an earlier one, one disk, a spool that can be used."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator

from ..errors import UsageError
from .atomic import is_no_room
from .folders import ShopFolders
from .lock import shop_lock, wait_for_orphans
from .recovery import open_spool
from .store import Store


@contextlib.contextmanager
def open_shop(folders: ShopFolders) -> Iterator[tuple[Store, list[str]]]:
    """The store, with the shop locked, and sentences on what was mended. Raises UsageError if it cannot."""
    with contextlib.ExitStack() as stack:
        try:
            folders.make()
            stack.enter_context(shop_lock(folders.private / "lock"))
            if not wait_for_orphans(folders.private):
                raise UsageError(
                    "a worker of a server that was killed is still at work in this shop; try again"
                )
            folders.check_one_file_system()
            spool, said = open_spool(folders)
            stack.callback(spool.close)
        except (OSError, sqlite3.Error) as error:
            if not is_no_room(error):
                raise
            raise UsageError("the disk is full; make some room, then start again") from error
        yield Store(folders, spool), said
