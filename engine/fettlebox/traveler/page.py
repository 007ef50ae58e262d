"""The traveler as one page to look at: no network, nothing to install. It prints as a card.

Its one script lets scan and part be turned; without it everything else is as it was.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from .html import Later, Markup, join, style, tag
from .look import CSS
from .pictures import FOLDER, picture_name
from .record import JobRecord
from .route import Figures, caption_of, route
from .summary import (
    WORDS,
    Decision,
    glance,
    heading,
    headline,
    is_too_large,
    note,
    verdict,
    verdict_block,
    what_to_do,
)
from .turning import digest_for_policy, script_digest, turning_script, turning_view
from .wording import named, shown

__all__ = ["WORDS", "Figures", "card", "headline", "is_too_large", "traveler_page", "verdict"]

MOST_PICTURE_BYTES = 2_900_000
"""Of all pictures of a page together, so that it stays below 6 MB: it is sent by mail, and a plugin may not
make it unusable. What is too much is named and not shown."""

PNG = b"\x89PNG\r\n\x1a\n"


def traveler_page(record: JobRecord, folder: Path, decided: Decision | None = None) -> str:
    """The whole page. Pictures are taken from `folder` and put into it; one that is missing is named.

    `decided` is what a person made of a held job: the page then says so instead of what waits.
    """
    name = str(record.scan.get("name", record.job))
    later = Later()
    figures = _Figures(folder, later)
    view = turning_view(folder / FOLDER, record.after_is, later) if record.after_is else None
    body = tag(
        "main",
        tag("h1", heading(record)),
        verdict_block(record, decided),
        note(record),
        what_to_do(record) if decided is None else None,
        card(record, figures, view),
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag(
            "meta",
            http_equiv="Content-Security-Policy",
            content=_policy(view is not None),
        ),
        tag("meta", name="robots", content="noindex"),
        tag("title", f"{name}: {(decided.sentence if decided else headline(record)).lower()}"),
        style(CSS),
    )
    end = later.mark(turning_script()) if view else None
    return later.filled(f"<!DOCTYPE html>\n{tag('html', head, tag('body', body, end), lang='en')}\n")


def card(record: JobRecord, figures: Figures, view: Markup | None) -> Markup:
    """All of a record below its verdict; `view` is where scan and part can be turned."""
    return join(
        glance(record),
        _notes("Warnings", record.warnings),
        view,
        _pictures(record, figures),
        _facts(record),
        [join(tag("h2", f"Measured by {key}"), _table(facts)) for key, facts in record.collected.items()],
        route(record, figures),
        _notes("Cautions", record.cautions),
        _again(record),
        _origin(record),
    )


def _policy(with_script: bool) -> str:
    """Nothing is fetched, nothing runs but our own script, nobody is sent anywhere."""
    rules = ["default-src 'none'", "img-src data:", f"style-src '{digest_for_policy(CSS)}'"]
    rules += [f"script-src '{script_digest()}'"] if with_script else []
    return "; ".join([*rules, "base-uri 'none'", "form-action 'none'"])


def _pictures(record: JobRecord, figures: Figures) -> list[Markup]:
    of_steps = {picture_name(name) for step in record.steps for name in step.pictures}
    return [
        figures.show(path, caption_of(record, path))
        for path in record.pictures
        if PurePosixPath(path).name not in of_steps
    ]


class _Figures:
    """Puts pictures of one folder into the page, as long as there is room."""

    def __init__(self, folder: Path, later: Later) -> None:
        self.folder, self.later = folder, later
        self.room = MOST_PICTURE_BYTES

    def show(self, path: str, caption: str) -> Markup:
        """A figure with the PNG inside the page; no path leads out of the job's folder."""
        file = self.folder / path
        try:
            inside = file.resolve().is_relative_to(self.folder.resolve()) and file.is_file()
            data = file.read_bytes() if inside and file.stat().st_size <= self.room else b""
        except (OSError, ValueError):
            data = b""
        if not data.startswith(PNG):
            return tag("p", f"Picture not shown: {path}", class_="quiet")
        self.room -= len(data)
        source = "data:image/png;base64," + base64.b64encode(data).decode("ascii")
        return tag("figure", tag("img", src=self.later.mark(source), alt=caption), tag("figcaption", caption))


