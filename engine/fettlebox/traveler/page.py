"""The traveler as one page to look at: no network, nothing to install. It prints as a card.

Its one script lets scan and part be turned; without it everything else is as it was.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any, Protocol

from .html import Markup, join, style, tag
from .look import CSS
from .pictures import FOLDER, picture_name
from .record import JobRecord, StepRecord
from .turning import digest_for_policy, script_digest, turning_script, turning_view
from .wording import named, number, shown

MOST_PICTURE_BYTES = 2_900_000
"""Of all pictures of a page together, so that it stays below 6 MB: it is sent by mail, and a plugin may not
make it unusable. What is too much is named and not shown."""

PNG = b"\x89PNG\r\n\x1a\n"

EMPTY: tuple[Any, ...] = (None, "", [], {}, ())

WORDS = {
    "done": "Ready to print",
    "held": "Waits for a person",
    "rejected": "Not made",
    "settling": "Still arriving",
    "queued": "Waits for its turn",
    "working": "In work",
}
CAPTIONS = {
    "before-after.png": "The scan and the part, drawn equally large from the same side.",
    "part.png": "The part from three sides, at one scale.",
    "distance.png": "How far the part is from the scan. Cuts, fills and the inside of a hollow stay out.",
}


def traveler_page(record: JobRecord, folder: Path) -> str:
    """The whole page. Pictures are taken from `folder` and put into it; one that is missing is named."""
    name = str(record.scan.get("name", record.job))
    figures = _Figures(folder)
    view = turning_view(folder / FOLDER)
    body = tag(
        "main",
        tag("h1", f"{name} · job {record.job}"),
        tag(
            "p",
            tag("span", headline(record), class_="word"),
            verdict(record),
            class_=f"verdict {'held' if record.state == 'done' and record.warnings else record.state}",
        ),
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
        tag("title", f"{name}: {headline(record).lower()}"),
        style(CSS),
    )
    return (
        "<!DOCTYPE html>\n"
        + tag("html", head, tag("body", body, turning_script() if view else None), lang="en")
        + "\n"
    )


class Figures(Protocol):
    """Where a page's pictures come from."""

    def show(self, path: str, caption: str) -> Markup:
        """The picture at `path` below the job's folder, or a sentence where it cannot be shown."""


def card(record: JobRecord, figures: Figures, view: Markup | None) -> Markup:
    """All of a record below its verdict; `view` is where scan and part can be turned."""
    return join(
        _notes("Warnings", record.warnings),
        view,
        _pictures(record, figures),
        _facts(record),
        _route(record, figures),
        _notes("Cautions", record.cautions),
        _again(record),
        _origin(record),
    )


def headline(record: JobRecord) -> str:
    """The outcome in a few words. Only a part without a warning is called ready without more ado."""
    if record.state != "done":
        return WORDS[record.state]
    if not record.outputs:
        return "A report; no part was made"
    count = len(record.warnings)
    if not count:
        return WORDS["done"]
    return (
        "Can be printed; read the warning first"
        if count == 1
        else f"Can be printed; read {count} warnings first"
    )


def verdict(record: JobRecord) -> str:
    """The outcome in a sentence: what there is to print, or why there is nothing yet."""
    if record.state != "done":
        return record.reason or "No reason was recorded."
    after = record.after
    parts = []
    if after.get("size_mm"):
        parts.append(shown("size_mm", after["size_mm"]))
    if after.get("sound"):
        bodies = after.get("bodies", 1)
        parts.append("one sound solid" if bodies == 1 else f"sound, in {number(bodies)} bodies")
    fidelity = record.fidelity or {}
    within = fidelity.get("scan_to_part_p95_mm")
    if within is not None:
        parts.append(f"95 % of the scan within {_least(within)} of the part, in life size")
    return ("; ".join(parts) or "All steps were done") + "."


def _least(mm: float) -> str:
    return "0.01 mm" if mm < 0.01 else f"{number(mm)} mm"


def _policy(with_script: bool) -> str:
    """Nothing is fetched, nothing runs but our own script, nobody is sent anywhere."""
    rules = ["default-src 'none'", "img-src data:", f"style-src '{digest_for_policy(CSS)}'"]
    rules += [f"script-src '{script_digest()}'"] if with_script else []
    return "; ".join([*rules, "base-uri 'none'", "form-action 'none'"])


def _pictures(record: JobRecord, figures: Figures) -> list[Markup]:
    of_steps = {picture_name(name) for step in record.steps for name in step.pictures}
    return [
        figures.show(path, CAPTIONS.get(PurePosixPath(path).name, PurePosixPath(path).stem))
        for path in record.pictures
        if PurePosixPath(path).name not in of_steps
    ]


class _Figures:
    """Puts pictures of one folder into the page, as long as there is room."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
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
        return tag("figure", tag("img", src=source, alt=caption), tag("figcaption", caption))


def _facts(record: JobRecord) -> Markup:
    keys = [*record.before, *(key for key in record.after if key not in record.before)]
    rows = [
        tag(
            "tr",
            tag("th", named(key), scope="row"),
            tag("td", shown(key, record.before.get(key))),
            tag("td", shown(key, record.after.get(key))),
        )
        for key in _usual_first(keys)
    ]
    table = tag(
        "table",
        tag("thead", tag("tr", tag("th"), tag("th", "scan", scope="col"), tag("th", "part", scope="col"))),
        tag("tbody", rows),
    )
    left = tag("div", tag("h2", "Measured"), tag("div", table, class_="scroll") if rows else _none())
    right = tag("div", tag("h2", "Likeness"), _table(record.fidelity or {}), _likeness_note(record))
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


def _route(record: JobRecord, figures: Figures) -> list[Markup]:
    if not record.steps:
        return []
    return [
        tag("h2", "Route"),
        tag("ol", [_step(record, step, figures) for step in record.steps], class_="route"),
    ]


def _step(record: JobRecord, step: StepRecord, figures: Figures) -> Markup:
    title = step.id if step.id == step.name else f"{step.id} ({step.name})"
    same = step.outcome == "done" and step.part_in == step.part_out
    outcome = "done, part unchanged" if same else step.outcome
    if step.made:
        outcome = f"done; made {', '.join(step.made)}"
    pictures = [
        figures.show(path, PurePosixPath(path).stem)
        for path in record.pictures
        if PurePosixPath(path).name in {picture_name(name) for name in step.pictures}
    ]
    asked = [("asked", _inline(step.params))] if _inline(step.params) else []
    told = [*step.evidence.items(), *((k, v) for k, v in step.facts.items() if k not in step.evidence)]
    pairs = [*asked, *((named(key), _lines(key, value)) for key, value in told if value not in EMPTY)]
    return tag(
        "li",
        tag("h3", title),
        tag("span", f" {outcome}", class_="quiet"),
        tag("p", step.reason) if step.reason else None,
        tag("dl", [tag("div", tag("dt", key), tag("dd", value)) for key, value in pairs]) if pairs else None,
        [tag("p", f"Warning: {warning}", class_="warn") for warning in step.warnings],
        pictures,
    )


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
    return join(
        tag("h2", "Files and digests (SHA-256)"),
        tag("div", tag("table", tag("tbody", rows)), class_="scroll"),
        tag("p", ", ".join(f"{k} {v}" for k, v in sorted(record.versions.items())), class_="quiet"),
        tag("p", when, class_="quiet timing") if when else None,
    )
