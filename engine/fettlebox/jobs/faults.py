"""Names of the instants between two writes, so that tests can stop the power exactly there."""

from __future__ import annotations

from collections.abc import Callable

POINTS = (
    "prepared",  # the work folder stands and says what will come; the scan is still in the inbox
    "ticket-claimed",  # the ticket is in the work folder, the scan still in the inbox
    "claimed",  # the scan is in the work folder; the spool does not know yet
    "recorded",  # the spool has the job
    "started",  # the spool says that a worker has the job, and no worker has
    "returned",  # a worker has answered; nothing is sealed
    "cleared",  # what a failed attempt left behind is gone
    "synced",  # all results are on the disk; the seal is not
    "sealed",  # the seal is on the disk; the folder is still in the work folder
    "delivered",  # the folder is where it belongs; neither ledger nor spool knows yet
    "entered",  # the ledger has the entry; its head and the spool do not know yet
    "closed",  # the spool knows
    "trashed",  # a folder to be deleted is in the trash; neither ledger nor spool knows
    "forgotten",  # ledger and spool say that it is deleted; the files are still in the trash
)

hook: Callable[[str], None] | None = None


def reach(point: str) -> None:
    """Do nothing, unless a test put a hook here."""
    if hook is not None:
        hook(point)