def _facts(record: JobRecord) -> Markup:
    """The scan and what became of it, side by side; the scan alone where nothing did."""
    columns = [("scan", record.before), *([(record.after_is, record.after)] if record.after_is else [])]
    keys = list(dict.fromkeys(key for _, facts in columns for key in facts))
    rows = [
        tag(
            "tr",
            tag("th", named(key), scope="row"),
            [tag("td", shown(key, facts.get(key))) for _, facts in columns],
        )
        for key in _usual_first(keys)
    ]
    head = tag("tr", tag("th"), [tag("th", title, scope="col") for title, _ in columns])
    table = tag("table", tag("thead", head), tag("tbody", rows))
    left = tag("div", tag("h2", "Measured"), tag("div", table, class_="scroll") if rows else _none())
    if not record.fidelity:
        return left
    right = tag("div", tag("h2", "Likeness"), _table(record.fidelity), _likeness_note(record))
    return tag("div", left, right, class_="sides")


def _usual_first(keys: list[str]) -> list[str]:
    order = (
        "size_mm", "volume_mm3", "area_mm2", "sound", "closed", "bodies", "rims", "triangles", "vertices"
    )  # fmt: skip
    return [k for k in order if k in keys] + sorted(k for k in keys if k not in order)


def _likeness_note(record: JobRecord) -> Markup | None:
    if not record.fidelity:
        return None
    return tag("p", "Distances are in life-size millimetres, whatever the size of the order.", class_="quiet")


def _table(facts: Mapping[str, Any]) -> Markup:
    if not facts:
        return _none()
    order = {name: place for place, name in enumerate(_LIKENESS_ORDER)}
    keys = sorted(facts, key=lambda key: (order.get(key, len(order)), key))
    rows = [tag("tr", tag("th", named(key), scope="row"), tag("td", shown(key, facts[key]))) for key in keys]
    return tag("div", tag("table", tag("tbody", rows)), class_="scroll")


_LIKENESS_ORDER = (
    "scan_to_part_p50_mm", "scan_to_part_p95_mm", "scan_to_part_p999_mm", "scan_to_part_max_mm",
    "covered_ratio", "covered_within_mm", "scan_cut_off_ratio", "part_to_scan_p95_mm", "part_to_scan_max_mm",
)  # fmt: skip


def _none() -> Markup:
    return tag("p", "Nothing was measured.", class_="quiet")


def _notes(title: str, sentences: tuple[str, ...]) -> list[Markup]:
    if not sentences:
        return []
    return [tag("h2", title), tag("ul", [tag("li", sentence) for sentence in sentences], class_="plain")]


def _again(record: JobRecord) -> Markup:
    ticket = record.ticket
    return join(
        tag("h2", "Again"),
        tag("p", "With the same versions, this folder gives the same bytes. To prove it:"),
        tag("pre", tag("code", "fettlebox replay .")),
        _kept("Recipe", str(record.recipe.get("text", ""))),
        _kept("Ticket", str(ticket.get("text", ""))) if ticket else None,
    )


def _kept(title: str, content: str) -> Markup | None:
    return tag("details", tag("summary", title), tag("pre", tag("code", content))) if content else None


def _origin(record: JobRecord) -> Markup:
    scan, recipe = record.scan, record.recipe
    files = [
        ("scan", scan.get("name"), scan.get("sha256")),
        ("recipe", recipe.get("name"), recipe.get("sha256")),
    ]
    files += [("delivered", output.path, output.sha256) for output in record.outputs]
    rows = [
        tag("tr", tag("th", kind, scope="row"), tag("td", name, tag("span", sha, class_="hash")))
        for kind, name, sha in files
    ]
    when = " to ".join(str(record.timing[k]) for k in ("started", "finished") if record.timing.get(k))
    if when and record.timing.get("processor"):
        when += f", on {record.timing['processor']}"
    return join(
        tag("h2", "Files and digests (SHA-256)"),
        tag("div", tag("table", tag("tbody", rows)), class_="scroll"),
        tag("p", ", ".join(f"{k} {v}" for k, v in sorted(record.versions.items())), class_="quiet"),
        tag("p", when, class_="quiet timing") if when else None,
        [
            tag("p", f"Put back after {what}: {', '.join(changed)}.", class_="quiet timing")
            for what, changed in record.timing.get("put_back", {}).items()
        ],
    )
