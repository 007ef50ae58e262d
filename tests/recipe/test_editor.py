"""What an editor shows of recipes, tickets and shop files is what `check` says.

The schemas in a real language server, the npm package yaml-language-server, are held against our checker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from fettlebox.api import StepParams
from fettlebox.catalog import Catalog, built_in_steps, find_steps
from fettlebox.jobs import init_shop
from fettlebox.recipe import compose_schema, parse_recipe
from fettlebox.recipe.ask import ASK_TYPES
from fettlebox.recipe.language import FORMATS, PICTURES, ZIP
from fettlebox.recipe.schema import Kind, write_schema
from fettlebox.recipe.steps import PLACING
from language_server import LanguageServer, language_server, why_not
from pydantic import BaseModel
from recipe_examples import BAD, BEYOND, GOOD, complaints, kind_of

pytestmark = [
    pytest.mark.skipif(why_not() is not None, reason=why_not() or ""),
    pytest.mark.xdist_group("language server"),
]

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"
KINDS: tuple[Kind, ...] = ("recipe", "ticket", "shop")
PROPERTY, VALUE = 10, 12  # CompletionItemKind of the Language Server Protocol 3.17
SIBLINGS = {"id", "when", "otherwise", "locked"}

NAMES_ITS_SCHEMA = "# yaml-language-server: $schema="

NOT_SEEN = {
    "not-utf-8.yaml": "the protocol sends text, not bytes",
    "deliver-stacked-twice.yaml": "the server compares plain values only for `uniqueItems`",
}
"""Bad examples that the server lets pass, and why."""

ELSEWHERE = {
    "bracket.yaml": "a bracket that is never closed is missed on the next line",
    "colon-in-text.yaml": "what could not be read is also said to be missing",
    "indentation.yaml": "what could not be read is also said to be missing",
    "two-steps-in-one.yaml": "shown at the entry, not at its second step",
    "unquoted-placeholder.yaml": "what could not be read is also said to be missing",
}
"""Bad examples where the server marks other lines than our checker, or more of them."""


class Editor:
    """An editor with the schemas of a catalog. Every text is a file of its own."""

    def __init__(self, server: LanguageServer, folder: Path) -> None:
        self._server = server
        self._folder = folder
        self._numbers = count()

    def lines(self, kind: str, text: str) -> set[int]:
        """The lines, from 1, at which an error is marked."""
        # A file's own word on its schema leads elsewhere from here; where to is tested apart.
        found = self._server.problems(self._new(kind), text.replace(NAMES_ITS_SCHEMA, "# schema: "))
        return {one["range"]["start"]["line"] + 1 for one in found if one["severity"] == 1}

    def offered(self, kind: str, marked: str) -> tuple[list[str], list[str]]:
        """The values and the keys that are offered at the place marked `|`."""
        items = self._server.offers(self._new(kind), marked)
        return tuple(  # type: ignore[return-value]
            sorted(item["label"] for item in items if item["kind"] == wanted) for wanted in (VALUE, PROPERTY)
        )

    def _new(self, kind: str) -> Path:
        return self._folder / kind / f"{next(self._numbers)}.yaml"


def editor_for(catalog: Catalog, folder: Path) -> Iterator[Editor]:
    places = {}
    for kind in KINDS:
        path = folder / "schemas" / f"{kind}.schema.json"
        path.parent.mkdir(exist_ok=True)
        path.write_text(write_schema(compose_schema(kind, catalog)), "utf-8")
        places[path] = [f"/{kind}/*.yaml"]
    with language_server(places) as server:
        yield Editor(server, folder)


@pytest.fixture(scope="module")
def built_in() -> Catalog:
    return built_in_steps()


@pytest.fixture(scope="module")
def editor(built_in: Catalog, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Editor]:
    yield from editor_for(built_in, tmp_path_factory.mktemp("editor"))


@pytest.mark.parametrize("path", GOOD + BEYOND, ids=lambda path: path.name)
def test_nothing_is_marked_in_a_good_example(path: Path, editor: Editor) -> None:
    assert editor.lines(kind_of(path), path.read_text("utf-8")) == set()


@pytest.mark.parametrize("path", GOOD + BAD + BEYOND, ids=lambda path: path.name)
def test_a_file_that_names_its_schema_names_the_right_one(path: Path) -> None:
    """A path is taken from the file's own folder."""
    first = path.read_text("utf-8", errors="replace").splitlines()[0]
    if first.startswith(NAMES_ITS_SCHEMA):
        named = (path.parent / first.removeprefix(NAMES_ITS_SCHEMA)).resolve()
        assert named == SCHEMAS / f"{kind_of(path)}.schema.json"


