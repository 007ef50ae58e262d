"""A package made by `plugin new` installs, passes its tests, and is found; what it is made of is what the
pages show.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from string import Template
from typing import get_args

import pytest
from fettlebox import new_plugin as making
from fettlebox.catalog import KINDS as HOOKS
from fettlebox.errors import UsageError
from fettlebox.new_plugin import Kind, new_plugin

PAGES = Path(__file__).resolve().parents[1] / "plugins" / "hooks"
TEMPLATES = Path(making.__file__).parent / "plugin_template"
KINDS = get_args(Kind)
# Kind → what its page calls the module, the hook, and its title.
ON_THE_PAGE = {
    "reader": ("height_grid", "height_grid", "height grid"),
    "writer": ("obj_writer", "obj", "obj"),
    "fact-collector": ("foot", "foot", "foot"),
    "painter": ("overhang_picture", "overhang", "overhang"),
    "grader": ("finest", "finest", "finest"),
    "notifier": ("my_mail", "mail", "mail"),
    "job-observer": ("stack_light", "stack_light", "stack light"),
}


def call(*arguments: str | Path, site: Path, status: int = 0, cwd: Path | None = None) -> str:
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-m", *map(str, arguments)],
        capture_output=True, encoding="utf-8", check=False, env=environment, cwd=cwd,
    )  # fmt: skip
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout


def install(folder: Path, site: Path) -> None:
    options = ("--quiet", "--no-index", "--no-deps", "--no-build-isolation")
    call("pip", "install", *options, "--target", site, folder, site=site)


@pytest.mark.slow
def test_a_new_step_installs_passes_and_runs(tmp_path: Path) -> None:
    folder, site = new_plugin("lift-off", tmp_path), tmp_path / "site"
    install(folder, site)
    said = call("pytest", "-q", "-p", "no:cacheprovider", folder, site=site, cwd=folder)
    assert "17 passed" in said, said  # the contract's checks and the step's own
    assert "Say here what lift-off does." in call("fettlebox", "steps", "lift-off", site=site)
    proof = call("fettlebox", "plugin", "prove", "lift-off", "--set", "by=3 mm", "--json", site=site)
    assert all(json.loads(line)["ok"] for line in proof.splitlines())
    (words,) = [one for line in proof.splitlines() if "words" in (one := json.loads(line))["check"]]
    assert "its summary is still 'Say here what lift-off does.'" in words["remark"]
    recipe = tmp_path / "high.yaml"
    recipe.write_text("recipe: high\nsteps:\n  - lift-off: 12 mm\ndeliver: [stl]\n")
    assert "good" in call("fettlebox", "check", recipe, site=site)
    recipe.write_text("recipe: high\nsteps:\n  - lift-off: 12\ndeliver: [stl]\n")
    assert "no unit" in call("fettlebox", "check", recipe, site=site, status=2)


@pytest.mark.slow
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "step"])
def test_a_new_plugin_of_every_kind_installs_passes_and_is_found(kind: str, tmp_path: Path) -> None:
    folder, site = new_plugin("my-own", tmp_path, kind), tmp_path / "site"
    install(folder, site)
    said = call("pytest", "-q", "-p", "no:cacheprovider", folder, site=site, cwd=folder)
    assert re.search(r"^(\d+) passed", said, re.MULTILINE), said
    listed = [
        json.loads(line) for line in call("fettlebox", "plugin", "list", "--json", site=site).splitlines()
    ]
    (mine,) = [one for one in listed if one["source"] == "fettlebox-my-own" or one["name"] == "my own"]
    assert mine["kind"] == kind.replace("-", " ")
    if kind in ("fact-collector", "painter", "grader", "writer"):
        proof = call("fettlebox", "plugin", "prove", mine["name"], "--json", site=site)
        assert all(json.loads(line)["ok"] for line in proof.splitlines())


def test_there_is_a_template_of_every_kind() -> None:
    assert {path.name for path in TEMPLATES.iterdir() if path.is_dir()} == set(KINDS)
    assert len(KINDS) == len(HOOKS)
    assert (
        set(ON_THE_PAGE)
        == {path.stem for path in PAGES.glob("*.md")} - {"README", "fields", "pictures"}
        == set(KINDS) - {"step"}
    )


@pytest.mark.parametrize("kind", ON_THE_PAGE)
def test_what_a_page_shows_is_what_a_package_is_made_of(kind: str) -> None:
    module, function, title = ON_THE_PAGE[kind]
    words = {"package": module, "function": function, "title": title, "name": function}
    shown = dict(
        re.findall(r"```python\n# (\w+)\.py\n(.*?)```", (PAGES / f"{kind}.md").read_text("utf-8"), re.DOTALL)
    )
    for file, name in (("module", module), ("test_module", f"test_{module}")):
        made = Template((TEMPLATES / kind / f"{file}.py.txt").read_text("utf-8")).substitute(words)
        assert shown[name] == made, f"{kind}.md and plugin_template/{kind}/{file}.py.txt"


@pytest.mark.parametrize("kind", KINDS)
def test_the_read_me_says_only_what_stays_true(kind: str, tmp_path: Path) -> None:
    """Nothing of what the example does: whoever changes the module need not change it."""
    folder = new_plugin("my-own", tmp_path, kind)
    page = (folder / "README.md").read_text("utf-8")
    assert f"The {kind.replace('-', ' ')} `my" in page and "fettlebox_my_own/__init__.py" in page
    for word in ("lift", "mm", "obj", "asc", "foot", "overhang", "mail", "light", "finest"):
        assert re.search(rf"\b{word}", page) is None, word


@pytest.mark.parametrize("name", ["Lift", "lift off", "", "when", "lambda", "../lift", "a" * 80, "repair"])
def test_a_name_that_cannot_be_is_refused_and_nothing_is_made(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        new_plugin(name, tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("kind", "name"), [("reader", "np"), ("step", "contract"), ("notifier", "tell")])
def test_a_name_that_the_example_uses_is_refused(kind: str, name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=f"such as 'my-{name}'"):
        new_plugin(name, tmp_path, kind)
    assert list(tmp_path.iterdir()) == []


def test_a_kind_that_there_is_not_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there are step, reader, writer, fact-collector"):
        new_plugin("lift", tmp_path, "hook")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "fettlebox-lift").mkdir()
    with pytest.raises(UsageError, match="exists already"):
        new_plugin("lift", tmp_path)
