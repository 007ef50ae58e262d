"""A package for a step of one's own, made from `plugin_template/`: it installs, runs and passes its tests."""

from __future__ import annotations

import keyword
import re
from importlib import resources
from pathlib import Path
from string import Template

from .catalog import NOT_STEPS, STEP_NAME, find_steps
from .errors import UsageError

# Template → place in the package. Templates are text, so that no tool takes them for code of ours.
FILES = {
    "pyproject.toml.txt": "pyproject.toml",
    "README.md.txt": "README.md",
    "module.py.txt": "$package/__init__.py",
    "tests/test_module.py.txt": "tests/test_$function.py",
}


def new_plugin(name: str, into: Path) -> Path:
    """Make the folder `fettlebox-NAME` below `into`. Raises UsageError; nothing is overwritten."""
    function = name.replace("-", "_")
    if re.fullmatch(STEP_NAME, name) is None or name in NOT_STEPS or keyword.iskeyword(function):
        raise UsageError(
            f"{name!r} cannot be a step's name; expected small letters, digits, - and _, such as 'lift'"
        )
    catalog = find_steps()
    if name in catalog.steps:
        raise UsageError(
            f"there is a step {name!r} already, from {catalog.sources[name]}; choose another name"
        )
    folder = into / f"fettlebox-{name}"
    if folder.exists():
        raise UsageError(f"{folder} exists already; move it away or choose another name")
    words = {"name": name, "function": function, "package": f"fettlebox_{function}"}
    templates = resources.files(__package__) / "plugin_template"
    for template, place in FILES.items():
        path = folder / Template(place).substitute(words)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(Template((templates / template).read_text("utf-8")).substitute(words), "utf-8")
    return folder
