"""Decisions of a person, carried out as the command line does, and refused in words that a person can use."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import yaml

from ..errors import FettleboxError, RecipeError
from ..jobs import desk
from ..jobs.folders import ORIGINAL, ShopFolders, read_card
from ..jobs.spool import Row
from ..recipe import TICKET_SUFFIX, load_ticket
from ..recipe.ticket import TicketFile
from .keys import Person
from .ledger_index import LedgerIndex
from .problems import Refused
from .reading import SpoolReader
from .settings import Settings


class Desk:
    """What persons may decide about one shop's jobs. Every decision names its person in the ledger."""

    def __init__(self, settings: Settings, spool: SpoolReader, index: LedgerIndex) -> None:
        self.shop, self.spool, self.index = settings.shop, spool, index
        self.folders = ShopFolders(settings.shop)

    def find(self, job: str) -> Row:
        """Raises Refused (404) if there is no such job."""
        row = self.spool.job(job)
        if row is None:
            raise Refused(404, "there is no such job in this shop")
        return row

    def release(self, job: str, person: Person, seen: str | None = None) -> str:
        self.find(job)
        with self._one_decides(job):
            desk.release(self.shop, job, by=person.name, seen=seen)
        return "Handed over to the outbox."

    def reject(self, job: str, reason: str, person: Person, seen: str | None = None) -> str:
        self.find(job)
        if not reason.strip():
            raise Refused(422, "a rejected job needs a reason: a sentence for whoever brought the scan")
        with self._one_decides(job):
            desk.reject(self.shop, job, reason, by=person.name, seen=seen)
        return "Rejected; the reason is on record."

    def discard(self, job: str, person: Person, seen: str | None = None) -> str:
        self.find(job)
        with self._one_decides(job):
            desk.discard(self.shop, job, by=person.name, seen=seen)
        return "Its files are deleted; its entry and their digests stay on record."

    def retry(
        self, job: str, person: Person, answers: Mapping[str, Any] | None = None, seen: str | None = None
    ) -> str:
        """Back to the queue. `answers` are keys of a ticket; what the job's ticket said otherwise stays."""
        row = self.find(job)
        with self._one_decides(job):
            if not answers:
                desk.retry(self.shop, job, by=person.name, seen=seen)
            else:
                with tempfile.TemporaryDirectory(prefix="board-", dir=self.folders.private) as place:
                    ticket = Path(place) / f"{job}{TICKET_SUFFIX}"
                    ticket.write_text(ticket_text(self._ticket_of(row, answers)), "utf-8")
                    desk.retry(self.shop, job, ticket, by=person.name, seen=seen)
        return "Sent back to the queue."

    def _ticket_of(self, row: Row, answers: Mapping[str, Any]) -> dict[str, Any]:
        """The job's ticket as it is, with what a person answers now."""
        folder = self.folders.root / row.folder
        card = read_card(folder)
        now: dict[str, Any] = {}
        if card is not None and card.ticket is not None:
            try:
                now = plain_ticket(folder / ORIGINAL / card.ticket)
            except RecipeError:
                now = {}  # it could not be used; that may be what the job was rejected for
        now.setdefault("recipe", row.recipe)
        if row.order_no and "order" not in now:
            now["order"] = row.order_no
        values = {**now.get("set", {}), **answers.get("set", {})}
        return {
            **now,
            **{k: v for k, v in answers.items() if k != "set"},
            **({"set": values} if values else {}),
        }

    @contextmanager
    def _one_decides(self, job: str) -> Iterator[None]:
        """Raises Refused for what the desk will not do, such as where another person was quicker."""
        try:
            yield
        except FettleboxError as error:
            raise self._refused(job, error) from error

    def _refused(self, job: str, error: FettleboxError) -> Refused:
        """The sentence, and if another person was quicker, who it was."""
        if isinstance(error, RecipeError):
            return Refused(422, str(error), problems=[one.as_dict() for one in error.problems])
        self.index.catch_up()
        last = self.index.of_job(job, 1)
        more = ""
        if last and last[0].by is not None:
            more = f". {last[0].by} was quicker: it was {last[0].event} at {last[0].time}"
        return Refused(409, f"{error}{more}")


def plain_ticket(path: Path) -> dict[str, Any]:
    """A ticket's keys as plain values, without those that say nothing."""
    ticket = load_ticket(path, path.name)
    values = {name: getattr(ticket, name) for name in TicketFile.model_fields}
    values |= {"set": dict(ticket.set), "takes": list(ticket.takes)}
    return {key: value for key, value in values.items() if value not in (None, {}, [])}


def ticket_text(values: Mapping[str, Any]) -> str:
    return yaml.safe_dump(dict(values), allow_unicode=True, sort_keys=False)
