"""`extends`: a recipe that takes over another's, and says only what differs.

Steps are matched by `id`. A step that the parent has keeps its place and takes over, key by key, what
is written here; a new one says `after` or `before` which step it comes. An entry of `ask`, `deliver`,
`needs` and `about` replace the parent's.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path

import yaml

from ..catalog import Catalog
from .locks import is_locked, report_weakened
from .nodes import Node, Problems, quoted
from .placeholders import NAME
from .steps import PLACING, alias_of, ids_of, split_step
from .text import read_file, read_nodes, read_plain
from .validate import report_unknown_key

PARENT = rf"^{NAME}(?:/{NAME}){{0,4}}(?:\.yaml)?$"


def with_parents(
    node: Node, folder: Path | None, catalog: Catalog, problems: Problems, above: tuple[Path, ...] = ()
) -> tuple[Node, tuple[Path, ...]]:
    """The recipe with everything that it takes over from its parents, and their files, nearest first."""
    wanted = node.get("extends")
    if wanted is None:
        return node, ()
    path = _parent_path(wanted, folder, problems, above)
    if path is None:
        return node, ()
    shown = str(Path(node.source.name).parent / path.relative_to(folder or path.parent))
    parent = read_nodes(read_file(path, shown, "recipe"), shown, problems)
    if parent is None or not isinstance(parent.value, dict):
        problems.add(wanted, ("extends",), f"the recipe {quoted(wanted.written)} cannot be read")
        return node, ()
    parent, further = with_parents(parent, path.parent, catalog, problems, (*above, path))
    return _merged(node, parent, catalog, problems), (path, *further)


def _parent_path(
    wanted: Node, folder: Path | None, problems: Problems, above: tuple[Path, ...]
) -> Path | None:
    place = ("extends",)
    if not isinstance(wanted.value, str) or re.fullmatch(PARENT, wanted.value) is None:
        expected = "the name of a recipe in the same folder or in one below it"
        problems.add(wanted, place, wanted.shown(), expected)
        return None
    if folder is None:
        problems.add(wanted, place, "this recipe is not in a folder", "all steps written out")
        return None
    path = folder / f"{wanted.value.removesuffix('.yaml')}.yaml"
    if not path.is_file():
        near = get_close_matches(path.stem, [p.stem for p in path.parent.glob("*.yaml")], n=1)
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        problems.add(wanted, place, f"there is no file {quoted(path.name)}", "a recipe beside this one", hint)
        return None
    if not path.resolve().is_relative_to(folder.resolve()):
        problems.add(wanted, place, f"{quoted(wanted.value)} lies outside the folder of recipes")
        return None
    if path.resolve() in {p.resolve() for p in above}:
        chain = " → ".join([*(p.stem for p in above), path.stem])
        problems.add(wanted, place, f"recipes that extend each other in a circle: {chain}")
        return None
    return path


def _merged(child: Node, parent: Node, catalog: Catalog, problems: Problems) -> Node:
    report_weakened(child, parent, problems)
    values = {**parent.value, **{key: node for key, node in child.value.items() if key != "extends"}}
    for key in ("ask", "steps"):
        ours, theirs = child.get(key), parent.get(key)
        if ours is None or theirs is None:
            continue
        if isinstance(ours.value, dict) and isinstance(theirs.value, dict):
            values[key] = _joined(ours, theirs)
        elif isinstance(ours.value, list) and isinstance(theirs.value, list):
            values[key] = _merged_steps(ours, theirs, catalog, problems)
    return Node(values, child.line, child.column, child.source, keys={**parent.keys, **child.keys})


def _joined(ours: Node, theirs: Node) -> Node:
    keys = {**theirs.keys, **ours.keys}
    return Node({**theirs.value, **ours.value}, ours.line, ours.column, ours.source, keys=keys)


def _merged_steps(ours: Node, theirs: Node, catalog: Catalog, problems: Problems) -> Node:
    steps = dict(zip(ids_of(theirs.value), theirs.value, strict=True))
    for index, (key, node) in enumerate(zip(ids_of(ours.value), ours.value, strict=True)):
        shape = split_step(node)
        place = ("steps", index)
        if shape is None:
            steps[f"?{index}"] = node  # its shape is reported with the steps
            continue
        anchor = next(((word, shape[2][word]) for word in PLACING if word in shape[2]), None)
        if key in steps and is_locked(steps[key]):
            continue  # reported as such; the parent's stays, so that nothing else seems wrong
        if key in steps:
            if anchor is not None:
                problems.add(anchor[1], (*place, anchor[0]), f"the step {quoted(key)} already has its place",
                             hint=f"leave '{anchor[0]}' out, or give the step another id")  # fmt: skip
            steps[key] = _override(steps[key], _without_placing(node), catalog)
        elif anchor is None:
            near = get_close_matches(key, steps, n=1)
            hint = f"did you mean {quoted(near[0])}?" if near else "write 'after: ID' beside a new step"
            problems.add(node, place, f"the recipe taken over has no step {quoted(key)}",
                         f"one of {', '.join(steps)}", hint)  # fmt: skip
        elif anchor[1].value not in steps:
            report_unknown_key(
                anchor[1],
                anchor[1].written,
                (*place, anchor[0]),
                list(steps),
                problems,
                "there is no step {}",
            )
        else:
            steps = _inserted(steps, key, _without_placing(node), anchor[0], anchor[1].value)
    named = [_with_id(node, key) for key, node in steps.items()]
    return Node(named, ours.line, ours.column, ours.source)


def _inserted(steps: Mapping[str, Node], key: str, node: Node, word: str, anchor: str) -> dict[str, Node]:
    result: dict[str, Node] = {}
    for other, theirs in steps.items():
        if other == anchor and word == "before":
            result[key] = node
        result[other] = theirs
        if other == anchor and word == "after":
            result[key] = node
    return result


def _override(theirs: Node, ours: Node, catalog: Catalog) -> Node:
    """The parent's step with what the child writes over it; another step altogether if the name differs."""
    old, new = split_step(theirs), split_step(ours)
    if old is None or new is None or old[0] != new[0]:
        return ours
    name = new[0]
    params = new[1] if new[1].value is not None else old[1]
    before, after = _as_mapping(name, old[1], catalog), _as_mapping(name, new[1], catalog)
    if before is not None and after is not None:
        params = _joined(after, before)
    values = {name: params, **old[2], **new[2]}
    keys = {name: ours, **theirs.keys, **ours.keys}  # a bare step has no keys of its own
    return Node(values, ours.line, ours.column, ours.source, keys=keys)


