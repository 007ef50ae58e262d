"""`golden/NAME/expect.yaml`: what has to come of a scan that the shop keeps to test its recipes with."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from pydantic import ConfigDict, Field

from ..params import StepParams
from .bounds import A_BOUND, Wanted, by_name, definitions, read_wanted, wanted_ref
from .describe import listed
from .language import Recipe
from .nodes import Node, Place, Problems, quoted
from .placeholders import NAME
from .text import read_file
from .ticket import read_mapping
from .validate import report_unknown_key, validate

GOLDEN, EXPECT = "golden", "expect.yaml"
FACTS = ("triangles", "vertices", "closed", "sound", "bodies", "cavities", "rims", "volume_mm3", "area_mm2",
         "size_mm")  # fmt: skip
"""The facts of every part; a test holds them against those that are measured."""
FLAGS = ("closed", "sound")
"""Those of them that are true or false."""
FIDELITY = (
    "scan_to_part_p50_mm", "scan_to_part_p95_mm", "scan_to_part_p999_mm", "scan_to_part_max_mm",
    "covered_ratio", "covered_within_mm", "scan_cut_off_ratio", "part_to_scan_p95_mm", "part_to_scan_max_mm",
    "part_invented_ratio", "part_flat_ratio", "part_inner_ratio", "sample_spacing_mm",
)  # fmt: skip
"""How far the part is from the scan, as the traveler says it; held against it by a test too."""
TICKET_AND_RECIPE, READING, DELIVERY = "ticket and recipe", "reading", "delivery"
NO_STEP = (TICKET_AND_RECIPE, READING, DELIVERY)
"""Where a job may end that no step ended."""

End = Literal["done", "held", "rejected"]


class ExpectFile(StepParams):
    """What has to come of a scan that is kept to test a recipe with: how it ends, and bounds of facts."""

    model_config = ConfigDict(title="Fettlebox expect file", defer_build=True)

    about: str = Field("", description="What this scan is, and what it is kept for.")
    recipe: str = Field(
        pattern=f"^{NAME}$", description="The recipe to test; a file in recipes/.", examples=["quarter-bust"]
    )
    scan: str | None = Field(
        None,
        pattern=r"^[^./\\:\x00-\x1f][^/\\:\x00-\x1f]*$",
        max_length=250,
        description="The scan, by the name of its file or folder; not needed where there is but one.",
        examples=["bust.ply"],
    )
    ends: End = Field("done", description="How the job has to end.")
    at: str | None = Field(
        None,
        description=f"The id of the step that has to hold or reject it; or one of: {', '.join(NO_STEP)}.",
        examples=["gate"],
    )
    facts: dict[str, Any] = Field(default_factory=dict, description="What the finished part has to be like.")
    fidelity: dict[str, Any] = Field(
        default_factory=dict, description="How far, in life-size mm, part and scan may be apart."
    )
    steps: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="What steps have to tell, each by its id."
    )


@dataclass(frozen=True)
class Expectation:
    """An expect file that has been read. `root` is its text with places. In one that has mistakes, `recipe`
    is empty where it cannot be read, and of the rest what cannot be is as if it were left out.
    """

    shown: str
    recipe: str
    ends: End
    at: str | None
    scan: str | None
    about: str
    wanted: tuple[Wanted, ...]
    root: Node


def load_expectation(
    path: Path, shown_as: str | None = None, problems: Problems | None = None
) -> Expectation:
    """Read and check an expect file by itself. Raises RecipeError with every problem; with `problems`, which
    takes them, only for a file of which nothing can be read.
    """
    shown = shown_as or str(path)
    text = read_file(path, shown, "expect file")
    return parse_expectation(text, shown) if problems is None else _read(text, shown, problems)


def parse_expectation(text: str, shown_as: str) -> Expectation:
    """Check the text of an expect file by itself. Raises RecipeError with every problem."""
    problems = Problems()
    expected = _read(text, shown_as, problems)
    problems.stop_if_any()
    return expected


def _read(text: str, shown_as: str, problems: Problems) -> Expectation:
    root = read_mapping(text, shown_as, "expect file", problems)
    checked = validate(ExpectFile, root, (), problems)
    at = root.get("at")
    if checked is not None and at is not None and checked.at is not None and checked.ends == "done":
        found = "this is where a job was held or rejected, and this one has to be done"
        problems.add(at, ("at",), found, hint="write 'ends: held' or 'ends: rejected', or leave 'at' out")
    wanted: list[Wanted] = []
    for section, names in (("facts", FACTS), ("fidelity", FIDELITY)):
        given = root.get(section)
        if given is not None:
            known = _among(names, given, (section,), problems)
            wanted += [
                one for one in read_wanted(given, (section,), problems, known) if _can_be(one, problems)
            ]
    steps = root.get("steps")
    for key, told in steps.value.items() if steps is not None and isinstance(steps.value, dict) else ():
        wanted += read_wanted(told, ("steps", key), problems)
    top = checked or _what_can_be_read(root)
    return Expectation(shown_as, top.recipe, top.ends, top.at, top.scan, top.about, tuple(wanted), root)


def _what_can_be_read(root: Node) -> ExpectFile:
    """The values at the top of a file with mistakes, without those that are mistakes; no facts."""
    kept: dict[str, Any] = {}
    for name in ("about", "recipe", "scan", "ends", "at"):
        node = root.get(name)
        data = {"recipe": "any", name: node.plain()} if node is not None else {}
        alone = validate(ExpectFile, root, (), Problems(), data) if data else None
        if alone is not None:
            kept[name] = getattr(alone, name)
    return ExpectFile.model_construct(**{"recipe": "", **kept})


def _can_be(wanted: Wanted, problems: Problems) -> bool:
    """Whether a fact of the part can be what is wanted: flags are true or false, and others never are."""
    is_flag = wanted.path[1] in FLAGS
    alone = len(wanted.path) == 2 and isinstance(wanted.node.value, bool)
    fits = alone if is_flag else not isinstance(wanted.node.value, (bool, str))
    if not fits:
        expected = "true or false" if is_flag else f"a whole number, or bounds: {A_BOUND}"
        problems.add(wanted.node, wanted.path, wanted.node.shown(), expected)
    return fits


def _among(names: Iterable[str], node: Node, place: Place, problems: Problems) -> Callable[[str], bool]:
    known = list(names)

    def is_known(name: str) -> bool:
        if name not in known:
            report_unknown_key(node, name, place, known, problems, "there is no fact {}")
        return name in known

    return is_known


def report_unfitting(expected: Expectation, recipe: Recipe, problems: Problems) -> None:
    """Steps that an expect file names and its recipe does not have."""
    ids = [call.id for call in recipe.steps]
    steps = expected.root.get("steps")
    for key in steps.value if steps is not None and isinstance(steps.value, dict) else ():
        if key not in ids:
            report_unknown_key(
                steps or expected.root, key, ("steps",), ids, problems,
                f"the recipe {quoted(recipe.name)} has no step {{}}",
            )  # fmt: skip
    at = expected.root.get("at")
    if at is not None and isinstance(at.value, str) and at.value not in (*ids, *NO_STEP):
        near = get_close_matches(at.value, [*ids, *NO_STEP], n=1)
        found = f"the recipe {quoted(recipe.name)} has no step {quoted(at.value)}"
        hint = f"did you mean {quoted(near[0])}?" if near else ""
        problems.add(at, ("at",), found, f"one of {listed([*ids, *NO_STEP], most=30)}", hint)


def expect_schema() -> dict[str, Any]:
    """The JSON Schema of an expect file, without its dialect."""
    schema = ExpectFile.model_json_schema(by_alias=True)
    properties = schema["properties"]
    for section, names in (("facts", FACTS), ("fidelity", FIDELITY)):
        properties[section] = {
            **properties[section],
            "properties": {
                name: {"type": "boolean"} if name in FLAGS else wanted_ref(name) for name in names
            },
            "additionalProperties": False,
        }
    properties["steps"]["additionalProperties"] = {"type": "object", **by_name()}
    return {
        **schema,
        "if": {"required": ["at"], "properties": {"at": {"type": "string"}}},
        "then": {"required": ["ends"], "properties": {"ends": {"enum": ["held", "rejected"]}}},
        "$defs": definitions(),
    }
