"""`shop.yaml`: what a shop prints with, and how it wants to be served."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from ..errors import UsageError
from ..own_steps import OwnStep, read_own_step
from ..params import Data, StepParams, Time, quantity
from ..printer import EVERYDAY, Material, Printer
from .describe import listed
from .language import Recipe
from .needs import MOST_TAGS
from .nodes import Node, Problems, quoted
from .placeholders import NAME
from .profiles import FilamentPrinter, MaterialFile, ResinPrinter, made_material, made_printer
from .shelf import read_materials, read_printers
from .text import read_file
from .ticket import read_mapping
from .validate import validate

SHOP_FILE = "shop.yaml"


class LimitsFile(StepParams):
    """What one job may use before it is given up."""

    model_config = ConfigDict(defer_build=True)

    time: Time = quantity("15 min", at_least="1 s", about="How long one job may take.")
    memory: Data = quantity("8 GB", at_least="500 MB", about="How much memory one job may use.")
    attempts: int = Field(2, ge=1, le=10, description="How often a job is tried that crashes its worker.")


def _default_limits() -> LimitsFile:
    return LimitsFile.model_validate({})


class OwnStepFile(StepParams):
    """A step of the shop's own. A file that was changed is not run before its new digest stands here."""

    model_config = ConfigDict(defer_build=True)

    file: str = Field(
        max_length=200, description="A .py file below the shop's folder.", examples=["steps/keel.py"]
    )
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="The file's SHA-256, as sha256sum prints it.")


class ClusterFile(StepParams):
    """How scans get to the workers of a Dask cluster, if the shop is served with one."""

    model_config = ConfigDict(defer_build=True)

    shared: str | None = Field(
        None,
        pattern="^/",
        max_length=4000,
        description="Where workers find the shop's folder on a disk that they share with the server; without "
        "it, scans and parts go through the cluster.",
        examples=["/mnt/shop"],
    )
    unencrypted: bool = Field(
        False,
        description="Whether scans may go to another host unencrypted, as tcp:// sends them.",
    )
    same_processors: bool = Field(
        False,
        alias="same processors",
        description="Whether a worker whose processor is of another kind gets no jobs. Else the log says so "
        "once: the last digits of its parts may differ.",
    )


class ShopFile(StepParams):
    """A shop: its printers, its usual recipe, and how it wants to be served."""

    model_config = ConfigDict(title="Fettlebox shop", defer_build=True)

    shop: str = Field(min_length=1, max_length=120, description="The shop's name, as the board shows it.")
    recipe: str = Field(
        pattern=f"^{NAME}$",
        description="The recipe for scans whose ticket names none; a file in recipes/.",
        examples=["quarter-bust"],
    )
    standard: str | None = Field(
        None,
        pattern=f"^{NAME}$",
        description="A recipe in recipes/ that every other has to extend: what it locks holds for all.",
    )
    settle: Time = quantity(
        "2 s", at_least="0 s", about="How long a file in the inbox has to stay unchanged before it is a job."
    )
    workers: int | None = Field(
        None,
        ge=1,
        le=256,
        description="How many jobs run at once; without it, as many as cores and memory are good for.",
    )
    has: list[Annotated[str, Field(pattern=f"^{NAME}$")]] = Field(
        default_factory=list,
        max_length=MOST_TAGS,
        description="What this machine has of what recipes name under 'needs', such as gpu.",
        examples=[["gpu"]],
    )
    cluster: ClusterFile | None = Field(
        None, description="How scans get to a cluster, for 'serve --workers tcp://…' or tls://…."
    )
    printer: str | None = Field(None, description="The printer that parts are made for; one of 'printers'.")
    printers: dict[str, Annotated[FilamentPrinter | ResinPrinter, Field(discriminator="kind")]] = Field(
        default_factory=dict,
        description="The shop's printers, each by a name of your own; more as printers/NAME.yaml.",
    )
    materials: dict[str, MaterialFile] = Field(
        default_factory=dict,
        description="What printers are loaded with, each by a name of your own; more as materials/NAME.yaml.",
    )
    money: str = Field("EUR", pattern="^[A-Z]{3}$", description="The money of all prices: an ISO 4217 code.")
    limits: LimitsFile = Field(default_factory=_default_limits, description="What one job may use.")
    steps: list[OwnStepFile] = Field(
        default_factory=list, description="Steps of the shop's own: files that are run, and no others are."
    )
    again: Literal["skip", "redo"] = Field(
        "skip",
        description="What becomes of a scan that comes again with the same recipe and ticket: it is put into "
        "rejects/ with the first job's number, or done again.",
    )
    keep: Time | None = quantity(
        None,
        at_least="1 h",
        about="How long original, part and record of a finished job are kept, be it done, held or rejected; "
        "then they are deleted. Without it, for ever.",
    )
    keep_steps: Data = quantity(
        "4 GB",
        alias="keep steps",
        about="How much room half-made parts may take, so that a scan that comes back with other wishes is "
        "not begun anew; 0 GB keeps none.",
    )


