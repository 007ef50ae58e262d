"""What a person wants to know first: whose order it is, how it ended, what it takes, what to do now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .html import Markup, join, tag
from .record import JobRecord
from .wording import number, shown

READY = "Ready to print"
FITS_WITHIN_MM = 1e-6
"""Rounding only: a part scaled to exactly fill the printer fits it."""
WORDS = {
    "done": "Made",
    "held": "Waits for a person",
    "rejected": "Not made",
    "settling": "Still arriving",
    "queued": "Waits for its turn",
    "working": "In work",
}


@dataclass(frozen=True)
class Decision:
    """What a person decided on a held job, and when (RFC 3339, UTC). state: what it became; reason: of a
    rejection.
    """

    state: str
    by: str | None
    time: str
    reason: str | None = None

    @property
    def sentence(self) -> str:
        word = "Released" if self.state == "done" else "Rejected"
        day, _, clock = self.time.partition("T")
        return f"{word} by {self.by or 'a person who gave no name'} on {day} at {clock[:5]} UTC."


def heading(record: JobRecord) -> str:
    name = str(record.scan.get("name", record.job))
    order = (record.ticket or {}).get("order")
    return " · ".join([name, *([f"order {order}"] if order else []), f"job {record.job}"])


def headline(record: JobRecord) -> str:
    """The outcome in a few words. Only a part without a warning is called ready without more ado."""
    if record.state != "done":
        return WORDS[record.state]
    if not record.outputs:
        return "A report; no part was made"
    count = len(record.warnings)
    if not count:
        return READY
    return (
        "Can be printed; read the warning first"
        if count == 1
        else f"Can be printed; read {count} warnings first"
    )


def verdict(record: JobRecord) -> str:
    """The outcome in a sentence: what there is to print, or why there is nothing yet."""
    if record.state != "done":
        return record.reason or "No reason was recorded."
    return _what_there_is(record)


def _what_there_is(record: JobRecord) -> str:
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


def verdict_block(record: JobRecord, decided: Decision | None = None) -> Markup:
    """The verdict as it stands on top of the page. A person's decision comes before the machine's."""
    if decided is None:
        colour = "held" if record.state == "done" and record.warnings else record.state
        return tag(
            "p", tag("span", headline(record), class_="word"), verdict(record), class_=f"verdict {colour}"
        )
    released = decided.state == "done"
    said = [_what_there_is(record)] if released else [decided.reason] if decided.reason else []
    return join(
        tag("p", tag("span", decided.sentence, class_="word"), " ".join(said),
            class_=f"verdict {'done' if released else 'rejected'}"),
        tag("p", f"It had waited for a person: {record.reason or 'no reason was recorded'}", class_="note"),
    )  # fmt: skip


def note(record: JobRecord) -> Markup | None:
    """The words on the ticket for whoever handles the order."""
    words = (record.ticket or {}).get("note")
    return tag("p", f"Note on the ticket: {words}", class_="note") if words else None


def glance(record: JobRecord) -> Markup | None:
    """Time, cost and material in one row, if a step worked them out."""
    facts = _forecast(record)
    pairs = [("printing takes", facts.get("printing_takes"))]
    if isinstance(facts.get("cost"), (int, float)):
        pairs.append(("costs", f"{facts['cost']:.2f} {facts.get('money', '')}".strip()))
    used = [shown(key, facts[key]) for key in ("material_g", "filament_m") if facts.get(key) is not None]
    pairs.append(("material", ", ".join(used)))
    if facts.get("support_cm3") is not None:
        pairs.append(("support", shown("support_cm3", facts["support_cm3"])))
    printer = record.printer or {}
    if printer.get("name"):
        pairs.append(("printer", f"{printer['name']}, {shown('layer_mm', printer.get('layer_mm'))} layers"))
    said = [(key, value) for key, value in pairs if value]
    if not facts or not said:
        return None
    return tag("dl", [tag("div", tag("dt", key), tag("dd", value)) for key, value in said], class_="glance")


def _forecast(record: JobRecord) -> Mapping[str, Any]:
    found = [s.facts for s in record.steps if s.outcome == "done" and "printing_takes" in s.facts]
    return found[-1] if found else {}


def is_too_large(record: JobRecord) -> bool:
    """Whether what was made is larger than its printer builds, as it stands or turned about the upright: then
    handing it over helps nobody. Of a part in pieces it is the pieces that are printed.
    """
    if not record.outputs or record.after_is != "part":
        return False  # a surface half-way may be in life size yet
    room = _lengths((record.printer or {}).get("build_volume_mm"))
    sizes = [_lengths(size) for size in _sizes(record)]
    return room is not None and any(
        mm > most + FITS_WITHIN_MM
        for size in sizes
        if size is not None
        for mm, most in zip(size, room, strict=True)
    )


def _sizes(record: JobRecord) -> list[Any]:
    pieces = [
        s.facts["pieces_made"] for s in record.steps if s.outcome == "done" and "pieces_made" in s.facts
    ]
    if pieces and isinstance(pieces[-1], Sequence):
        return [piece.get("size_mm") for piece in pieces[-1] if isinstance(piece, Mapping)]
    return [record.after.get("size_mm")]


def _lengths(three: Any) -> list[float] | None:
    """Shorter and longer side on the bed, then the height; None for what is not three lengths."""
    if not isinstance(three, Sequence) or [type(mm) in (int, float) for mm in three] != [True] * 3:
        return None
    return [*sorted(three[:2]), three[2]]


def what_to_do(record: JobRecord) -> list[Markup]:
    """The next commands of a job that waits or was not made, in words."""
    if record.state not in ("held", "rejected"):
        return []
    job, ways = record.job, []
    if record.state == "held" and record.outputs:
        ways.append(("It will do as it is: hand it over.", f"fettlebox release SHOP {job}"))
    large = is_too_large(record)
    again = "Another size would fit" if large else "Something has to be different"
    ways.insert(
        0 if large else len(ways),
        (
            f"{again}: write it on a ticket; it is done again from the scan as it came.",
            f"fettlebox retry SHOP {job} --ticket answer.ticket.yaml",
        ),
    )
    ways += [
        ("It is not wanted any more: delete it, the scan as well.", f"fettlebox discard SHOP {job}"),
    ]
    return [
        tag("h2", "What to do now"),
        tag("ul", [tag("li", say, tag("code", does, class_="does")) for say, does in ways], class_="plain"),
        tag(
            "p",
            "SHOP stands for the shop's folder. A single run has no shop: start it again, with another "
            "ticket or setting.",
            class_="quiet",
        ),
    ]
