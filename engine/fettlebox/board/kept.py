"""What was made lately and would be made again just so."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

MOST = 64


class Kept:
    """The newest few by key. While one is being made, whoever wants the same waits for it."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], bytes]) -> bytes:
        with self._lock:
            if key not in self._kept:
                self._kept[key] = make()
                while len(self._kept) > self._most:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return self._kept[key]
