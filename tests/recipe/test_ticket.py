from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.errors import RecipeError
from fettlebox.recipe import load_ticket, parse_ticket


def test_a_ticket_is_read(tmp_path: Path) -> None:
    path = tmp_path / "head.ticket.yaml"
    path.write_text(
        "order: 0042\nrecipe: bust\nset: {size: 30 %, n: 007, wet: no}\nunit: in\nup: -y\nnote: Hi.\n"
    )
    ticket = load_ticket(path, "head.ticket.yaml")
    assert (ticket.order, ticket.recipe, ticket.unit, ticket.up) == ("0042", "bust", "in", "-y")
    assert ticket.set == {"size": "30 %", "n": 7, "wet": "no"}
    assert ticket.places["n"].written == "007"
    assert (ticket.name, ticket.note) == ("head.ticket.yaml", "Hi.")


def test_all_of_a_ticket_may_be_left_out() -> None:
    ticket = parse_ticket("{}", "t.yaml")
    assert (ticket.order, ticket.recipe, dict(ticket.set), ticket.unit) == (None, None, {}, None)


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("", 0, "this ticket is empty"),
        ("- a", 1, "found a list of 1"),
        ("unit: ft", 1, "found the text 'ft'"),
        ("up: z", 1, "found the text 'z'"),
        ("order: true", 1, "found true"),
        ("set:\n  size: [1]", 2, "found a list of 1"),
        ("set: 5", 1, "found the number 5"),
        ("recipe: ../bust", 1, "found the text '../bust'"),
        ("ordre: 1", 1, "there is no key 'ordre' here"),
    ],
)
def test_a_wrong_ticket(text: str, line: int, found: str) -> None:
    with pytest.raises(RecipeError) as caught:
        parse_ticket(text, "t.yaml")
    (problem,) = caught.value.problems
    assert (problem.line, problem.found) == (line, found)
