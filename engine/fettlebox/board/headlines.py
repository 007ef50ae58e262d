"""How the jobs of a list stand, in the words of their travelers; kept in memory, since records are large."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from ..jobs.spool import Row
from ..jobs.states import State
from .files import record_of
from .jobs_view import word_of

MOST_KEPT = 2000


class Headlines:
    """Words by job, state and end; the least recently asked for are forgotten."""

    def __init__(self, shop: Path) -> None:
        self.shop = shop
        self._kept: OrderedDict[tuple[str, str, str | None], str] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, row: Row) -> str:
        """Only of a part that was made does the record say more than the state does."""
        if row.state is not State.DONE or row.discarded is not None:
            return word_of(row, None)
        key = (row.id, str(row.state), row.finished)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        record = record_of(self.shop / row.folder)
        word = word_of(row, record)
        if record is None:
            return word  # a disk that did not answer will again
        with self._lock:
            self._kept[key] = word
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return word