def _as_mapping(name: str, params: Node, catalog: Catalog) -> Node | None:
    if isinstance(params.value, dict):
        return params
    step = catalog.steps.get(name)
    if params.value is None or step is None or step.shorthand is None:
        return None
    key = alias_of(step, step.shorthand)
    return Node({key: params}, params.line, params.column, params.source, keys={key: params})


def _without_placing(node: Node) -> Node:
    if not isinstance(node.value, dict):
        return node
    values = {key: value for key, value in node.value.items() if key not in PLACING}
    return Node(values, node.line, node.column, node.source, keys=node.keys)


def _with_id(node: Node, key: str) -> Node:
    """The step with its id written out, so that its number does not change with its neighbours."""
    shape = split_step(node)
    if shape is None or "id" in shape[2] or shape[0] == key:
        return node
    mark = Node(key, node.line, node.column, node.source, written=key)
    values, keys = {shape[0]: shape[1], **shape[2], "id": mark}, {shape[0]: node, **node.keys}
    return Node(values, node.line, node.column, node.source, keys=keys)


class _Writer(yaml.SafeDumper):
    """Quotes every text that would otherwise be read as something else."""


def _write_text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    try:
        style = None if read_plain(text) == text else '"'
    except ValueError:
        style = '"'
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Writer.add_representer(str, _write_text)


def written_out(node: Node) -> str:
    """A recipe with its parents as one text that stands for itself: it reads back the same."""
    plain = {key: value for key, value in node.plain().items() if key != "extends"}
    return str(yaml.dump(plain, Dumper=_Writer, sort_keys=False, allow_unicode=True, width=100))
