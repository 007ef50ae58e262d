"""A new shop: its folders, a shop file with words in it, and recipes to start from."""

from __future__ import annotations

import re
from pathlib import Path

from ..errors import UsageError
from .atomic import write_whole
from .folders import ShopFolders

SHOP_FILE = """\
# This shop. After a change, `kill -HUP` the server or start it again; jobs in the queue keep their recipes.
shop: {name}

# The recipe for scans that neither lie in a folder named after a recipe nor have a ticket that names one.
recipe: {recipe}

# How long a file in the inbox has to stay unchanged before it counts as complete.
settle: 2 s

# How many jobs run at the same time. Without it, as many as cores and memory are good for.
# workers: 2

# What the parts are made for. Printers and materials may also be files: printers/, materials/.
printer: everyday
printers:
  everyday:
    kind: filament
    build volume: [220 mm, 220 mm, 250 mm]
    nozzle: 0.4 mm
    layer: 0.2 mm

# What one job may use before it is given up, and how often one is tried that brings its worker down.
limits:
  time: 15 min
  memory: 8 GB
  attempts: 2
"""


def init_shop(
    folder: Path, *, recipes: Path, schemas: Path | None = None, recipe: str = "quarter-bust"
) -> None:
    """Make a shop in `folder`, with copies of all recipes in `recipes`; `recipe` is its usual one. `schemas`:
    what editors check and complete them by, copied beside them.

    Raises UsageError if there is a shop already, or something that is not an empty place for one.
    """
    if (folder / "shop.yaml").exists():
        raise UsageError(f"{folder} is a shop already")
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; expected a folder, or nothing yet")
    ready = sorted(recipes.glob("*.yaml"))
    if not ready:
        raise UsageError(f"there are no recipes in {recipes}; a shop needs at least one")
    shop = ShopFolders(folder.absolute())
    shop.make()
    for path in ready:
        copy = shop.recipes / path.name
        if not copy.exists():
            write_whole(copy, path.read_bytes())
    if schemas is not None and not (folder / "schemas").exists():
        (folder / "schemas").mkdir()
        for path in schemas.glob("*.json"):
            write_whole(folder / "schemas" / path.name, path.read_bytes())
    names = [path.stem for path in ready]
    usual = recipe if recipe in names else names[0]
    text = SHOP_FILE.format(name=shop_name(shop.root.name), recipe=usual)
    write_whole(folder / "shop.yaml", text.encode())


def shop_name(folder_name: str) -> str:
    """A folder's name as a YAML string that needs no thought."""
    words = re.sub(r"[^\w .-]+", " ", folder_name).strip()[:100] or "A shop"
    return f'"{words}"'
