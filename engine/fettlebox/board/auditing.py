"""The audit, run beside everything else when somebody asks for it; what it last said is remembered."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from ..errors import FettleboxError
from ..jobs.audit import audit_shop
from ..jobs.journal import utc_now
from .cabinet import Cabinet

MOST_FINDINGS = 200


class Auditor:
    """One audit at a time: it reads every file of every finished job."""

    def __init__(self, shop: Path, cabinet: Cabinet) -> None:
        self.shop, self.cabinet = shop, cabinet
        self._running = threading.Lock()

    @property
    def running(self) -> bool:
        return self._running.locked()

    def last(self) -> dict[str, Any] | None:
        """What the last audit said: time, clean, entries, jobs, files, head, findings."""
        kept = self.cabinet.mark("audit")
        return None if kept is None else dict(json.loads(kept))

    def start(self) -> bool:
        """Begin one, unless one is running."""
        if not self._running.acquire(blocking=False):
            return False
        try:
            threading.Thread(target=self._run, name="board-audit", daemon=True).start()
        except BaseException:  # no memory for a thread
            self._running.release()
            raise
        return True

    def _run(self) -> None:
        try:
            self.cabinet.set_mark("audit", json.dumps(self._said()))
        finally:
            self._running.release()

    def _said(self) -> dict[str, Any]:
        try:
            audit = audit_shop(self.shop)
            return {
                "time": utc_now(), "clean": audit.clean, "entries": audit.entries, "jobs": audit.jobs,
                "files": audit.files, "head": audit.head, "found": len(audit.findings),
                "findings": [str(finding) for finding in audit.findings[:MOST_FINDINGS]],
            }  # fmt: skip
        except Exception as error:  # also MemoryError: whoever asked shall not wait for ever
            why = str(error) if isinstance(error, (FettleboxError, OSError)) else repr(error)
            return {
                "time": utc_now(),
                "clean": False,
                "found": 1,
                "findings": [f"it could not be done: {why}"],
            }
