"""Printers and materials as files: `printers/NAME.yaml` and `materials/NAME.yaml` beside `shop.yaml`.

A file holds what stands below its name in shop.yaml, and may say `extends: OTHER`, the name of another in the
same folder or in shop.yaml: it then says only what differs.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from .describe import listed
from .nodes import Node, Problems, quoted
from .profiles import FilamentPrinter, MaterialFile, ResinPrinter
from .text import read_file
from .ticket import read_mapping
from .validate import validate

M = TypeVar("M", bound=BaseModel)
EXTENDS = "extends"
KINDS_OF_PRINTER: dict[str, type[FilamentPrinter] | type[ResinPrinter]] = {
    "filament": FilamentPrinter,
    "resin": ResinPrinter,
}


def read_printers(
    folder: Path | None, root: Node, given: Mapping[str, Any], problems: Problems
) -> tuple[dict[str, FilamentPrinter | ResinPrinter], dict[str, Node]]:
    """Printers by name with where each is written: `given`, which stand in the shop file, then the files."""
    written = _written(folder, "printers", root, problems)
    printers: dict[str, FilamentPrinter | ResinPrinter] = dict(given)
    for name, node in written.items():
        if name in given:
            continue
        kind = node.get("kind")
        if kind is None:
            problems.add(node, ("kind",), "'kind' is missing", f"one of {listed(KINDS_OF_PRINTER)}")
        elif not isinstance(kind.value, str) or kind.value not in KINDS_OF_PRINTER:
            near = get_close_matches(kind.written, KINDS_OF_PRINTER, n=1)
            hint = f"did you mean {quoted(near[0])}?" if near else ""
            problems.add(kind, ("kind",), kind.shown(), f"one of {listed(KINDS_OF_PRINTER)}", hint)
        else:
            checked = validate(KINDS_OF_PRINTER[kind.value], node, (), problems)
            if checked is not None:
                printers[name] = checked
    return printers, written


def read_materials(
    folder: Path | None, root: Node, given: Mapping[str, MaterialFile], problems: Problems
) -> dict[str, MaterialFile]:
    """Materials by name: those of the shop file, then the files."""
    materials = dict(given)
    for name, node in _written(folder, "materials", root, problems).items():
        if name not in given:
            checked = validate(MaterialFile, node, (), problems)
            if checked is not None:
                materials[name] = checked
    return materials


def _written(folder: Path | None, key: str, root: Node, problems: Problems) -> dict[str, Node]:
    """Every profile as written, what it extends taken over; those of the shop file first."""
    inline = root.get(key)
    nodes: dict[str, Node] = dict(inline.value) if inline and isinstance(inline.value, dict) else {}
    files = _files(folder, key, problems)
    for name in files.keys() & nodes.keys():
        place = inline.keys[name] if inline else root
        found = f"{quoted(name)} stands here and in {key}/{name}.yaml"
        problems.add(place, (key, name), found, hint="keep one of the two")
    for name, node in files.items():
        nodes.setdefault(name, node)
    return {name: _whole(name, nodes, key, problems, ()) for name in nodes}


def _files(folder: Path | None, key: str, problems: Problems) -> dict[str, Node]:
    paths = sorted((folder / key).glob("*.yaml")) if folder is not None else []
    what = f"{key.removesuffix('s')} file"
    found = {}
    for path in paths:
        if not path.name.startswith("."):  # an editor's
            shown = str(path)
            found[path.stem] = read_mapping(read_file(path, shown, what), shown, what, problems)
    return found


def _whole(
    name: str, nodes: Mapping[str, Node], key: str, problems: Problems, above: tuple[str, ...]
) -> Node:
    node = nodes[name]
    wanted = node.get(EXTENDS)
    if wanted is None:
        return node
    own = {word: value for word, value in node.value.items() if word != EXTENDS}
    alone = Node(own, node.line, node.column, node.source, keys=node.keys)
    chain = (*above, name)
    others = [other for other in nodes if other != name]
    if wanted.value in chain:
        circle = " → ".join([*chain, str(wanted.value)])
        problems.add(wanted, (EXTENDS,), f"{key} that extend each other in a circle: {circle}")
        return alone
    if not isinstance(wanted.value, str) or wanted.value not in nodes:
        near = get_close_matches(wanted.written, others, n=1)
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        found = f"there is no {key.removesuffix('s')} {quoted(wanted.written)}"
        problems.add(wanted, (EXTENDS,), found, f"one of {listed(others)}" if others else "", hint)
        return alone
    parent = _whole(wanted.value, nodes, key, problems, chain)
    if not isinstance(parent.value, dict):
        return alone
    keys = {**parent.keys, **node.keys}
    return Node({**parent.value, **own}, node.line, node.column, node.source, keys=keys)
