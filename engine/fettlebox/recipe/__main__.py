"""`python -m fettlebox.recipe FOLDER`: write the schemas into a folder."""

from __future__ import annotations

import sys
from pathlib import Path

from ..catalog import built_in_steps
from .schema import KINDS, compose_schema, write_schema


def main(arguments: list[str]) -> int:
    if len(arguments) != 1:
        print("usage: python -m fettlebox.recipe FOLDER", file=sys.stderr)
        return 2
    catalog = built_in_steps()
    for bad in catalog.quarantined.values():
        print(f"without {bad.name}: {bad.reason}", file=sys.stderr)
    for kind in KINDS:
        path = Path(arguments[0]) / f"{kind}.schema.json"
        path.write_text(write_schema(compose_schema(kind, catalog)), "utf-8")
        print(f"wrote {path}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
