"""Locked steps: a recipe that extends another may not weaken what that one locks.

A locked step keeps its parameters, its `when` and its `otherwise`, and so do the entries of `ask` that it
uses, since their bounds are what a ticket may choose from. Nothing is delivered that has not passed every
locked step, and where a recipe's last step is locked, nothing comes after it.
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
    _report_early_deliveries(child, list(theirs), locked, problems)


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


def _report_early_deliveries(
    child: Node, order: list[str], locked: dict[str, Node], problems: Problems
) -> None:
    deliver = child.get("deliver")
    entries = deliver.value if deliver is not None and isinstance(deliver.value, list) else []
    order = _with_new_steps(child, order)
    for index, entry in enumerate(entries):
        if not isinstance(entry.value, dict):
            continue  # the finished part, which has passed them all
        for wanted in entry.value.values():
            after = wanted.get("after")
            told = after.value if after is not None else None
            passed = order[: order.index(told) + 1] if told in order else []
            missed = next((key for key in order if key in locked and key not in passed), None)
            if missed is not None:
                found = f"a part that has not passed the locked step {quoted(missed)}"
                problems.add(entry, ("deliver", index), found, hint="leave 'after' out")


def _with_new_steps(child: Node, order: list[str]) -> list[str]:
    """The ids of the parent's steps with those that the child adds, in the order in which they are done."""
    order = list(order)
    for key, step in _entries(child).items():
        shape = split_step(step)
        for word in PLACING if shape is not None and key not in order else ():
            anchor = shape[2].get(word) if shape is not None else None
            if anchor is not None and anchor.value in order and key not in order:
                order.insert(order.index(anchor.value) + (word == "after"), key)
    return order