@dataclass(frozen=True)
class Limits:
    """What one job may use before it is given up."""

    time_s: float
    memory_mb: float
    attempts: int


@dataclass(frozen=True)
class Shop:
    """A shop that has been read. `recipe` is the name of a file in `recipes/`.

    `workers` None is as many as the machine is good for, `keep_s` None for ever.
    """

    folder: Path
    name: str
    recipe: str
    settle_s: float
    workers: int | None
    printer: Printer
    printers: Mapping[str, Printer]
    materials: Mapping[str, Material]
    limits: Limits
    keep_s: float | None
    standard: str | None = None
    again: Literal["skip", "redo"] = "skip"
    keep_steps_mb: float = 0.0
    own_steps: tuple[OwnStep, ...] = ()
    has: tuple[str, ...] = ()
    cluster: ClusterFile = field(default_factory=lambda: ClusterFile.model_validate({}))

    def recipe_path(self, name: str | None = None) -> Path:
        """The file of a recipe; by default of the shop's usual one."""
        return self.folder / "recipes" / f"{name or self.recipe}.yaml"


def load_shop(folder: Path) -> Shop:
    """Read and check a shop's folder. Raises RecipeError with every problem."""
    shown = str(folder / SHOP_FILE)
    return parse_shop(read_file(folder / SHOP_FILE, shown, "shop file"), shown, folder)


def parse_shop(text: str, shown_as: str, folder: Path | None = None) -> Shop:
    """Check the text of a shop file, and with `folder` what it refers to: recipe, printers/, materials/.

    Raises RecipeError.
    """
    problems = Problems()
    root = read_mapping(text, shown_as, "shop file", problems)
    checked = validate(ShopFile, root, (), problems)
    if checked is None:
        problems.stop_if_any()
        raise AssertionError("a shop file that does not validate has a problem")
    stuffs = read_materials(folder, root, checked.materials, problems)
    profiles, written = read_printers(folder, root, checked.printers, problems)
    materials = {name: made_material(name, given) for name, given in stuffs.items()}
    printers = {}
    for name, given in profiles.items():
        spot = _Spot(name, written[name], root)
        loaded = _material(spot, given, stuffs, problems)
        printers[name] = made_printer(name, given, materials[loaded] if loaded else None, checked.money)
        if min(given.build_volume) <= 0:
            spot.report("build volume", "a build volume of nothing", "three lengths", "", problems)
    printer = _chosen(root, checked.printer, printers, problems)
    if folder is not None:
        _check_recipe(root, folder, "recipe", checked.recipe, problems)
        if checked.standard is not None:
            _check_recipe(root, folder, "standard", checked.standard, problems)
    own_steps = tuple(_own_steps(root, folder, checked.steps, problems)) if folder is not None else ()
    problems.stop_if_any()
    limits = Limits(checked.limits.time, checked.limits.memory, checked.limits.attempts)
    return Shop(
        folder or Path(), checked.shop, checked.recipe, checked.settle, checked.workers, printer, printers,
        materials, limits, checked.keep, checked.standard, checked.again, checked.keep_steps,
        own_steps, tuple(checked.has), checked.cluster or ClusterFile.model_validate({}),
    )  # fmt: skip


