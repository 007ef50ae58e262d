"""What README.md and DEVELOPERS.md say is what the code does."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import yaml
from fettlebox.api import Origin, Step, StepContext
from fettlebox.cli import app
from fettlebox.mesh import READABLE, WRITABLE
from typer.main import get_command

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


def test_the_recipe_that_the_readme_explains_is_the_one_that_ships() -> None:
    shipped = (ROOT / "recipes" / "quarter-bust.yaml").read_text("utf-8")
    explained = re.findall(r"^\| `([a-z]+)(?:: (.*?))?` \|", README.split("line by line", 1)[1], re.MULTILINE)
    steps = [next(iter(s)) if isinstance(s, dict) else s for s in yaml.safe_load(shipped)["steps"]]
    assert [name for name, _ in explained if name not in ("ask", "deliver")] == steps
    for name, parameters in explained:
        if parameters and "…" not in parameters and name != "ask":
            assert f"{name}: {parameters}" in shipped, f"README explains {name}: {parameters}"


def test_every_command_that_the_documents_show_exists() -> None:
    commands = set(get_command(app).commands)  # type: ignore[attr-defined]
    shown = set(re.findall(r"^fettlebox ([a-z]+)", "\n".join(blocks(README, "sh")), re.MULTILINE))
    shown |= set(re.findall(r"`fettlebox ([a-z]+)", README + DEVELOPERS))
    assert shown <= commands, shown - commands


def test_make_targets_that_the_documents_show_exist() -> None:
    makefile = (ROOT / "Makefile").read_text("utf-8")
    for target in set(re.findall(r"\bmake ([a-z]+)", README + DEVELOPERS)):
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target


def test_ci_runs_the_readme_s_test_command() -> None:
    assert "make test" in blocks(README, "sh")[0]
    assert "\nmake test\n" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_formats_in_the_readme_are_those_that_are_read_and_written() -> None:
    for suffix, word in {
        ".stl": "STL",
        ".ply": "PLY",
        ".obj": "OBJ",
        ".off": "OFF",
        ".3mf": "3MF",
        ".glb": "glTF",
    }.items():
        assert suffix in READABLE
        assert word in README
    assert {".stl", ".3mf", ".ply", ".glb"} <= set(WRITABLE)


def test_the_ticket_in_the_readme_is_a_ticket(tmp_path: Path) -> None:
    from fettlebox.recipe import parse_ticket

    (ticket,) = blocks(README, "yaml")
    assert parse_ticket(ticket, "README.md").order == "LY-1041"


def test_the_step_in_the_developers_guide_works(tmp_path: Path) -> None:
    import numpy as np
    import trimesh
    from fettlebox.mesh import Part

    module: dict[str, Any] = {"__name__": "lift_from_the_guide"}
    exec(compile(blocks(DEVELOPERS, "python")[0], "DEVELOPERS.md", "exec", dont_inherit=True), module)
    step = module["lift"]
    assert isinstance(step, Step)
    box = trimesh.creation.box()
    part = Part(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    ctx = StepContext(Origin("box", "stl", ""), part, np.random.default_rng(0), tmp_path)
    lifted = step(part, step.params.model_validate({"by": "12 mm"}), ctx)
    assert lifted.part.bounds[0, 2] == part.bounds[0, 2] + 12.0
    assert lifted.facts == {"lifted_mm": 12.0}


def test_the_step_in_the_guide_is_the_one_that_plugin_new_makes(tmp_path: Path) -> None:
    from fettlebox.new_plugin import new_plugin

    def without_words(code: str) -> str:
        tree = ast.parse(code)
        for node in ast.walk(tree):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
                node.body = node.body[1:]
        tree.body = [node for node in tree.body if not isinstance(node, ast.Import | ast.ImportFrom)]
        return ast.unparse(tree)

    folder = new_plugin("lift", tmp_path)
    made = (folder / "fettlebox_lift" / "__init__.py").read_text("utf-8")
    assert made.count("Say here what lift does.") == 1  # nobody else's step lifts the part
    made = made.replace("Say here what lift does.", "Lift the part off the bed.")
    assert without_words(made) == without_words(blocks(DEVELOPERS, "python")[0])
    entry = tomllib.loads((folder / "pyproject.toml").read_text("utf-8"))["project"]["entry-points"]
    assert entry == tomllib.loads(blocks(DEVELOPERS, "toml")[0])["project"]["entry-points"]
    assert blocks(DEVELOPERS, "python")[1].split("@pytest")[1] in (
        folder / "tests" / "test_lift.py"
    ).read_text("utf-8")


def test_the_guide_s_schema_command_runs(tmp_path: Path) -> None:
    command = re.search(r"`\.venv/bin/python (-m fettlebox\.recipe) schemas`", DEVELOPERS)
    assert command
    done = subprocess.run(
        [sys.executable, *command[1].split(), str(tmp_path)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for path in (ROOT / "schemas").glob("*.json"):
        assert (tmp_path / path.name).read_text("utf-8") == path.read_text("utf-8")


def test_the_shop_file_in_the_guide_names_a_step(tmp_path: Path) -> None:
    from fettlebox.recipe import load_shop

    example, *_ = blocks(DEVELOPERS, "yaml")
    code = b"test"  # whose SHA-256 the guide shows
    (tmp_path / "steps").mkdir()
    (tmp_path / "steps" / "keel.py").write_bytes(code)
    (tmp_path / "recipes").mkdir()
    (tmp_path / "recipes" / "plain.yaml").touch()
    (tmp_path / "shop.yaml").write_text(f"shop: Test\nrecipe: plain\n{example}")
    (own,) = load_shop(tmp_path).own_steps
    assert (own.file, own.code) == ("steps/keel.py", code)


def test_the_expect_file_in_the_guide_is_one() -> None:
    from fettlebox.recipe.expect import parse_expectation

    *_, example = blocks(DEVELOPERS, "yaml")
    assert len(parse_expectation(example, "DEVELOPERS.md").wanted) == 4
