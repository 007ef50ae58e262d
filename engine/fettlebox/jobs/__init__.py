"""Jobs: what becomes of a scan between the inbox and the outbox, so that none is ever lost."""

from .desk import discard, list_jobs, reject, release, retry
from .founding import init_shop
from .spool import Row
from .states import State

__all__ = ["Row", "State", "discard", "init_shop", "list_jobs", "reject", "release", "retry"]
