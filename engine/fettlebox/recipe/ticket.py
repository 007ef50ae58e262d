"""A ticket: a small YAML file beside a scan that says what this order needs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema

from ..mesh.scan import UpAxis
from .nodes import Node, Problems, Source
from .placeholders import NAME
from .text import read_file, read_nodes
from .validate import validate

Unit = Literal["mm", "cm", "m", "in"]
TICKET_SUFFIX = ".ticket.yaml"  # beside `NAME.ply` lies `NAME.ticket.yaml`
_WRITTEN = WithJsonSchema({"type": ["string", "number"]})
_PLAIN = r"[^./\\:\x00-\x1f][^/\\:\x00-\x1f]*"
Take = Annotated[str, Field(pattern=f"^{_PLAIN}(?:/{_PLAIN})*$", max_length=250)]
"""A name beside the ticket, or inside the folder or zip that is the scan: never one that leads out."""


class TicketFile(BaseModel):
    """A ticket for one scan: order number, recipe, and values for what the recipe asks."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True, title="Fettlebox ticket")

    order: Annotated[str, _WRITTEN] | None = Field(None, description="The order this scan belongs to.")
    recipe: str | None = Field(
        None,
        pattern=f"^{NAME}$",
        description="The recipe to run; without it, the shop's own.",
        examples=["quarter-bust"],
    )
    set: dict[str, str | int | float | bool] = Field(
        default_factory=dict, description="Values for what the recipe asks."
    )
    unit: Unit | None = Field(None, description="The unit of the numbers in the scan, if it is known.")
    up: UpAxis | None = Field(None, description="The axis of the scan that points up, if it is known.")
    takes: tuple[Take, ...] = Field(
        (),
        description="Scans of one and the same subject, by the names of their files: each is graded, and the "
        "best one is worked on.",
        examples=[["bust-1.ply", "bust-2.ply"]],
    )
    take: Take | None = Field(
        None, description="Of the takes, the one to work on, whatever their grades: a person has looked."
    )
    again: Literal["skip", "redo"] | None = Field(
        None, description="Whether the same scan with this ticket is done again; else as the shop says."
    )
    note: str | None = Field(
        None, description="Words for whoever handles this order; they go on the traveler."
    )


@dataclass(frozen=True)
class Ticket:
    """A ticket that has been read. `places` holds what `set` holds, with where it stands in the file."""

    name: str
    text: str
    sha256: str
    order: str | None = None
    recipe: str | None = None
    set: Mapping[str, Any] = field(default_factory=dict)
    unit: Unit | None = None
    up: UpAxis | None = None
    takes: tuple[str, ...] = ()
    take: str | None = None
    again: Literal["skip", "redo"] | None = None
    note: str | None = None
    places: Mapping[str, Node] = field(default_factory=dict, repr=False)


def load_ticket(path: Path, shown_as: str | None = None) -> Ticket:
    """Read and check a ticket. Raises RecipeError with every problem."""
    shown = shown_as or str(path)
    return parse_ticket(read_file(path, shown, "ticket"), shown)


def parse_ticket(text: str, shown_as: str) -> Ticket:
    """Check the text of a ticket. Raises RecipeError with every problem."""
    problems = Problems()
    root = read_mapping(text, shown_as, "ticket", problems)
    data = root.plain()
    order = root.get("order")
    if order is not None and isinstance(order.value, (int, float)) and not isinstance(order.value, bool):
        data["order"] = order.written  # a number with its zeros in front
    checked = validate(TicketFile, root, (), problems, data)
    problems.stop_if_any()
    assert checked is not None
    digest = hashlib.sha256(text.encode()).hexdigest()
    given = root.get("set")
    places = given.value if given is not None else {}
    return Ticket(shown_as, text, digest, places=places, **checked.model_dump())


def read_mapping(text: str, shown_as: str, what: str, problems: Problems) -> Node:
    """The top of a file that has to hold keys and values. Raises RecipeError if it does not."""
    root = read_nodes(text, shown_as, problems)
    if root is None and not problems.errors:
        problems.add(Node(None, source=Source(shown_as)), (), f"this {what} is empty", "keys and values")
    elif root is not None and not isinstance(root.value, dict):
        problems.add(root, (), root.shown(), f"a {what}: keys and values, one a line")
    if root is None or not isinstance(root.value, dict):
        problems.stop_if_any()
        raise AssertionError("a file without a mapping has a problem")
    return root
