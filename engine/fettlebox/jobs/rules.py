"""What the shop file says that the server must know, as one value that is replaced as a whole."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

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
    has: frozenset[str] = frozenset()
    cluster_shared: str | None = None
    cluster_unencrypted: bool = False
    cluster_same_processors: bool = False

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
        return hashlib.sha256("\0".join(self._texts(name, text)).encode()).hexdigest()

    def needs_of(self, text: str) -> frozenset[str]:
        """What a machine must have for a recipe: as it says, or else as the nearest says that it extends."""
        for one in self._texts("", text):
            if "needs" in one and (found := _top(one, "needs")) is not None:
                return frozenset(map(str, found)) if isinstance(found, list) else frozenset()
        return frozenset()

    def _texts(self, name: str, text: str | None) -> list[str]:
        """A recipe's text and those of all that it extends, nearest first; its name, if it has none."""
        texts = [name if text is None else text]
        while text is not None and len(texts) < MOST_PARENTS:
            parent = _top(text, "extends")
            path = (
                None
                if not isinstance(parent, str)
                else self.recipe_folder / f"{parent.removesuffix('.yaml')}.yaml"
            )
            if path is None or not path.resolve().is_relative_to(self.recipe_folder.resolve()):
                break
            try:
                text = path.read_text("utf-8")
            except (OSError, UnicodeDecodeError):
                break
            texts.append(text)
        return texts


def _top(text: str, key: str) -> Any:
    """What stands under one key of a recipe, even if something else in it is wrong; None if nothing does."""
    from ..recipe.nodes import Problems
    from ..recipe.text import read_nodes

    try:
        root = read_nodes(text, "", Problems())
        wanted = None if root is None or not isinstance(root.value, dict) else root.get(key)
    except (FettleboxError, ValueError):
        return None
    return None if wanted is None else wanted.plain()


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
        has=frozenset(read.has),
        cluster_shared=read.cluster.shared,
        cluster_unencrypted=read.cluster.unencrypted,
        cluster_same_processors=read.cluster.same_processors,
    )
