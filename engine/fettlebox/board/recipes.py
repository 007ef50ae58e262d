"""The shop's recipes as the board shows them, and the forms that come out of what they ask."""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..catalog import Catalog, find_steps
from ..errors import RecipeError
from ..own_steps import OwnStep, with_own_steps
from ..recipe import Recipe, load_recipe, load_shop
from ..recipe.ask import Ask, ChoiceAsk, FlagAsk, TextAsk
from ..recipe.explain import ExplainedAsk, explain
from ..recipe.placeholders import NAME, whole_name
from ..recipe.shop import SHOP_FILE, require_standard
from ..traveler.record import JobRecord
from .problems import Refused

AS_USUAL = ""
"""What an answer is that leaves a value as it is without one."""


@dataclass(frozen=True)
class Asked:
    """One field of a form."""

    name: str
    kind: str
    may_be: str
    about: str
    usual: str | None
    now: str
    choices: tuple[tuple[str, str], ...] = ()
    longest: int = 200

    @property
    def required(self) -> bool:
        return self.usual is None


@dataclass(frozen=True)
class Patch:
    """One place that a step would change, if a person ticks it."""

    id: str
    centre_mm: tuple[float, ...]
    height_mm: float
    width_mm: float
    confidence: float


@dataclass(frozen=True)
class Ticking:
    """Places to tick, and the value of the ticket that the ticks go into."""

    field: str
    patches: tuple[Patch, ...]


@lru_cache(maxsize=4)
def catalog(own: tuple[OwnStep, ...] = ()) -> Catalog:
    return with_own_steps(catalog(), own) if own else find_steps()


class Recipes:
    """The recipes of one shop, each read again when its folder has changed."""

    def __init__(self, shop: Path) -> None:
        self.shop, self.folder = shop, shop / "recipes"
        self._kept: dict[str, tuple[Any, Recipe]] = {}
        self._lock = threading.Lock()

    def names(self) -> list[str]:
        return sorted(path.stem for path in self.folder.glob("*.yaml") if re.fullmatch(NAME, path.stem))

    def usual(self) -> str | None:
        try:
            return load_shop(self.shop).recipe
        except RecipeError:
            return None

    def get(self, name: str) -> Recipe:
        """Raises Refused: 404 if there is none of this name, 422 with every problem if it is wrong."""
        if name not in self.names():
            raise Refused(404, "there is no such recipe in this shop")
        try:
            stamp = tuple(
                (path.name, path.stat().st_mtime_ns, path.stat().st_size)
                for path in (self.shop / SHOP_FILE, *sorted(self.folder.rglob("*.yaml")))
            )
            with self._lock:
                kept = self._kept.get(name)
            if kept is not None and kept[0] == stamp:
                return kept[1]
            read = load_shop(self.shop)
            recipe = load_recipe(self.folder / f"{name}.yaml", catalog(read.own_steps), f"{name}.yaml")
            require_standard(recipe, name, self.folder, read.standard)
        except RecipeError as error:
            raise Refused(
                422, f"the recipe is wrong: {error}", problems=[one.as_dict() for one in error.problems]
            ) from error
        except OSError:
            raise Refused(404, "there is no such recipe in this shop") from None
        with self._lock:
            self._kept[name] = (stamp, recipe)
        return recipe

    def asked(self, name: str, now: Mapping[str, Any] | None = None) -> list[Asked]:
        """The form of a recipe; `now` are the values that a job had."""
        recipe = self.get(name)
        told = {one.name: one for one in explain(recipe).asks}
        return [_asked(key, ask, told[key], (now or {}).get(key)) for key, ask in recipe.ask.items()]


def _asked(name: str, ask: Ask, told: ExplainedAsk, now: Any) -> Asked:
    choices: tuple[tuple[str, str], ...] = ()
    if isinstance(ask, ChoiceAsk):
        choices = tuple((choice, choice) for choice in ask.choices)
    elif isinstance(ask, FlagAsk):
        choices = (("true", "yes"), ("false", "no"))
    shown = "" if now is None else str(now).lower() if isinstance(now, bool) else str(now)
    longest = ask.longest if isinstance(ask, TextAsk) else 200
    return Asked(name, ask.type, told.may_be, told.about, told.usual, shown, choices, longest)


def answers_in(recipe: Recipe, given: Mapping[str, Any], *, partial: bool = False) -> dict[str, Any]:
    """Values for a ticket out of a form: what was left empty is left out, so that it stays as usual.

    partial  the ticket that is there may say what is missing here
    Raises Refused (422) with every answer that does not suit, by its name.
    """
    values: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for name, ask in recipe.ask.items():
        value = given.get(name, AS_USUAL)
        text = str(value).lower() if isinstance(value, bool) else str(value).strip()
        if text == AS_USUAL:
            if ask.required and not partial:
                wrong[name] = "this has to be told"
            continue
        try:
            values[name] = ask.read(text)
        except ValueError as error:
            wrong[name] = str(error)
    unknown = sorted(set(given) - set(recipe.ask))
    wrong |= dict.fromkeys(unknown, "this recipe does not ask for it")
    if wrong:
        said = "; ".join(f"{name}: {sentence}" for name, sentence in wrong.items())
        raise Refused(422, said, errors=wrong)
    return values


def ticking_of(record: JobRecord | None, recipe: Recipe | None) -> Ticking | None:
    """The places that a held job asks a person to tick: evidence `patches` of a step with a parameter
    `ticked` that the ticket fills.
    """
    if record is None or recipe is None or record.state != "held":
        return None
    by_id = {call.id: call for call in recipe.steps}
    for step in record.steps:
        call, patches = by_id.get(step.id), step.evidence.get("patches")
        if step.outcome != "held" or call is None or not isinstance(patches, list):
            continue
        name = whole_name((call.params.plain() or {}).get("ticked"))
        found = tuple(patch for each in patches if (patch := _patch(each)) is not None)
        if name in recipe.ask and found:
            return Ticking(str(name), found)
    return None


def _patch(value: Any) -> Patch | None:
    try:
        centre = tuple(float(v) for v in value["centre_mm"])
        numbers = [float(value[key]) for key in ("height_mm", "width_mm", "confidence")]
        named = str(value["id"])
    except (KeyError, TypeError, ValueError):
        return None
    return Patch(named, centre, *numbers) if len(centre) == 3 and named.isalnum() else None
