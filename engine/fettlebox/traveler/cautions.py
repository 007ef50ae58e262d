"""Cautions that go with a part. They state hazards of the trade; local codes and laws come first."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from .record import JobRecord

SMALL_PARTS_CYLINDER_MM = (31.7, 57.1)
"""Diameter and greatest depth of the small-parts test cylinder of 16 CFR 1501.4 and EN 71-1 (values
from memory). A part that fits in it can be swallowed by a small child."""


@dataclass(frozen=True)
class Caution:
    """`when` says in words what `applies` decides from a record."""

    sentence: str
    when: str
    applies: Callable[[JobRecord], bool]


def cautions_for(record: JobRecord) -> tuple[str, ...]:
    """The sentences that apply to a job that has a part; none for one that was rejected before that."""
    if not record.after.get("triangles"):
        return ()
    return tuple(caution.sentence for caution in CAUTIONS if caution.applies(record))


def fits_small_parts_cylinder(size_mm: Any) -> bool:
    """Whether a box of three side lengths can lie inside the cylinder in some upright position.

    On the safe side: a part smaller than its box may fit where the box does not, so the two lesser sides
    are held against the diameter one by one, not by their diagonal.
    """
    diameter, depth = SMALL_PARTS_CYLINDER_MM
    short, middle, long = sorted(float(v) for v in size_mm)
    return short <= diameter and middle <= diameter and long <= depth


def _is_small(record: JobRecord) -> bool:
    size = record.after.get("size_mm")
    return bool(size) and fits_small_parts_cylinder(size)


def _is_a_person(record: JobRecord) -> bool:
    """Whether the scan, the recipe or a step speaks of a head, a face or a body."""
    words = {"head", "face", "bust", "person", "body", "figure", "portrait"}
    named = f"{record.recipe.get('name', '')} {record.scan.get('name', '')}".lower()
    said: list[Mapping[str, Any]] = [
        mapping for step in record.steps for mapping in (step.params, step.evidence)
    ]
    return not words.isdisjoint(re.findall(r"[a-z]+", named)) or any(
        isinstance(value, str) and value.lower() in words for mapping in said for value in mapping.values()
    )


def _has_cavity(record: JobRecord) -> bool:
    """A closed-off inside, or one that a step opened and says can still trap liquid."""
    told = any(step.facts.get("can_trap_liquid") for step in record.steps if step.outcome == "done")
    return told or bool(record.after.get("cavities"))


def _always(record: JobRecord) -> bool:
    return True


CAUTIONS = (
    Caution(
        "A hollow part printed in resin can hold uncured liquid: drain it, rinse it inside, cure it inside,"
        " and wear gloves and eye protection until it is dry.",
        "the part was made hollow",
        _has_cavity,
    ),
    Caution(
        "This part is small enough for a young child to swallow: keep it away from children under three.",
        "the part fits the small-parts cylinder of toy safety rules",
        _is_small,
    ),
    Caution(
        "A scan of a face or a body is biometric data: keep scan, part and pictures only as long as the"
        " person agreed to, and show them to nobody else.",
        "the scan, the recipe or a step names a head, a face, a bust or a figure",
        _is_a_person,
    ),
    Caution(
        "A print is not safe for food or drink: layers hold germs, and materials give off what is in them.",
        "always",
        _always,
    ),
    Caution(
        "Not certified for medical or dental use, for safety equipment, or to carry a load.",
        "always",
        _always,
    ),
    Caution(
        "Local codes and the maker's data sheet of the material come before this card.", "always", _always
    ),
)
