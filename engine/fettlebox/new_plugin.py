"""A package for a plugin of one's own, made from `plugin_template/`: it installs and passes its tests."""

from __future__ import annotations

import ast
import keyword
import re
from importlib import resources
from pathlib import Path
from string import Template
from typing import Literal, get_args

from .catalog import NOT_STEPS, STEP_NAME, find_steps
from .errors import UsageError

Kind = Literal[
    "step", "reader", "writer", "fact-collector", "painter", "grader", "notifier", "job-observer"
]  # fmt: skip
"""What a package may bring, as the hooks and their pages are called. The step's example stands in the guide,
every other's on its page.
"""

# Template → place in the package. Templates are text, so that no tool takes them for code of ours.
FILES = {
    "pyproject.toml.txt": "pyproject.toml",
    "README.md.txt": "README.md",
    "$kind/module.py.txt": "$package/__init__.py",
    "$kind/test_module.py.txt": "tests/test_$function.py",
}
ADVICE = {
    "step": "Its `summary` is what people choose it by. Raise\n`version` in its decorator whenever the same "
    "input comes out otherwise, and say\nwhat it measures in facts with their unit in the name.",
    "reader": "What a file is, its ending says: choose one that no other format has.",
    "writer": "A recipe lists its format under `deliver`.",
    "fact-collector": "Its facts say their unit in their names.",
    "painter": "Its caption says in a sentence what the picture shows.",
    "grader": "Of several graders the last one found is asked.",
    "notifier": "What it raises is tried again later, so that it may be told the same twice.",
    "job-observer": "Nobody waits for it, and nobody tells it again.",
}


UNKNOWN = {"function": "_", "package": "_", "name": "_", "title": "_", "summary": "_"}


def new_plugin(name: str, into: Path, kind: str = "step") -> Path:
    """Make the folder `fettlebox-NAME` below `into`. Raises UsageError; nothing is overwritten."""
    if kind not in get_args(Kind):
        raise UsageError(f"there is no kind {kind!r}; there are {', '.join(get_args(Kind))}")
    function = name.replace("-", "_")
    if (
        re.fullmatch(STEP_NAME, name) is None
        or keyword.iskeyword(function)
        or (kind == "step" and name in NOT_STEPS)
    ):
        raise UsageError(
            f"{name!r} cannot be a {kind}'s name; expected small letters, digits, - and _, such as 'lift'"
        )
    if kind == "step":
        _require_free(name)
    folder = into / f"fettlebox-{name}"
    if folder.exists():
        raise UsageError(f"{folder} exists already; move it away or choose another name")
    from .testing.check import UNSAID

    words = {
        "name": name, "function": function, "package": f"fettlebox_{function}",
        "title": name if kind == "step" else re.sub("[-_]+", " ", name).strip(),
        "summary": f"{UNSAID} {name} does.",
        "kind": kind, "what": kind.replace("-", " "), "advice": ADVICE[kind],
        "more": f"{f'fettlebox steps {name}':<29}# as a recipe's author sees it\n" if kind == "step" else "",
    }  # fmt: skip
    made = {Template(place).substitute(words): _filled(template, words) for template, place in FILES.items()}
    for place, text in made.items():
        path = folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
    return folder


def _require_free(name: str) -> None:
    catalog = find_steps()
    if name in catalog.steps:
        raise UsageError(
            f"there is a step {name!r} already, from {catalog.sources[name]}; choose another name"
        )


def _filled(template: str, words: dict[str, str]) -> str:
    """A template's text with the words put in. Raises UsageError for a name that the example uses itself."""
    place = resources.files(__package__) / "plugin_template" / Template(template).substitute(words)
    text = Template(place.read_text("utf-8")).substitute(words)
    if place.name.endswith(".py.txt") and words["function"] in _used(place.read_text("utf-8")):
        raise UsageError(
            f"{words['name']!r} is a name that the example itself uses; choose another, such as "
            f"'my-{words['name']}'"
        )
    return text


def _used(template: str) -> set[str]:
    """The names that a template's code defines, imports, or reads."""
    tree = ast.parse(Template(template).substitute(UNKNOWN))
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    used |= {node.name for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    return used | {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
