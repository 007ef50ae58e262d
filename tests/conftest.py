"""Real scans that ship inside packages the tests install, and made-up plugins as if they were installed."""

from __future__ import annotations

import importlib.util
import locale
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest


def _inside(package: str, *parts: str) -> Path:
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        pytest.skip(f"{package} is not installed")
    path = Path(spec.origin).parent.joinpath(*parts)
    if not path.is_file():
        pytest.skip(f"{package} ships no {'/'.join(parts)}")
    return path


@pytest.fixture(scope="session")
def face_scan() -> Path:
    """A raw single-view range scan of a carved head, life-size in millimetres, open, with debris."""
    return _inside("pymeshlab", "tests", "sample_meshes", "rangemaps", "face000.ply")


@pytest.fixture(scope="session")
def bunny_scan() -> Path:
    """A scanned figurine with holes underneath."""
    return _inside("pymeshfix", "examples", "StanfordBunny.ply")


@pytest.fixture(scope="session")
def sheet_scan() -> Path:
    """A scanned open sheet with holes."""
    return _inside("pymeshfix", "examples", "planar_mesh.ply")


@pytest.fixture(scope="session")
def textured_bunny() -> Path:
    """A scanned figurine with texture coordinates."""
    return _inside("pymeshlab", "tests", "sample_meshes", "bunny10k_textured.obj")


@pytest.fixture
def fast_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory if there is any: a kill by signal does not care, and flushing is free there."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(prefix="fettlebox-test-", dir=memory))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def install(fast_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """install(package, code, entry, …): make a package of one module, found as every plugin is, here and in
    children: by its entry points, in a folder on the path. An entry is `name` of what the module holds.
    """

    def make(package: str, code: str, *entries: str) -> None:
        place, module = fast_folder / "site", package.replace("-", "_")
        about = place / f"{module}-1.dist-info"
        about.mkdir(parents=True)
        (place / f"{module}.py").write_text(code)
        (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1\n")
        lines = [f"{name.replace('_', '-')} = {module}:{name}" for name in entries]
        (about / "entry_points.txt").write_text("\n".join(["[fettlebox.steps]", *lines, ""]))
        monkeypatch.syspath_prepend(str(place))

    return make


@pytest.fixture(autouse=True)
def _same_locale() -> Iterator[None]:
    """A native library that the tests use may leave the process in the C locale, where text is ASCII."""
    before = locale.setlocale(locale.LC_ALL)
    yield
    locale.setlocale(locale.LC_ALL, before)