@dataclass(frozen=True)
class _Spot:
    """Where a printer is written: in the shop file below `printers`, or in a file of its own."""

    name: str
    node: Node
    root: Node

    def report(self, key: str, found: str, expected: str, hint: str, problems: Problems) -> None:
        inline = self.root.get("printers")
        below = inline is not None and self.name in inline.value
        place = ("printers", self.name, key) if below else (key,)
        problems.add(self.node.get(key) or self.node, place, found, expected, hint)


def _material(
    spot: _Spot,
    printer: FilamentPrinter | ResinPrinter,
    materials: Mapping[str, MaterialFile],
    problems: Problems,
) -> str | None:
    """The name of what a printer is loaded with: what it says, or else the only one there is for its kind."""
    fitting = [name for name, one in materials.items() if one.kind in (None, printer.kind)]
    name = printer.material
    if name is None:
        return fitting[0] if len(fitting) == 1 else None
    if name in fitting:
        return name
    near = get_close_matches(name, fitting, n=1)
    hint = f"did you mean {quoted(near[0])}?" if near else "" if fitting else "add it to 'materials'"
    expected = f"one of {listed(fitting)}" if fitting else ""
    found = f"there is no material {quoted(name)}"
    if name in materials:
        found = f"{quoted(name)} is {materials[name].kind}, and this printer takes {printer.kind}"
    spot.report("material", found, expected, hint, problems)
    return None


def _chosen(root: Node, name: str | None, printers: Mapping[str, Printer], problems: Problems) -> Printer:
    if name is None:
        return next(iter(printers.values())) if len(printers) == 1 else EVERYDAY
    if name in printers:
        return printers[name]
    near = get_close_matches(name, printers, n=1)
    hint = f"did you mean {quoted(near[0])}?" if near else "" if printers else "add it to 'printers'"
    expected = f"one of {listed(printers)}" if printers else ""
    problems.add(root.value["printer"], ("printer",), f"there is no printer {quoted(name)}", expected, hint)
    return EVERYDAY


def require_standard(recipe: Recipe, name: str, folder: Path, standard: str | None) -> None:
    """Raise RecipeError unless `recipes/NAME.yaml` is the shop's standard recipe or extends it."""
    if standard is None or name == standard:
        return
    if (folder / f"{standard}.yaml").resolve() not in {path.resolve() for path in recipe.parents}:
        problems = Problems()
        found = f"the shop's standard is {quoted(standard)}, and this recipe does not extend it"
        do = f"and keep only steps that {standard} has not, each with 'after: ID' of one that it has"
        if recipe.extends is not None:
            do = f"or let {quoted(recipe.extends)} extend it"
        aside = f"or move a recipe that the shop does not use out of {folder.name}/"
        hint = f"write 'extends: {standard}' {do}; {aside} ('standard' stands in {SHOP_FILE})"
        problems.add(recipe.spot, ("extends",), found, hint=hint)
        problems.stop_if_any()


def _own_steps(root: Node, shop: Path, files: list[OwnStepFile], problems: Problems) -> Iterator[OwnStep]:
    for number, given in enumerate(files):
        node = root.value["steps"].value[number]
        try:
            own = read_own_step(shop, given.file)
        except UsageError as error:
            problems.add(node.value["file"], ("steps", number, "file"), str(error))
            continue
        if own.sha256 != given.sha256:
            found = f"{given.file} was changed: {given.sha256} is not its SHA-256"
            hint = f"look at what changed; if all of it is yours, write {own.sha256}"
            problems.add(node.value["sha256"], ("steps", number, "sha256"), found, hint=hint)
            continue
        yield own


def _check_recipe(root: Node, folder: Path, key: str, name: str, problems: Problems) -> None:
    recipes = sorted(path.stem for path in (folder / "recipes").glob("*.yaml"))
    if name in recipes:
        return
    near = get_close_matches(name, recipes, n=1)
    hint = f"did you mean {quoted(near[0])}?" if near else "" if recipes else "put a recipe into recipes/"
    expected = f"one of {listed(recipes)}" if recipes else ""
    problems.add(root.value[key], (key,), f"there is no recipes/{name}.yaml", expected, hint)
