"""What is known of one job, gathered for its page and for programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from ..jobs.spool import Row
from ..jobs.states import FINISHED, State
from ..recipe import Recipe
from ..traveler.html import Markup, tag
from ..traveler.page import WORDS, card, headline, is_too_large, verdict
from ..traveler.pictures import FOLDER
from ..traveler.record import JobRecord
from ..traveler.turning import turning_view
from .files import JobFile, files_of_job, record_of
from .ledger_index import Happening, LedgerIndex
from .problems import Refused
from .recipes import Asked, Recipes, Ticking, ticking_of


@dataclass(frozen=True)
class JobView:
    """A job with everything that its page shows; `record` is None until it has ended."""

    row: Row
    folder: Path
    record: JobRecord | None
    files: tuple[JobFile, ...]
    happened: tuple[Happening, ...]
    asked: tuple[Asked, ...]
    ticking: Ticking | None
    takes: tuple[Mapping[str, Any], ...]
    no_recipe: str | None = None

    @property
    def word(self) -> str:
        return word_of(self.row, self.record)

    @property
    def colour(self) -> str:
        """The state that the verdict is coloured for: a part with warnings is not just done."""
        warned = self._told and self.record is not None and self.record.warnings
        return "held" if self.row.state is State.DONE and warned else str(self.row.state)

    @property
    def sentence(self) -> str:
        if self.row.state in FINISHED and self.record is not None and self._told:
            return self.row.reason or verdict(self.record)
        last = self.happened[0] if self.happened else None
        said = f"{last.event.capitalize()} by {last.by}. " if last is not None and last.by else ""
        return said + (self.row.reason or "")

    @property
    def _told(self) -> bool:
        """Whether the record speaks of the state that the job is in: a release or a rejection came later."""
        return _tells_of(self.record, self.row)

    @property
    def is_too_large(self) -> bool:
        return self.record is not None and is_too_large(self.record)

    @property
    def can_be_released(self) -> bool:
        return self.row.state is State.HELD and bool(self.record is None or self.record.outputs)

    def turning(self) -> Markup | None:
        """Scan and part, to turn: what a person looks at before anything else."""
        return turning_view(self.folder / FOLDER) if self.record is not None else None

    def card(self) -> Markup | None:
        if self.record is None:
            return None
        return card(self.record, _Pictures(self.row.id, {file.path for file in self.files}), None)


def word_of(row: Row, record: JobRecord | None) -> str:
    """How a job stands, in the words that its traveler says it in; a list says it as the job's page does."""
    return headline(record) if record is not None and _tells_of(record, row) else WORDS[row.state]


def _tells_of(record: JobRecord | None, row: Row) -> bool:
    return record is not None and record.state == row.state


class _Pictures:
    """Pictures as addresses of this board."""

    def __init__(self, job: str, there: set[str]) -> None:
        self.job, self.there = job, there

    def show(self, path: str, caption: str) -> Markup:
        if path not in self.there:
            return tag("p", f"Picture not shown: {path}", class_="quiet")
        source = file_address(self.job, path)
        return tag("figure", tag("img", src=source, alt=caption, loading="lazy"), tag("figcaption", caption))


def file_address(job: str, path: str) -> str:
    return f"/jobs/{quote(job)}/files/{quote(path)}"


def job_view(row: Row, shop: Path, recipes: Recipes, index: LedgerIndex) -> JobView:
    folder = shop / row.folder
    ended = row.state in FINISHED and row.discarded is None
    record = record_of(folder) if ended else None
    asked: tuple[Asked, ...] = ()
    recipe: Recipe | None = None
    no_recipe = None
    if ended and row.state is not State.DONE:
        try:
            recipe = recipes.get(row.recipe)
            asked = tuple(recipes.asked(row.recipe, _values_of(record)))
        except Refused as refused:
            no_recipe = str(refused.detail)
    ticking = ticking_of(record, recipe)
    if ticking is not None:
        asked = tuple(one for one in asked if one.name != ticking.field)
    takes = record.scan.get("takes", ()) if record is not None else ()
    return JobView(
        row, folder, record,
        tuple(files_of_job(folder, record)) if ended else (),
        tuple(index.of_job(row.id)), asked, ticking,
        tuple(take for take in takes if isinstance(take, Mapping)) if isinstance(takes, list) else (),
        no_recipe,
    )  # fmt: skip


def _values_of(record: JobRecord | None) -> dict[str, Any]:
    """What the job's ticket said, as it was written."""
    ticket = record.ticket if record is not None else None
    values = ticket.get("values") if ticket else None
    return dict(values) if isinstance(values, Mapping) else {}


def row_as_dict(row: Row) -> dict[str, Any]:
    """A job as the interface for programs shows it in lists."""
    plain = asdict(row)
    for private in ("seq", "base", "folder"):
        plain.pop(private)
    return {**plain, "state": str(row.state)}
