"""What the docstring of a step's function says about the step, beyond its first words.

    Limits:
        - What it does not do, when it holds and when it refuses. One bullet each.
    Sources:
        - Author, "Title", year: what of it is used.
    Facts:
        lifted_mm: how far the part was lifted
        holes.at_mm, holes.direction: names joined by commas share their words
        by.<sign>: a name in angle brackets stands for any name
        - `hole_mm`: bullets and backticks may be there
    Evidence:
        cell_mm: as for facts
    Recipe:
        - a step that comes before
        - lift: 12 mm
    Picture: open
    Scan: witch.zip

All of these may be left out. `Recipe` is a recipe's steps up to this one; it is checked, run on an example
scan, and drawn. `Picture` and `Scan` are words that `example` explains.
"""

from __future__ import annotations

import inspect
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..api import Step
from ..errors import UsageError

SECTIONS = ("Limits", "Sources", "Facts", "Evidence", "Recipe", "Picture", "Scan")
_HEAD = re.compile(rf"({'|'.join(SECTIONS)}):(.*)")


@dataclass(frozen=True)
class Words:
    """`facts` and `evidence` map names, as `outer.inner`, to their meaning."""

    text: str = ""
    limits: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    facts: Mapping[str, str] = field(default_factory=dict)
    evidence: Mapping[str, str] = field(default_factory=dict)
    recipe: str = ""
    picture: str = ""
    scan: str = ""


def words_of(step: Step[Any]) -> Words:
    """Raises UsageError, whose sentence names the step and the line, for a section that cannot be read."""
    text, sections = _sections(inspect.getdoc(step.run) or "")
    try:
        return Words(
            text,
            _bullets(sections.get("Limits", ())),
            _bullets(sections.get("Sources", ())),
            _meanings(sections.get("Facts", ())),
            _meanings(sections.get("Evidence", ())),
            "\n".join(sections.get("Recipe", ())).strip("\n"),
            " ".join(sections.get("Picture", ())).strip(),
            " ".join(sections.get("Scan", ())).strip(),
        )
    except ValueError as error:
        raise UsageError(f"docstring of step {step.name!r}: {error}") from None


def fits(name: str, documented: str) -> bool:
    """Whether a documented name, in which `<word>` stands for any, is that of a fact."""
    parts = re.split(r"<[^>]*>", documented)
    return re.fullmatch(".+".join(map(re.escape, parts)), name) is not None


def _sections(doc: str) -> tuple[str, dict[str, list[str]]]:
    text: list[str] = []
    sections: dict[str, list[str]] = {}
    into = text
    for line in doc.splitlines():
        head = _HEAD.fullmatch(line)
        if head:
            into = sections.setdefault(head[1], [])
            if head[2].strip():
                into.append(head[2].strip())
        else:
            into.append(line)
    return "\n".join(text).strip(), {name: _dedented(lines) for name, lines in sections.items()}


def _dedented(lines: Sequence[str]) -> list[str]:
    return [line for line in textwrap.dedent("\n".join(lines)).splitlines() if line.strip()]


def _bullets(lines: Sequence[str]) -> tuple[str, ...]:
    found: list[str] = []
    for line in lines:
        if line.startswith("- "):
            found.append(line[2:].strip())
        elif found and line.startswith(" "):
            found[-1] += f" {line.strip()}"
        else:
            raise ValueError(f"{line.strip()!r} is no bullet; expected '- ' before it")
    return tuple(found)


def _meanings(lines: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    names: list[str] = []
    for line in lines:
        head, colon, words = line.removeprefix("- ").partition(": ")
        if not line.startswith(" ") and colon:
            names = [name.strip(" `") for name in head.split(",")]
            found |= dict.fromkeys(names, words.strip())
        elif names and line.startswith(" "):
            found |= {name: f"{found[name]} {line.strip()}" for name in names}
        else:
            raise ValueError(f"{line.strip()!r} names nothing; expected 'name: what it is'")
    return found
