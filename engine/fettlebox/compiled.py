"""Whether the kernels of steps are compiled yet: their first run takes about a minute longer, and says so.

numba keeps what it compiled beside a module, in `__pycache__`, or in a folder of the user's where it may not
write there (its documentation, "Notes on Caching"). Looking for its files takes milliseconds and no numba.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

from .catalog import Catalog, find_steps

KERNEL = b"njit("
SENTENCE = (
    "the first job compiles, once per installation, and takes about a minute longer "
    "(fettlebox doctor --warm does it beforehand)"
)


def is_cold(catalog: Catalog) -> bool:
    """Whether nothing of what the steps' packages compile at first use is kept from an earlier run."""
    kernels = [path for folder in _folders(catalog) for path in _kernels(folder)]
    return bool(kernels) and not any(_kept(path) for path in kernels)


def tell_if_cold(catalog: Catalog | None = None) -> None:
    """Say on stderr, once, that a job which is about to run waits for a compiler."""
    if is_cold(find_steps() if catalog is None else catalog):
        print(f"preparing compiled code: {SENTENCE}", file=sys.stderr, flush=True)


def _folders(catalog: Catalog) -> set[Path]:
    """Where the packages of steps lie. They are loaded already: a catalog has their functions."""
    found = set()
    for step in catalog.steps.values():
        package = sys.modules.get(step.run.__module__.partition(".")[0])
        file = getattr(package, "__file__", None)
        if file is not None and Path(file).name == "__init__.py":
            found.add(Path(file).parent)
    return found


def _kernels(folder: Path) -> Iterator[Path]:
    """Modules that hold compiled functions which are kept."""
    for path in sorted(folder.rglob("*.py")):
        code = path.read_bytes()
        if KERNEL in code and b"cache=True" in code:
            yield path


def _kept(module: Path) -> bool:
    """Whether an index of numba's is not older than the module: an older one is written anew."""
    made = module.stat().st_mtime
    return any(
        index.stat().st_mtime >= made
        for place in _places(module)
        for index in place.glob(f"{module.stem}.*.nbi")
    )


def _places(module: Path) -> Iterator[Path]:
    """Folders that numba may keep a module's functions in; of the user's, only the last part of the name is
    told apart by a digest.
    """
    yield module.parent / "__pycache__"
    user = os.environ.get("NUMBA_CACHE_DIR") or Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache", "numba")
    yield from Path(user).expanduser().glob(f"{module.parent.name}_*")
