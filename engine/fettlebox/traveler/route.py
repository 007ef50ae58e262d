"""The route card: every step with what was asked, what it found, and its pictures.

Facts stand open; evidence, which is for whoever doubts a step, opens on demand, and by itself where a step
stopped the job.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any, Protocol

from .html import Markup, join, tag
from .pictures import picture_name
from .record import JobRecord, StepRecord
from .wording import named, shown

EMPTY: tuple[Any, ...] = (None, "", [], {}, ())


class Figures(Protocol):
    """Where a page's pictures come from."""

    def show(self, path: str, caption: str) -> Markup:
        """The picture at `path` below the job's folder, or a sentence where it cannot be shown."""


def caption_of(record: JobRecord, path: str) -> str:
    """What the record says of a picture, or else its name in words."""
    return record.captions.get(path) or PurePosixPath(path).stem.replace("-", " ")


def route(record: JobRecord, figures: Figures) -> list[Markup]:
    if not record.steps:
        return []
    return [
        tag("h2", "Route"),
        tag("ol", [_step(record, step, figures) for step in record.steps], class_="route"),
    ]


def _step(record: JobRecord, step: StepRecord, figures: Figures) -> Markup:
    title = step.id if step.id == step.name else f"{step.id} ({step.name})"
    same = step.outcome == "done" and step.part_in == step.part_out
    outcome: str = "done, part unchanged" if same else step.outcome
    if step.made:
        outcome = f"done; made {', '.join(step.made)}"
    pictures = [
        figures.show(path, caption_of(record, path))
        for path in record.pictures
        if PurePosixPath(path).name in {picture_name(name) for name in step.pictures}
    ]
    asked = [("asked", _inline(step.params))] if _inline(step.params) else []
    collected = [
        (f"{key}: {name}", value) for key, facts in step.collected.items() for name, value in _told(facts)
    ]
    facts = _pairs([*asked, *_told(step.facts), *collected])
    evidence = _pairs(_told({k: v for k, v in step.evidence.items() if k not in step.facts}))
    return tag(
        "li",
        tag("h3", title),
        tag("span", f" {outcome}", class_="quiet"),
        tag("p", step.reason) if step.reason else None,
        facts,
        [tag("p", f"Warning: {warning}", class_="warn") for warning in step.warnings],
        tag("details", tag("summary", "Evidence"), evidence, open=step.outcome in ("held", "failed"))
        if evidence
        else None,
        pictures,
    )


def _told(values: Mapping[str, Any]) -> list[tuple[str, Markup | str]]:
    return [(named(key), _lines(key, value)) for key, value in values.items() if value not in EMPTY]


def _pairs(pairs: Sequence[tuple[str, Markup | str]]) -> Markup | None:
    if not pairs:
        return None
    return tag("dl", [tag("div", tag("dt", key), tag("dd", value)) for key, value in pairs])


def _lines(key: str, value: Any) -> Markup | str:
    """A value in words; a list of several findings takes a line each."""
    if isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
        return join([tag("div", shown(key, item)) for item in value])
    return shown(key, value)


def _inline(params: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{named(key)} {shown(key, value)}"
        for key, value in params.items()
        if value not in EMPTY and shown(key, value) != "—"
    )
