"""The list `deliver`: `3mf`, `stl: {after: repair}`, `pictures`, `zip`."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from .describe import listed
from .language import FORMATS, PICTURES, ZIP, Delivery
from .nodes import Node, Place, Problems, quoted
from .validate import report_unknown_key


def read_deliveries(
    entries: Sequence[Node], ids: Sequence[str] | None, problems: Problems, more: Sequence[str] = ()
) -> tuple[Delivery, ...]:
    """What is delivered, in order. `ids` are those of the recipe's steps, None where they are not known;
    `more` the formats that plugins write.
    """
    found: list[Delivery] = []
    for index, entry in enumerate(entries):
        place: Place = ("deliver", index)
        one = _entry(entry, place, ids, problems, (*FORMATS, *more))
        if one in found:
            shown = one.format if one.after is None else f"{one.format} after {one.after}"
            problems.add(entry, place, f"{shown} a second time", hint="keep one")
        elif one is not None:
            found.append(one)
    if found and len(entries) == 1 and found[0].format == ZIP:
        hint = "name what goes into it, such as [3mf, pictures, zip]"
        problems.add(entries[0], ("deliver", 0), "a zip of nothing", hint=hint)
    return tuple(found)


def _entry(
    entry: Node, place: Place, ids: Sequence[str] | None, problems: Problems, formats: Sequence[str]
) -> Delivery | None:
    deliverable = (*formats, PICTURES, ZIP)
    if not isinstance(entry.value, dict):
        if entry.value in deliverable:
            return Delivery(entry.value)
        near = get_close_matches(entry.written.lower().lstrip("."), deliverable, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else ""
        problems.add(entry, place, entry.shown(), f"one of {listed(deliverable)}", hint)
        return None
    example = "a format and the step it is taken after: 'stl: {after: repair}'"
    names = list(entry.value)
    if len(names) != 1:
        problems.add(entry, place, f"{len(names)} keys in one entry", example)
        return None
    form, inner = names[0], entry.value[names[0]]
    if form not in formats:
        hint = f"{form} has no 'after'; write it alone" if form in deliverable else ""
        problems.add(entry.keys[form], place, quoted(form), f"one of {listed(formats)}", hint)
        return None
    if not isinstance(inner.value, dict) or "after" not in inner.value:
        problems.add(inner, (*place, form), inner.shown(), "{after: …} with the id of a step")
        return None
    for key in inner.value:
        if key != "after":
            report_unknown_key(inner, key, (*place, form), ["after"], problems)
    after = inner.value["after"]
    if not isinstance(after.value, str) or (ids is not None and after.value not in ids):
        near = get_close_matches(after.written, ids or [], n=1, cutoff=0.5)
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        expected = f"the id of a step: {listed(ids)}" if ids else "the id of a step"
        problems.add(after, (*place, form, "after"), after.shown(), expected, hint)
        return None
    return Delivery(form, after.value)
