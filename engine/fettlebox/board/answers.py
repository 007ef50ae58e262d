"""What a person answers on a job's page, as keys of a ticket."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .files import record_of
from .office import Office
from .problems import Refused
from .recipes import answers_in, ticking_of

UNITS = ("mm", "cm", "m", "in")
AXES = ("+x", "-x", "+y", "-y", "+z", "-z")
ASK = "ask."
TICK = "tick"


def answers_of(office: Office, job: str, fields: Mapping[str, list[str]]) -> dict[str, Any]:
    """Keys of a new ticket out of the form's fields. Only what the recipe asks is taken.

    Raises Refused (422) with every answer that does not suit.
    """
    row = office.desk.find(job)
    recipe = office.recipes.get(row.recipe)
    given = {
        name.removeprefix(ASK): values[0]
        for name, values in fields.items()
        if name.startswith(ASK) and values[0]
    }
    if "ticked" in fields:
        ticking = ticking_of(record_of(office.settings.shop / row.folder), recipe)
        if ticking is None:
            raise Refused(409, "there is nothing to tick any more; look at the job again")
        known = {patch.id for patch in ticking.patches}
        ticks = [each for each in fields.get(TICK, []) if each in known]
        given[ticking.field] = ", ".join(ticks) or "none"
    answers: dict[str, Any] = {}
    values = answers_in(recipe, given, partial=True)
    if values:
        answers["set"] = values
    for name, allowed in (("unit", UNITS), ("up", AXES)):
        word = fields.get(name, [""])[0]
        if word and word not in allowed:
            raise Refused(422, f"{name}: {word!r} is none of {', '.join(allowed)}")
        if word:
            answers[name] = word
    take = fields.get("take", [""])[0]
    if take:
        record = record_of(office.settings.shop / row.folder)
        known = {each.get("take") for each in record.scan.get("takes", [])} if record is not None else set()
        if take not in known:
            raise Refused(422, f"take: {take!r} is none of this job's takes")
        answers["take"] = take
    return answers
