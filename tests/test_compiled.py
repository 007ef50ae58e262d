"""Whether a first run will compile is told beforehand, from the files that numba keeps, without numba."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
from fettlebox import compiled, doctor
from fettlebox.api import Part, Step, StepContext, StepParams, StepResult
from fettlebox.catalog import Catalog
from fettlebox.cli import app
from fettlebox.compiled import is_cold
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parents[1]
KERNEL = "from numba import njit\n\n@njit(cache=True)\ndef twice(x):\n    return 2 * x\n"


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a package with one kernel, which brings a step."""
    folder = tmp_path / "site" / "compiling"
    (folder / "deep").mkdir(parents=True)
    (folder / "__init__.py").touch()
    (folder / "deep" / "kernels.py").write_text(KERNEL)
    module = ModuleType("compiling")
    module.__file__ = str(folder / "__init__.py")
    monkeypatch.setitem(sys.modules, "compiling", module)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "nobody"))
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    return folder


@pytest.fixture
def catalog() -> Catalog:
    def run(part: Part, params: StepParams, ctx: StepContext) -> StepResult:
        return StepResult(part)

    run.__module__ = "compiling.step"
    return Catalog({"compile": Step("compile", 1, "Compile it.", StepParams, run)})


def compile_it(package: Path, **environment: str) -> None:
    """As a step does, by numba itself."""
    code = "from deep.kernels import twice; assert twice(3) == 6"
    subprocess.run(
        [sys.executable, "-c", code], cwd=package, env={**os.environ, **environment}, check=True, timeout=300
    )


@pytest.mark.parametrize("elsewhere", ["", "NUMBA_CACHE_DIR", "XDG_CACHE_HOME"])
def test_what_numba_keeps_is_found_where_numba_puts_it(
    package: Path, catalog: Catalog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, elsewhere: str
) -> None:
    assert is_cold(catalog)
    environment = {elsewhere: str(tmp_path / "cache")} if elsewhere else {}
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    if elsewhere == "XDG_CACHE_HOME":  # where numba goes when it may not write beside the module
        (package / "deep" / "__pycache__").touch()
    compile_it(package, **environment, PYTHONDONTWRITEBYTECODE="1")
    assert list(package.rglob("*.nbi")) == [] or not elsewhere
    assert not is_cold(catalog)


def test_what_is_older_than_its_source_is_compiled_anew(package: Path, catalog: Catalog) -> None:
    index = package / "deep" / "__pycache__" / "kernels.twice-3.py311.nbi"
    index.parent.mkdir()
    index.touch()
    assert not is_cold(catalog)
    os.utime(index, (1.0, 1.0))
    assert is_cold(catalog)


def test_who_compiles_nothing_is_never_cold(package: Path, catalog: Catalog) -> None:
    (package / "deep" / "kernels.py").write_text("def twice(x):\n    return 2 * x\n")
    assert not is_cold(catalog)
    assert not is_cold(Catalog())


def test_looking_needs_no_compiler() -> None:
    code = (
        "import sys\nfrom fettlebox.catalog import find_steps\nfrom fettlebox.compiled import is_cold\n"
        "is_cold(find_steps())\nassert 'numba' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("cold", [True, False])
def test_a_run_says_so_on_stderr_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cold: bool) -> None:
    monkeypatch.setattr(compiled, "is_cold", lambda catalog: cold)
    scan = tmp_path / "scan.off"
    scan.write_text("OFF\n0 0 0\n")
    recipe = str(ROOT / "recipes" / "quarter-bust.yaml")
    said = CliRunner().invoke(app, ["run", recipe, str(scan), "--out", str(tmp_path / "out"), "--json"])
    assert said.stderr.count("preparing compiled code") == int(cold)
    assert "compiled code" not in said.stdout
    for quiet in (["check", recipe], ["steps"], ["--help"]):
        assert "compiled code" not in CliRunner().invoke(app, quiet).output


def test_doctor_knows_it(monkeypatch: pytest.MonkeyPatch) -> None:
    for cold, word in ((True, "not there yet; the first job compiles"), (False, "ready")):
        monkeypatch.setattr(doctor, "is_cold", lambda catalog, cold=cold: cold)
        finding = doctor._compiled()
        assert finding.ok and finding.said.startswith(word)
