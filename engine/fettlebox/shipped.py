"""Files that come with Fettlebox: ready recipes, schemas, the example shop."""

from __future__ import annotations

from pathlib import Path

from .errors import UsageError

HERE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Folder `recipes`, `schemas` or `inbox_example`: inside the package, or at the top of a checkout."""
    for place in (HERE / "shipped_files" / name, HERE.parent.parent / name):
        if place.is_dir():
            return place
    raise UsageError(
        f"the folder {name!r} that comes with Fettlebox is missing beside {HERE}; install it again"
    )
