"""The package in plugins/example_mount is a third party's: it installs by itself, passes its own tests, and
recipes can use it.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "plugins" / "example_mount"


def call(*arguments: str | Path, site: Path, cwd: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-m", *map(str, arguments)],
        capture_output=True, encoding="utf-8", check=False, env=environment, cwd=cwd,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_package_installs_passes_its_tests_and_recipes_use_it(tmp_path: Path) -> None:
    folder, site = tmp_path / "package", tmp_path / "site"
    shutil.copytree(PACKAGE, folder, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info", "build"))
    options = ("--quiet", "--no-index", "--no-deps", "--no-build-isolation")
    call("pip", "install", *options, "--target", site, folder, site=site, cwd=tmp_path)
    assert (site / "fettlebox_mount" / "py.typed").is_file()
    said = call("pytest", "-q", "-p", "no:cacheprovider", site=site, cwd=folder)
    assert " passed" in said and "skipped" not in said, said
    listed = json.loads(call("fettlebox", "steps", "mount", "--json", site=site, cwd=tmp_path))
    assert listed["from"] == "fettlebox-mount", listed
    recipe = tmp_path / "mounted.yaml"
    recipe.write_text("recipe: mounted\nsteps:\n  - mount: {screw: M4, neck: 8 mm}\ndeliver: [stl]\n")
    assert "good" in call("fettlebox", "check", recipe, site=site, cwd=tmp_path)


def test_it_uses_only_the_contract_and_is_no_part_of_fettlebox() -> None:
    for path in (PACKAGE / "fettlebox_mount").glob("*.py"):
        lines = [line.strip() for line in path.read_text("utf-8").splitlines()]
        ours = [line for line in lines if line.startswith(("from fettlebox", "import fettlebox"))]
        assert set(ours) <= {"from fettlebox.api import ("}, path.name
    theirs = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert "mount" not in theirs["project"]["entry-points"]["fettlebox.steps"]
    mine = tomllib.loads((PACKAGE / "pyproject.toml").read_text("utf-8"))
    assert mine["project"]["entry-points"]["fettlebox.steps"] == {"mount": "fettlebox_mount:mount"}


def test_its_read_me_names_every_parameter() -> None:
    """As a schema has them: read from the source, since the package is not installed here."""
    sys.path.insert(0, str(PACKAGE))
    try:
        from fettlebox_mount import mount
    finally:
        sys.path.remove(str(PACKAGE))
    page = (PACKAGE / "README.md").read_text("utf-8")
    named = [line for line in page.splitlines() if line.startswith("| `")]
    for name in mount.params.model_json_schema(by_alias=True)["properties"]:
        assert any(f"`{name}`" in line for line in named), name
