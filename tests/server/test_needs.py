"""A job whose recipe needs what this machine has not waits for a person, and says what is missing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import performers
import pytest
from fettlebox.jobs import retry
from fettlebox.jobs.rules import load_rules
from fettlebox.server import serve

MakeShop = Callable[..., Path]


def test_a_job_is_held_until_the_machine_has_what_it_needs(make_shop: MakeShop) -> None:
    shop = make_shop()
    recipe = "recipe: plain\nneeds: [gpu]\nsteps: [units]\ndeliver: [stl]\n"
    (shop / "recipes" / "plain.yaml").write_text(recipe)
    (shop / "recipes" / "child.yaml").write_text("recipe: child\nextends: plain\n")
    (shop / "inbox" / "child").mkdir()
    for place in ("inbox", "inbox/child", "inbox/fancy"):
        (shop / place).mkdir(exist_ok=True)
        (shop / place / f"{Path(place).name}.stl").write_text(place)
    summary = serve(shop, once=True, perform=performers.succeed)
    assert dict(summary.counts) == {"held": 2, "done": 1}
    for outcome in summary.results:
        if outcome.state == "held":
            assert outcome.reason is not None
            assert "needs gpu, and shop.yaml does not say under 'has'" in outcome.reason
            assert (outcome.folder / "original" / outcome.scan).is_file()
            retry(shop, outcome.job)
    with (shop / "shop.yaml").open("a") as file:
        file.write("has: [gpu]\n")
    assert dict(serve(shop, once=True, perform=performers.succeed).counts) == {"done": 2}


@pytest.mark.parametrize(
    ("written", "needs"),
    [
        ("needs: [gpu, press]", {"gpu", "press"}),
        ("extends: parent", {"press"}),
        ("extends: parent\nneeds: []", set()),
        ("about: it needs nothing", set()),
        ("needs: gpu", set()),  # the checker has refused it
        ("steps: [", set()),
    ],
)
def test_needs_are_the_recipe_s_or_its_parent_s(make_shop: MakeShop, written: str, needs: set[str]) -> None:
    shop = make_shop()
    (shop / "recipes" / "parent.yaml").write_text("recipe: parent\nneeds: [press]\n")
    assert load_rules(shop).needs_of(f"recipe: one\n{written}\n") == needs
