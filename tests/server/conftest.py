"""A shop in a temporary folder, and the runners of `performers`, which children must be able to import."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

SHOP = """\
shop: Test
recipe: plain
settle: {settle}
workers: {workers}
limits: {{time: {time}, memory: {memory}, attempts: {attempts}}}
{more}"""
RECIPE = "recipe: {name}\nabout: For tests.\nsteps:\n  - units\ndeliver: [stl]\n"


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


@pytest.fixture
def make_shop(fast_folder: Path) -> Callable[..., Path]:
    """make_shop(settle=…, workers=…, time=…, memory=…, attempts=…, more=…) → the shop's folder."""

    def make(**given: object) -> Path:
        settings = {
            "settle": "0 s",
            "workers": 1,
            "time": "30 s",
            "memory": "2 GB",
            "attempts": 2,
            "more": "",
            **given,
        }
        shop = fast_folder / "shop"
        for name in ("recipes", "inbox", "outbox", "hold", "rejects"):
            (shop / name).mkdir(parents=True, exist_ok=True)
        for name in ("plain", "fancy"):
            (shop / "recipes" / f"{name}.yaml").write_text(RECIPE.format(name=name))
        (shop / "shop.yaml").write_text(SHOP.format(**settings))
        return shop

    return make
