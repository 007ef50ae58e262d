"""Real scans that ship inside packages the tests install, and small shapes."""

from __future__ import annotations

import importlib.util
import locale
from collections.abc import Iterator
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


@pytest.fixture(autouse=True)
def _same_locale() -> Iterator[None]:
    """A native library that the tests use may leave the process in the C locale, where text is ASCII."""
    before = locale.setlocale(locale.LC_ALL)
    yield
    locale.setlocale(locale.LC_ALL, before)
