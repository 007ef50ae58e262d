"""Files that come with Fettlebox: ready recipes, schemas, the example shop."""

from __future__ import annotations

from pathlib import Path

from .errors import UsageError

# Links to the folders at the top of a checkout; in a wheel, copies of them.
FOLDER = Path(__file__).resolve().parent / "shipped_files"


def shipped(name: str) -> Path:
    """Folder `recipes`, `schemas` or `inbox_example`. Raises UsageError if the installation is damaged."""
    place = FOLDER / name
    if not place.is_dir():
        raise UsageError(f"{place}, which comes with Fettlebox, is missing; install it again")
    return place
