"""What the shop file says that the server must know, as one value that is replaced as a whole."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from ..errors import FettleboxError, UsageError
from ..own_steps import OwnStep, require_usable
from ..printer import EVERYDAY, Printer

MOST_PARENTS = 16  # recipes that extend each other; the checker stops earlier, at a circle


@dataclass(frozen=True)
class Rules:
    """Times in seconds, memory in megabytes. `recipes` maps names to files below `recipe_folder`.
    `workers` None: as many as the machine is good for.
    """

    recipe_folder: Path
    default_recipe: str | None = None
    recipes: Mapping[str, Path] = field(default_factory=dict)
    printer: Printer = EVERYDAY
    workers: int | None = None
    settle_s: float = 2.0
    attempts: int = 3
    time_s: float = 600.0
    memory_mb: float = 8000.0
    standard: str | None = None
    again: str = "skip"
    keep_s: float | None = None
    keep_steps_mb: float = 0.0
    own_steps: tuple[OwnStep, ...] = ()

    def recipe_text(self, name: str) -> str:
        """The text of a recipe as it is now. Raises UsageError with the nearest right name."""
        path = self.recipes.get(name)
        if path is None:
            near = get_close_matches(name, self.recipes, n=1, cutoff=0.5)
            there = ", ".join(sorted(self.recipes)) or "none"
            hint = f"did you mean {near[0]!r}?" if near else f"there are {there}"
            raise UsageError(f"this shop has no recipe {name!r}; {hint}")
        try:
            return path.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(f"the recipe {name!r} cannot be read: {error}") from error

    def recipe_digest(self, name: str, text: str | None) -> str:
        """SHA-256 of a recipe's text and of all that it extends; of its name, if it cannot be read."""
        texts = [name if text is None else text]
        while text is not None and len(texts) < MOST_PARENTS:
            parent = _parent(text)
            path = None if parent is None else self.recipe_folder / f"{parent.removesuffix('.yaml')}.yaml"
            if path is None or not path.resolve().is_relative_to(self.recipe_folder.resolve()):
                break
            try:
                text = path.read_text("utf-8")
            except (OSError, UnicodeDecodeError):
                break
            texts.append(text)
        return hashlib.sha256("\0".join(texts).encode()).hexdigest()


def _parent(text: str) -> str | None:
    """What a recipe extends, even if something else in it is wrong."""
    from ..recipe.nodes import Problems
    from ..recipe.text import read_nodes

    try:
        root = read_nodes(text, "", Problems())
        wanted = None if root is None or not isinstance(root.value, dict) else root.get("extends")
    except (FettleboxError, ValueError):
        return None
    return wanted.value if wanted is not None and isinstance(wanted.value, str) else None


def load_rules(shop: Path) -> Rules:
    """Read `shop.yaml` and the names of the recipes. Raises RecipeError or UsageError."""
    from ..recipe import load_shop

    if not (shop / "shop.yaml").is_file():
        raise UsageError(f"{shop} is not a shop: it has no shop.yaml; make one with: fettlebox init {shop}")
    read = load_shop(shop)
    require_usable(read.own_steps)
    folder = shop / "recipes"
    return Rules(
        recipe_folder=folder,
        default_recipe=read.recipe,
        recipes={path.stem: path for path in sorted(folder.glob("*.yaml"))},
        printer=read.printer,
        workers=read.workers,
        settle_s=read.settle_s,
        attempts=read.limits.attempts,
        time_s=read.limits.time_s,
        memory_mb=read.limits.memory_mb,
        standard=read.standard,
        again=read.again,
        keep_s=read.keep_s,
        keep_steps_mb=read.keep_steps_mb,
        own_steps=read.own_steps,
    )
