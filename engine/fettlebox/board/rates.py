"""How often somebody may ask: a bucket that drips. Time is an argument."""

from __future__ import annotations

import threading
from collections import OrderedDict

MOST_KEPT = 10_000


class Buckets:
    """One bucket a key, of `size` drops, refilled with `a_second`. The oldest are forgotten."""

    def __init__(self, size: float, a_second: float) -> None:
        self.size, self.a_second = size, a_second
        self._kept: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: str, now: float, drops: float = 1.0) -> float:
        """Take drops out of a bucket: 0, or after how many seconds to ask again (and nothing is taken)."""
        with self._lock:
            left, since = self._kept.pop(key, (self.size, now))
            left = min(self.size, left + max(now - since, 0.0) * self.a_second)
            wait = 0.0 if left >= drops else (drops - left) / self.a_second
            self._kept[key] = (left - drops if wait == 0.0 else left, now)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
            return wait