def test_the_recipes_of_a_new_shop_name_a_schema_that_is_there(tmp_path: Path) -> None:
    init_shop(tmp_path / "shop", recipes=SCHEMAS.parent / "recipes", schemas=SCHEMAS)
    for path in (tmp_path / "shop" / "recipes").glob("*.yaml"):
        first = path.read_text("utf-8").splitlines()[0]
        named = path.parent / first.removeprefix(NAMES_ITS_SCHEMA)
        assert named.read_bytes() == (SCHEMAS / "recipe.schema.json").read_bytes()


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.name)
def test_the_lines_that_check_names_are_marked_in_a_bad_example(
    path: Path, editor: Editor, built_in: Catalog
) -> None:
    ours = {one.line for one in complaints(path, built_in) if one.level == "error"}
    marked = editor.lines(kind_of(path), path.read_text("utf-8", errors="replace"))
    if path.name in NOT_SEEN:
        assert marked == set(), "the server has learnt it: take it off the list"
    elif path.name in ELSEWHERE:
        assert marked and marked != ours, "the server marks the same lines now: take it off the list"
    else:
        assert marked == ours


def keys(model: type[BaseModel]) -> list[str]:
    """The keys that the checker knows: it validates with this very model."""
    return sorted(field.alias or name for name, field in model.model_fields.items())


def runs_bare(name: str, catalog: Catalog) -> bool:
    from fettlebox.errors import RecipeError

    try:
        parse_recipe(f"recipe: r\nsteps:\n  - {name}\ndeliver: []\n", "r.yaml", catalog)
    except RecipeError:
        return False
    return True


def test_every_step_is_offered_and_bare_if_it_may_be(editor: Editor, built_in: Catalog) -> None:
    values, named = editor.offered("recipe", "recipe: r\nsteps:\n  - orient\n  - |\ndeliver: []\n")
    assert values == sorted(name for name in built_in.steps if runs_bare(name, built_in))
    with_keys = SIBLINGS | {name for name in built_in.steps if not runs_bare(name, built_in)}
    assert named == sorted(with_keys)
    _, here = editor.offered("recipe", "recipe: r\nextends: q\nsteps:\n  - |\n")
    assert set(here) >= SIBLINGS | set(PLACING)


def test_every_step_is_offered_as_a_key(editor: Editor, built_in: Catalog) -> None:
    """Beside `id`, any step may still be named."""
    _, named = editor.offered("recipe", "recipe: r\nsteps:\n  - id: first\n    |\ndeliver: []\n")
    assert named == sorted({*built_in.steps, *SIBLINGS} - {"id"})


@pytest.mark.parametrize("name", sorted(built_in_steps().steps))
@pytest.mark.parametrize("head", ["recipe: r\n", "recipe: r\nextends: q\n"], ids=["whole", "extending"])
def test_the_parameters_of_a_step_are_offered(
    name: str, head: str, editor: Editor, built_in: Catalog
) -> None:
    _, named = editor.offered("recipe", f"{head}steps:\n  - {name}:\n      |\ndeliver: []\n")
    assert named == keys(built_in.steps[name].params)


