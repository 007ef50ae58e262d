"""Try a recipe on a scan: every step's part, facts and picture on one sheet, and what each one changed.

Meant for tuning: steps whose input and parameters are as before are taken from what was kept.
"""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from .catalog import find_steps
from .declaring import declared
from .hooking import readers_of
from .jobs.digest import digest
from .jobs.tickets import ticket_beside
from .mesh import Part, read_scan
from .mesh.fidelity import by_face, compare
from .mesh.soundness import inspect
from .own_steps import OwnStep, with_own_steps
from .pictures import render_map, render_views
from .printer import EVERYDAY, Printer
from .recipe import PlannedStep, load_recipe, load_ticket
from .run_job import Progress
from .run_steps import Run, run_steps
from .step_cache import KEPT, KEPT_FOR_S, StepCache
from .traveler.html import Markup, join, style, tag
from .traveler.look import CSS
from .traveler.wording import named, shown

SHEET = "sheet.html"
UNMOVED_MM = 1e-9  # below this a step only rounded, and a map of it would be noise
LEAST_SCALE_MM = 0.01  # no print shows less, and a finer scale would paint rounding in the darkest colour
MORE_CSS = ".step figure{margin-top:.75rem}"


@dataclass
class Tried:
    """What one step did. `changed` is a picture of how far the surface moved, if it did."""

    planned: PlannedStep
    outcome: str
    facts: Mapping[str, Any]
    warnings: tuple[str, ...]
    reason: str | None
    sound: bool | None
    part_png: bytes
    changed_png: bytes | None = None
    changed: Mapping[str, Any] = field(default_factory=dict)


def try_recipe(
    recipe: Path,
    scan: Path,
    out: Path,
    *,
    ticket: Path | None = None,
    values: Mapping[str, Any] | None = None,
    printer: Printer = EVERYDAY,
    own_steps: tuple[OwnStep, ...] = (),
    progress: Progress = lambda step, fraction: None,
) -> tuple[Path, Run]:
    """Run a recipe on a scan for looking, not for delivery. Gives `out/sheet.html` and the run.

    Raises RecipeError for a wrong recipe, ticket or value, ScanError for what is no scan.
    """
    catalog = with_own_steps(find_steps(), own_steps)
    checked = load_recipe(recipe, catalog)
    ticket = ticket or ticket_beside(scan)
    given = load_ticket(ticket) if ticket else None
    plan = checked.plan(values or {}, given)
    part, origin, _ = declared(read_scan(scan, more=readers_of(catalog)), given)
    out.mkdir(parents=True, exist_ok=True)
    tried: list[Tried] = []
    first = render_views(part)
    last = [part]

    def watch(planned: PlannedStep, run: Run) -> None:
        tried.append(_look(planned, run, last[0]))
        last[0] = run.part

    cache = StepCache(out / KEPT)
    cache.sweep(KEPT_FOR_S, time.time())
    with TemporaryDirectory(dir=out, prefix=".scratch-") as scratch:
        run = run_steps(
            part,
            origin,
            plan,
            printer,
            seed=digest(scan.resolve()),
            scratch=Path(scratch),
            progress=progress,
            watch=watch,
            kept=cache,
        )
    sheet = out / SHEET
    building = sheet.with_name(f".{SHEET}.building")
    building.write_text(_page(checked.name, scan.name, first, tried, run), "utf-8")
    building.replace(sheet)
    return sheet, run


def _look(planned: PlannedStep, run: Run, before: Part) -> Tried:
    record = run.records[-1]
    tried = Tried(
        planned=planned,
        outcome=record.outcome,
        facts=record.facts,
        warnings=record.warnings,
        reason=record.reason,
        sound=inspect(run.part).sound,
        part_png=render_views(run.part),
    )
    if run.part is before:
        return tried
    moved = _moved(before, run.part)
    if moved is None or not len(moved) or float(np.max(moved)) <= UNMOVED_MM:
        return tried
    picture = render_map(run.part, moved, "moved by this step, life-size mm", at_least=LEAST_SCALE_MM)
    changed = {"moved_largest_mm": float(np.max(moved)), "moved_mean_mm": float(np.mean(moved))}
    return replace(tried, changed_png=picture, changed=changed)


def _moved(before: Part, after: Part) -> Any:
    """Per vertex or face: how far the surface has gone from where it was, in life-size mm.

    Both are looked at in the scan's frame, so that turning and scaling alone count as nothing.
    """
    if not (len(before.faces) and len(after.faces)):
        return None
    there = after.moved(before.placement @ np.linalg.inv(after.placement))
    unit = before.life_scale
    same = len(there.vertices) == len(before.vertices) and np.array_equal(there.faces, before.faces)
    if same:
        return np.linalg.norm(there.vertices - before.vertices, axis=1) / unit
    distance, invented = by_face(after, compare(before, after))
    return np.where(invented, 0.0, np.nan_to_num(distance))


def _page(recipe: str, scan: str, first: bytes, tried: list[Tried], run: Run) -> str:
    ended = {"done": "Every step ran", "held": "Stopped to ask a person", "rejected": "Stopped"}[run.state]
    body = tag(
        "main",
        tag("h1", f"{scan} · recipe {recipe}"),
        tag(
            "p",
            tag("span", ended, class_="word"),
            run.reason or "What each step made of the scan, and how far it moved the surface.",
            class_=f"verdict {run.state}",
        ),
        tag(
            "section",
            tag("h2", "The scan, as declared"),
            _figure(first, "before the first step"),
            class_="step",
        ),
        [_step(number, one) for number, one in enumerate(tried, start=1)],
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"{scan} · {recipe}"),
        style(CSS + MORE_CSS),
    )
    return f"<!doctype html>\n{tag('html', head, tag('body', body), lang='en')}\n"


def _step(number: int, one: Tried) -> Markup:
    sound = {True: "a sound solid", False: "not a sound solid yet", None: "not judged"}[one.sound]
    return tag(
        "section",
        tag("h2", f"{number}. {one.planned.id}: {one.outcome}, {sound}"),
        tag("pre", json.dumps(dict(one.planned.params_as_written), ensure_ascii=False)),
        tag("p", one.reason, class_="warn") if one.reason else None,
        [tag("p", text, class_="warn") for text in one.warnings],
        tag(
            "table", tag("tbody", [_row(name, value) for name, value in {**one.facts, **one.changed}.items()])
        ),
        _figure(one.part_png, "the part after this step"),
        _figure(one.changed_png, "what this step moved") if one.changed_png else None,
        class_="step",
    )


def _row(name: str, value: Any) -> Markup:
    return tag("tr", tag("th", named(name)), tag("td", shown(name, value)))


def _figure(png: bytes, caption: str) -> Markup:
    source = "data:image/png;base64," + base64.b64encode(png).decode()
    return tag("figure", join(tag("img", src=source, alt=caption), tag("figcaption", caption)))
