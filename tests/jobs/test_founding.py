from __future__ import annotations

from pathlib import Path

import pytest
from fettlebox.errors import UsageError
from fettlebox.jobs import init_shop
from fettlebox.jobs.rules import load_rules


def recipes(folder: Path, *names: str) -> Path:
    folder.mkdir()
    for name in names:
        (folder / f"{name}.yaml").write_text(f"recipe: {name}\nabout: x\nsteps: [units]\n")
    return folder


@pytest.mark.parametrize("name", ["shop", "Werkstatt Ö", "no: [yaml] # here", "12"])
def test_a_new_shop_can_be_read_at_once(tmp_path: Path, name: str) -> None:
    shop = tmp_path / name
    init_shop(shop, recipes=recipes(tmp_path / "ready", "alpha", "quarter-bust"))
    rules = load_rules(shop)
    assert rules.default_recipe == "quarter-bust" and set(rules.recipes) == {"alpha", "quarter-bust"}
    assert (rules.settle_s, rules.workers, rules.attempts, rules.memory_mb) == (2.0, None, 2, 8000.0)
    for place in ("inbox", "outbox", "hold", "rejects", ".fettlebox"):
        assert (shop / place).is_dir()


def test_a_shop_is_never_founded_twice(tmp_path: Path) -> None:
    ready = recipes(tmp_path / "ready", "alpha")
    init_shop(tmp_path / "shop", recipes=ready)
    before = (tmp_path / "shop" / "shop.yaml").read_text()
    with pytest.raises(UsageError, match="is a shop already"):
        init_shop(tmp_path / "shop", recipes=ready)
    assert (tmp_path / "shop" / "shop.yaml").read_text() == before


def test_it_keeps_recipes_that_are_there(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    (shop / "recipes").mkdir(parents=True)
    (shop / "recipes" / "alpha.yaml").write_text("mine")
    init_shop(shop, recipes=recipes(tmp_path / "ready", "alpha"))
    assert (shop / "recipes" / "alpha.yaml").read_text() == "mine"


def test_a_file_is_no_place_for_a_shop(tmp_path: Path) -> None:
    (tmp_path / "shop").write_text("x")
    with pytest.raises(UsageError, match="is a file"):
        init_shop(tmp_path / "shop", recipes=recipes(tmp_path / "ready", "alpha"))
