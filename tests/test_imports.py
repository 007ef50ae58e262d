"""Imports point one way, steps stand on the public contract alone, and checking starts light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ENGINE = ROOT / "engine" / "fettlebox"
PLUGINS = ROOT / "plugins" / "fettlebox_steps"

# Lower may not import higher. Modules on one line may use each other.
LAYERS = [
    {"errors", "quantities", "text", "loopback", "guarding", "fact_names", "idling"},
    {"mesh"},
    {"params", "printer", "pictures"},
    {"api", "hooks", "made_for"},
    {"catalog", "own_steps"},
    {"recipe"},
    {"traveler", "versions", "processor", "shipped", "reasons", "surroundings"},
    {"jobs"},
    {
        "step_cache",
        "takes",
        "declaring",
        "delivering",
        "run_steps",
        "hooking",
        "run_job",
        "run_once",
        "replay",
    },
    {"confinement"},
    {"pool"},
    {
        "workers",
        "cluster",
        "pools",
        "observing",
        "turns",
        "queueing",
        "watch",
        "choosing",
        "service",
        "housekeeping",
    },
    {"server"},
    {
        "checking",
        "compiled",
        "comparing",
        "doctor",
        "demo",
        "golden",
        "golden_record",
        "golden_report",
        "golden_run",
        "new_plugin",
        "plugin_list",
        "proving",
        "printing",
        "reference",
        "suiting",
        "trying",
        "testing",
    },
    {"board"},
    {"cli", "cli_board", "cli_plugins", "cli_recipes", "cli_shop", "__main__"},
]
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

PUBLIC = {"fettlebox.api", "fettlebox.hooks", "fettlebox.mesh", "fettlebox.pictures"}
# The gate judges and makes nothing: it alone may ask the witness and measure against the scan.
JUDGES = {"gate", "demands"}
WITNESS = {"fettlebox.mesh.soundness", "fettlebox.mesh.fidelity", "fettlebox.mesh.facts"}
HEAVY = ("scipy", "numba", "trimesh", "igl", "manifold3d", "pymeshlab", "embreex", "shapely", "PIL", "prov")


def imported(path: Path, package: str) -> set[str]:
    """Full names of the modules that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            names.add(module)
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


def package_of(path: Path, root: Path) -> str:
    relative = path.relative_to(root.parent).with_suffix("")
    parts = relative.parts if path.name == "__init__.py" else relative.parts[:-1]
    return ".".join(part for part in parts if part != "__init__")


def engine_files() -> list[Path]:
    return sorted(ENGINE.rglob("*.py"))


@pytest.mark.parametrize("path", engine_files(), ids=lambda p: str(p.relative_to(ENGINE)))
def test_engine_imports_point_downward(path: Path) -> None:
    own = path.relative_to(ENGINE).with_suffix("").parts[0]
    if own == "__init__":
        return
    assert own in RANK, f"{own} has no place in the order of layers"
    for name in imported(path, package_of(path, ENGINE)):
        assert not name.startswith("fettlebox_steps"), f"the engine names the steps: {name}"
        parts = name.split(".")
        if parts[0] == "fettlebox" and len(parts) > 1 and parts[1] in RANK:
            assert RANK[parts[1]] <= RANK[own], f"{own} imports {name}, which is above it"


@pytest.mark.parametrize("path", sorted(PLUGINS.glob("*.py")), ids=lambda p: p.name)
def test_steps_use_the_public_contract_and_their_geometry(path: Path) -> None:
    for name in imported(path, package_of(path, PLUGINS)):
        if name.startswith("fettlebox."):
            public = any(name == allowed or name.startswith(allowed + ".") for allowed in PUBLIC)
            assert public, f"{path.name} imports {name}"
            witness = any(name.startswith(judge) for judge in WITNESS)
            assert not witness or path.stem in JUDGES, f"{path.name} asks the witness: {name}"


@pytest.mark.parametrize("path", sorted((PLUGINS / "geometry").glob("*.py")), ids=lambda p: p.name)
def test_geometry_knows_neither_steps_nor_engine(path: Path) -> None:
    for name in imported(path, package_of(path, PLUGINS)):
        assert not name.startswith("fettlebox."), f"{path.name} imports {name}"
        if name.startswith("fettlebox_steps"):
            assert name.startswith("fettlebox_steps.geometry"), f"{path.name} imports {name}"


@pytest.mark.parametrize(
    "arguments", [["steps"], ["check", str(ROOT / "recipes" / "quarter-bust.yaml")], ["--help"]]
)
def test_listing_and_checking_load_no_geometry_library(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom fettlebox.cli import app\n"
        f"try:\n    app({arguments!r})\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        f"heavy = [m for m in {HEAVY!r} if m in sys.modules]\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr


def test_no_module_has_grown_beyond_400_lines() -> None:
    long = {
        str(path.relative_to(ROOT)): count
        for path in [*ENGINE.rglob("*.py"), *PLUGINS.rglob("*.py")]
        if (count := len(path.read_text("utf-8").splitlines())) > 400
    }
    assert not long, "split by meaning: " + ", ".join(long)
