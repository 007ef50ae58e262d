"""Everything that the pages and calls of one board share, made once when it starts."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request

from ..jobs.folders import ShopFolders
from .actions import Desk
from .auditing import Auditor
from .cabinet import Cabinet
from .headlines import Headlines
from .kept import Kept
from .keys import May, Person
from .ledger_index import LedgerIndex
from .live import Live
from .postman import Postman, end_the_board
from .problems import Refused
from .reading import SpoolReader
from .recipes import Recipes, catalog
from .settings import Settings
from .thumbs import Thumbs
from .uploads import Uploads

FOLLOW_S = 1.0
BATCH = 200


@dataclass(frozen=True)
class Office:
    """The parts of one board."""

    settings: Settings
    folders: ShopFolders
    cabinet: Cabinet
    spool: SpoolReader
    index: LedgerIndex
    recipes: Recipes
    desk: Desk
    uploads: Uploads
    live: Live
    thumbs: Thumbs
    headlines: Headlines
    auditor: Auditor
    postman: Postman
    parts: Kept


def make_office(settings: Settings) -> Office:
    folders = ShopFolders(settings.shop)
    cabinet = Cabinet(folders.private)
    spool = SpoolReader(folders.spool)
    index = LedgerIndex(settings.shop, cabinet)
    return Office(
        settings, folders, cabinet, spool, index,
        Recipes(settings.shop),
        Desk(settings, spool, index),
        Uploads(settings, cabinet),
        Live(spool),
        Thumbs(),
        Headlines(settings.shop),
        Auditor(settings.shop, cabinet),
        Postman(settings.shop, cabinet, spool, notifiers=lambda: catalog().notifiers),
        Kept(),
    )  # fmt: skip


class Clerk(threading.Thread):
    """Keeps the index up with the ledger, and sends what has to be sent; in a thread of its own."""

    def __init__(self, office: Office) -> None:
        super().__init__(name="board-clerk", daemon=True)
        self.office, self._stop_now = office, threading.Event()

    def run(self) -> None:
        while not self._stop_now.is_set():
            busy = False
            try:
                busy = self.office.index.catch_up(BATCH) == BATCH
                self.office.postman.round()
            except MemoryError:
                end_the_board()
            except Exception:  # a full disk, a locked file: the next round tries again
                import logging

                logging.getLogger("fettlebox.board").warning("the index was not brought up", exc_info=True)
            self._stop_now.wait(0.02 if busy else FOLLOW_S)

    def stop(self) -> None:
        self._stop_now.set()
        self.join(5.0)


def office_of(request: Request) -> Office:
    found: Office = request.app.state.office
    return found


class Needs:
    """What a page or call demands of whoever asks. The door has found out who that is."""

    def __init__(self, may: May) -> None:
        self.may = may

    def __call__(self, request: Request) -> Person:
        person: Person | None = request.state.person
        if person is None:
            raise Refused(401, "give a token")
        if person.may < self.may:
            raise Refused(403, f"this needs a token that may {self.may.word}; yours may {person.may.word}")
        return person


Sees = Annotated[Person, Depends(Needs(May.SEE))]
Decides = Annotated[Person, Depends(Needs(May.DECIDE))]
Administers = Annotated[Person, Depends(Needs(May.ADMIN))]
