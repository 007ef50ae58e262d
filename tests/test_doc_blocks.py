"""Every code block of the documents is run, or held against what it speaks of; none can slip by."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml
from fettlebox.api import ENTRY_POINT_GROUP
from fettlebox.catalog import built_in_steps
from fettlebox.mesh import write_part
from fettlebox.recipe import load_recipe, parse_recipe, parse_ticket
from fettlebox.recipe.expect import parse_expectation
from fettlebox.testing import ball, bust_scan

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "benchmarks" / "README.md",
    *sorted((ROOT / "plugins" / "hooks").glob("*.md")),
    *sorted((ROOT / "plugins" / "steps").glob("*.md")),
]
NAMED = re.compile(r"# ([\w/]+\.(?:py|yaml|toml))\b.*\n")
LONGEST_S = 600


@dataclass(frozen=True)
class Block:
    """`line` is where it starts in its document, from 1."""

    document: Path
    line: int
    language: str
    text: str

    def __str__(self) -> str:
        return f"{self.document.relative_to(ROOT)}:{self.line}"


def blocks_of(document: Path) -> list[Block]:
    text = document.read_text("utf-8")
    found = [
        Block(document, text.count("\n", 0, one.start()) + 1, one[1], one[2])
        for one in re.finditer(r"^```([^\n`]*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    ]
    assert 2 * len(found) == len(re.findall(r"^ *```", text, re.MULTILINE)), f"{document}: a fence is open"
    return found


BLOCKS = [block for document in DOCUMENTS for block in blocks_of(document)]


def of(language: str) -> list[Block]:
    return [block for block in BLOCKS if block.language == language]


def test_every_block_is_of_a_kind_that_is_checked_here() -> None:
    assert {block.language for block in BLOCKS} == {"sh", "python", "yaml", "toml", ""}


REPLACED = {
    "make demo": "make -C {root} --dry-run demo",
    "make test": "make -C {root} --dry-run test",
    "fettlebox serve my-shop": "fettlebox serve my-shop --once",
    "fettlebox serve my-shop --board 8311": "fettlebox serve my-shop --once --board {port}",
    "fettlebox serve my-shop --board 0.0.0.0:8311 --board-url https://board.example":
        "fettlebox serve my-shop --once --board 0.0.0.0:{port} --board-url https://board.example",
    'pip install -e ".[test]"':
        "python -m pip install --quiet --no-index --no-deps --no-build-isolation --target {site} .",
}  # fmt: skip
"""Lines that would take minutes, never end, or change the environment of the tests, and what is run instead.
Every other line is run as it stands."""

HELD_TOO = {line for line in REPLACED if line.startswith("fettlebox serve")}
"""Lines that may exit with status 3, as jobs are held."""


def put_scans(folder: Path) -> None:
    """Three scans that a person has to decide on, and the answer to one."""
    shop = folder / "my-shop"
    (shop / "recipes" / "quick.yaml").write_text(
        "recipe: quick\nsteps:\n  - units: {expect: {height: 40 mm}}\n  - gate: {height: {below: 1 mm}}\n"
        "deliver: [stl]\n"
    )
    (shop / "inbox" / "quick").mkdir()
    for number in range(3):
        write_part(ball(2, 20.0 + number / 10), shop / "inbox" / "quick" / f"ball {number}.stl")
    (folder / "answer.ticket.yaml").write_text("recipe: quick\nunit: mm\n")


def put_head(folder: Path) -> None:
    (folder / "recipes").symlink_to(ROOT / "recipes")
    write_part(bust_scan(), folder / "head.ply")


BEFORE: dict[str, Callable[[Path], None]] = {
    "fettlebox serve my-shop": put_scans,
    "fettlebox run recipes/quarter-bust.yaml head.ply --set 'size=20 %' --out parts": put_head,
}
"""What has to lie there before a line is run, as whoever reads the document has it."""


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def lines_of(block: Block) -> list[str]:
    """The commands, without what is said about them."""
    without = (re.sub(r"\s+# .*$", "", line).strip() for line in block.text.splitlines())
    return [line for line in without if line and not line.startswith("#")]


@pytest.mark.slow
@pytest.mark.parametrize(
    "document", sorted({block.document for block in of("sh")}), ids=lambda path: path.name
)
def test_every_line_for_the_shell_runs(document: Path, tmp_path: Path) -> None:
    """All blocks of a document one after the other in one folder, as somebody who reads it would."""
    folder, site = tmp_path / "here", tmp_path / "site"
    folder.mkdir()
    environment = {
        **os.environ,
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(site),
        "PYTHONDONTWRITEBYTECODE": "1",
        "PYTEST_ADDOPTS": "-p no:cacheprovider",
    }

    def call(command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["bash", "-euo", "pipefail", "-c", command], cwd=folder, env=environment, check=False,
            capture_output=True, encoding="utf-8", timeout=LONGEST_S, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    for block in blocks_of(document):
        for line in lines_of(block) if block.language == "sh" else ():
            BEFORE.get(line, lambda there: None)(folder)
            command = (
                REPLACED[line].format(root=ROOT, site=site, port=free_port()) if line in REPLACED else line
            )
            if re.search(r"\bJOB\b", command):
                listed = call("fettlebox jobs my-shop --state held --json").stdout.splitlines()
                command = re.sub(r"\bJOB\b", json.loads(listed[0])["id"], command)
            if command.startswith("cd "):
                folder = folder / command.removeprefix("cd ").strip()
                assert folder.is_dir(), f"{block}: {line}"
                continue
            done = call(command)
            assert done.returncode in ((0, 3) if line in HELD_TOO else (0,)), (
                f"{block}: {line}\n{done.stdout}\n{done.stderr}"
            )


def test_no_line_is_replaced_or_prepared_that_no_document_shows() -> None:
    shown = {line for block in of("sh") for line in lines_of(block)}
    assert REPLACED.keys() <= shown and BEFORE.keys() <= shown


def needs_no_replacing(line: str) -> bool:
    return re.match(r"fettlebox (?!serve )|cd |pytest$", line) is not None


def test_every_line_for_the_shell_is_run_or_on_the_list() -> None:
    for block in of("sh"):
        for line in lines_of(block):
            assert line in REPLACED or needs_no_replacing(line), f"{block}: {line}"


@pytest.mark.slow
@pytest.mark.parametrize(
    "document", sorted({block.document for block in of("python")}), ids=lambda path: path.name
)
def test_every_block_of_python_runs(document: Path, tmp_path: Path) -> None:
    """A block that names its file is that file; one with tests is run by pytest, any other is imported."""
    modules, tests = [], []
    for number, block in enumerate(one for one in blocks_of(document) if one.language == "python"):
        named = NAMED.match(block.text)
        place = tmp_path / (named[1] if named else f"block_{number}.py")
        place.parent.mkdir(parents=True, exist_ok=True)
        if "\ndef test_" in block.text:
            place = place if place.name.startswith("test_") else place.with_name(f"test_{place.name}")
            tests.append(place)
        else:
            modules.append(
                ".".join(place.relative_to(tmp_path).with_suffix("").parts).removesuffix(".__init__")
            )
        place.write_text(block.text, "utf-8")
    assert modules
    commands = [[sys.executable, "-c", f"import {name}"] for name in modules]
    if tests:
        commands.append([sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *map(str, tests)])
    for command in commands:
        done = subprocess.run(
            command, cwd=tmp_path, capture_output=True, encoding="utf-8", check=False,
            env={**os.environ, "PYTHONPATH": str(tmp_path), "PYTHONDONTWRITEBYTECODE": "1"},
        )  # fmt: skip
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"


@pytest.mark.parametrize("block", of("yaml"), ids=str)
def test_every_block_of_yaml_is_what_it_says_it_is(block: Block, tmp_path: Path) -> None:
    data = yaml.safe_load(block.text)
    if block.text.startswith("# old king.ticket.yaml"):
        assert parse_ticket(block.text, str(block)).order == "LY-1041"
    elif block.text.startswith("# shop.yaml"):
        keys = json.loads((ROOT / "schemas" / "shop.schema.json").read_text("utf-8"))["properties"]
        assert data.keys() <= keys.keys()  # what it names is read in test_docs
    elif "extends" in data:
        shutil.copytree(ROOT / "recipes", tmp_path / "recipes")
        child = tmp_path / "recipes" / f"{data['recipe']}.yaml"
        child.write_text(block.text, "utf-8")
        recipe, parent = (
            load_recipe(path, built_in_steps()).plan({}) for path in (child, child.with_stem(data["extends"]))
        )
        assert [one.id for one in recipe.steps] != [one.id for one in parent.steps]
    elif "ends" in data:
        assert parse_expectation(block.text, str(block)).recipe == data["recipe"]
    else:
        assert list(data) == ["steps"], f"{block}: is it a ticket, a shop file or the steps of a recipe?"
        recipe = f"recipe: shown\n{block.text}\ndeliver: []\n"
        assert parse_recipe(recipe, str(block), built_in_steps()).warnings == ()


@pytest.mark.parametrize("block", of("toml"), ids=str)
def test_every_block_of_toml_names_a_plugin(block: Block) -> None:
    project = tomllib.loads(block.text)["project"]
    assert project["name"].startswith("fettlebox-") and project["dependencies"] == ["fettlebox"]
    assert project["entry-points"][ENTRY_POINT_GROUP]


def test_what_the_layout_lists_is_there() -> None:
    """The only block without a language: folders, and modules below them, with what they are for."""
    (layout,) = of("")
    folder = ROOT
    for line in layout.text.splitlines():
        names = re.split(r"\s{2,}", line.strip())[0]
        inside = line.startswith("  ")
        if not inside:
            folder = ROOT / names.split()[0] if not line.startswith("recipes/") else ROOT
        for name in re.split(r"[,\s]+", names):
            place = (folder if inside or folder is ROOT else ROOT) / name
            there = place.exists() or place.with_name(f"{name}.py").is_file()
            assert there, f"{layout}: {name} of {line.strip()!r}"
