"""`python -m fettlebox.reference FOLDER`: write pages and pictures of all built-in steps into a folder."""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from ..catalog import built_in_steps
from .page import index_of
from .writing import write_page


def main(arguments: list[str]) -> int:
    if len(arguments) != 1:
        print("usage: python -m fettlebox.reference FOLDER", file=sys.stderr)
        return 2
    catalog = built_in_steps()
    folder = Path(arguments[0])
    with TemporaryDirectory() as kept:
        for step in catalog.steps.values():
            for path in write_page(step, catalog, folder, kept=Path(kept)):
                print(f"wrote {path}")
    (folder / "README.md").write_text(index_of([*catalog.steps.values()]), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
