"""Locked steps: a recipe that extends another may not weaken what that one locks.

A locked step keeps its parameters, its `when` and its `otherwise`, and so do the entries of `ask` that it
uses, since their bounds are what a ticket may choose from. Where a recipe's last step is locked, nothing
comes after it and nothing is delivered that has not passed it.
"""

from __future__ import annotations

from .nodes import Node, Problems, quoted
from .steps import PLACING, ids_of, names_below, split_step

_KEEP = "leave it as it is; what this recipe needs beyond it goes into a step of its own"


def is_locked(step: Node) -> bool:
    """Whether a step as written is locked."""
    shape = split_step(step)
    said = shape[2].get("locked") if shape else None
    return said is not None and said.value is True


def report_weakened(child: Node, parent: Node, problems: Problems) -> None:
    """Every place where `child` changes what `parent`, its own parents included, has locked."""
    theirs = _entries(parent)
    locked = {key: step for key, step in theirs.items() if is_locked(step)}
    if not locked:
        return
    closing = next(reversed(theirs))
    last = closing if closing in locked else None
    for index, (key, step) in enumerate(_entries(child).items()):
        anchor = _anchor(step)
        if key in locked:
            found = f"the step {quoted(key)} is locked in {locked[key].source.name}"
            problems.add(step, ("steps", index), found, hint=_KEEP)
        elif last is not None and anchor is not None and anchor.value == last:
            found = f"the recipe ends with {quoted(last)}, which is locked in {locked[last].source.name}"
            problems.add(anchor, ("steps", index, "after"), found, hint="put the new step before it")
    _report_asks(child, locked, problems)
    if last is not None:
        _report_early_deliveries(child, last, problems)


def _entries(recipe: Node) -> dict[str, Node]:
    steps = recipe.get("steps")
    listed = steps.value if steps is not None and isinstance(steps.value, list) else []
    return dict(zip(ids_of(listed), listed, strict=True))


def _anchor(step: Node) -> Node | None:
    shape = split_step(step)
    return shape[2].get(PLACING[0]) if shape else None


def _report_asks(child: Node, locked: dict[str, Node], problems: Problems) -> None:
    ask = child.get("ask")
    if ask is None or not isinstance(ask.value, dict):
        return
    for name in ask.value:
        users = [key for key, step in locked.items() if name in names_below(step)]
        if users:
            found = f"{quoted(name)} is what the locked step {quoted(users[0])} uses"
            problems.add(ask.keys[name], ("ask", name), found, hint="ask for a value of another name")


def _report_early_deliveries(child: Node, last: str, problems: Problems) -> None:
    deliver = child.get("deliver")
    entries = deliver.value if deliver is not None and isinstance(deliver.value, list) else []
    for index, entry in enumerate(entries):
        if isinstance(entry.value, dict):
            found = f"a part that has not passed the locked step {quoted(last)}"
            problems.add(entry, ("deliver", index), found, hint="leave 'after' out")
