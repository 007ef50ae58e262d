"""A small catalog of its own, so that the language is tested apart from the built-in steps."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pytest
from fettlebox.api import Angle, Length, Part, Ratio, StepContext, StepParams, StepResult, quantity, step
from fettlebox.catalog import Catalog, Quarantined
from fettlebox.errors import Problem, RecipeError
from fettlebox.recipe import Recipe, parse_recipe
from pydantic import Field, model_validator

sys.path.insert(0, str(Path(__file__).parent))


class Lean(StepParams):
    up_to: Angle = quantity("50 deg", at_most="80 deg", alias="up to", about="Most tilt to try.")


class TrimParams(StepParams):
    at: Length = quantity("15 mm", about="Where to trim.")
    tilt: Angle | Lean = quantity("0 deg", about="A tilt, or the bounds of a search for one.")
    keep: Ratio = quantity("50 %", at_least="1 %", at_most="100 %", about="What must remain.")
    side: Literal["back", "front"] = Field("back", description="Where it climbs.")


class RubParams(StepParams):
    grit: Length = quantity(at_least="0.05 mm", at_most="2 mm", about="Coarseness.")
    passes: int = Field(3, ge=1, le=50, description="How often.")
    wet: bool = Field(False, description="With water.")
    zones: list[str] = Field(default_factory=list, description="Where.")

    @model_validator(mode="after")
    def _wet_is_fine(self) -> RubParams:
        if self.wet and self.grit > 1:
            raise ValueError("wet with a coarse grit; expected a grit of 1 mm or less")
        if self.wet and self.passes == 1:
            raise ValueError("expected one of wet and a single pass, found both")
        return self


class EngraveParams(StepParams):
    text: str = Field(min_length=1, max_length=24, description="The words.")
    depth: float = Field(0.5, description="Layers deep.")


class Nothing(StepParams):
    pass


def _same(part: Part) -> StepResult:
    return StepResult(part)


@step("trim", version=1, summary="Trim it.", shorthand="at")
def trim(part: Part, params: TrimParams, ctx: StepContext) -> StepResult:
    return _same(part)


@step("rub", version=1, summary="Rub it.", shorthand="grit")
def rub(part: Part, params: RubParams, ctx: StepContext) -> StepResult:
    return _same(part)


@step("engrave", version=1, summary="Engrave it.")
def engrave(part: Part, params: EngraveParams, ctx: StepContext) -> StepResult:
    return _same(part)


@step("weigh", version=1, summary="Weigh it.")
def weigh(part: Part, params: Nothing, ctx: StepContext) -> StepResult:
    return _same(part)


@pytest.fixture(scope="session")
def catalog() -> Catalog:
    steps = {one.name: one for one in (trim, rub, engrave, weigh)}
    broken = {"glaze": Quarantined("glaze", "glaze-house", "ImportError: no module named 'kiln'")}
    return Catalog(steps, dict.fromkeys(steps, "tests"), broken)


Read = Callable[[str], Recipe]
Complain = Callable[[str], list[Problem]]


@pytest.fixture
def read(catalog: Catalog) -> Read:
    """Checks the lines of a recipe; `recipe` and `deliver` are added where they are missing."""
    return lambda text: parse_recipe(_whole(text), "r.yaml", catalog)


@pytest.fixture
def complain(catalog: Catalog) -> Complain:
    """The problems of a recipe that has to have some."""

    def problems(text: str) -> list[Problem]:
        with pytest.raises(RecipeError) as caught:
            parse_recipe(_whole(text), "r.yaml", catalog)
        return list(caught.value.problems)

    return problems


def _whole(text: str) -> str:
    for key, line in (("recipe", "recipe: r"), ("deliver", "deliver: [stl]")):
        if f"{key}:" not in text:
            text = f"{text.rstrip()}\n{line}\n"
    return text