def inner(catalog: Catalog, step: str, key: str) -> type[StepParams]:
    """The model of the keys that a parameter may have of its own."""
    (field,) = [
        field
        for name, field in catalog.steps[step].params.model_fields.items()
        if (field.alias or name) == key
    ]
    pending: list[Any] = [field.annotation]
    for one in pending:
        if isinstance(one, type) and issubclass(one, StepParams):
            return one
        pending += getattr(one, "__args__", ())
    raise AssertionError(f"{step} has no keys below {key}")


@pytest.mark.parametrize(
    ("step", "key"),
    [
        ("repair", "base"),
        ("cut", "tilt"),
        ("seat", "weights"),
        ("gate", "height"),
        ("split", "pieces within"),
        ("units", "expect"),
    ],
)
def test_keys_of_a_parameter_s_own_are_offered(
    step: str, key: str, editor: Editor, built_in: Catalog
) -> None:
    _, named = editor.offered(
        "recipe", f"recipe: r\nsteps:\n  - {step}:\n      {key}:\n        |\ndeliver: []\n"
    )
    assert named == keys(inner(built_in, step, key))


def test_words_and_formats_and_kinds_of_answers_are_offered(editor: Editor) -> None:
    hanging, _ = editor.offered("recipe", "recipe: r\nsteps:\n  - cut:\n      hanging: |\ndeliver: []\n")
    assert hanging == ["cut", "hold", "keep"]
    formats, stacked = editor.offered("recipe", "recipe: r\nsteps:\n  - cut\ndeliver:\n  - |\n")
    assert formats == sorted({*FORMATS, PICTURES, ZIP})
    assert stacked == sorted(FORMATS)
    kinds, _ = editor.offered("recipe", "recipe: r\nask:\n  size:\n    type: |\n")
    assert kinds == sorted(ASK_TYPES)


def test_the_keys_of_whole_files_are_offered(editor: Editor) -> None:
    from fettlebox.recipe.shop import ShopFile
    from fettlebox.recipe.ticket import TicketFile

    for kind, model in (("ticket", TicketFile), ("shop", ShopFile)):
        assert editor.offered(kind, "|\n")[1] == keys(model)


KEEL = """\
from typing import Literal

from fettlebox.api import Length, Part, StepContext, StepParams, StepResult, quantity, step
from pydantic import Field

FETTLEBOX_CONTRACT = 2


class Params(StepParams):
    deep: Length = quantity("3 mm", at_least="1 mm", about="How deep it goes.")
    wood: Literal["ash", "oak"] = Field("oak", description="What it is carved from.")


@step("keel", version=1, summary="Put a keel under the part.", shorthand="deep")
def keel(part: Part, params: Params, ctx: StepContext) -> StepResult:
    return StepResult(part)
"""


def test_a_third_party_s_step_is_completed_and_checked_like_any_other(
    install: Callable[..., None], tmp_path: Path
) -> None:
    install("keel-makers", KEEL, "keel")
    catalog = find_steps()
    for editor in editor_for(catalog, tmp_path):
        values, _ = editor.offered("recipe", "recipe: r\nsteps:\n  - orient\n  - |\ndeliver: []\n")
        assert values == sorted(name for name in catalog.steps if runs_bare(name, catalog))
        assert "keel" in values
        head = "recipe: r\nsteps:\n  - keel:\n      "
        assert editor.offered("recipe", f"{head}|\ndeliver: []\n")[1] == ["deep", "wood"]
        assert editor.offered("recipe", f"{head}wood: |\ndeliver: []\n")[0] == ["ash", "oak"]
        for settings in ("deep: 3 mm", "deep: 3", "deeper: 3 mm", "wood: elm", "wood: ash"):
            text = f"{head}{settings}\ndeliver: []\n"
            assert editor.lines("recipe", text) == _lines_of_check(text, catalog), settings


def _lines_of_check(text: str, catalog: Catalog) -> set[int]:
    from fettlebox.errors import RecipeError

    try:
        parse_recipe(text, "r.yaml", catalog)
    except RecipeError as error:
        return {one.line for one in error.problems}
    return set()
