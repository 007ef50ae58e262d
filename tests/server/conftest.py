"""A shop in a temporary folder, and the runners of `performers`, which children must be able to import."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

SHOP = """\
shop: Test
recipe: plain
settle: {settle}
workers: {workers}
limits: {{time: {time}, memory: {memory}, attempts: {attempts}}}
{more}"""
RECIPE = "recipe: {name}\nabout: For tests.\nsteps:\n  - units\ndeliver: [stl]\n"


@pytest.fixture
def make_shop(fast_folder: Path) -> Callable[..., Path]:
    """make_shop(settle=…, workers=…, time=…, memory=…, attempts=…, more=…) → the shop's folder."""

    def make(**given: object) -> Path:
        settings = {
            "settle": "0 s",
            "workers": 1,
            "time": "30 s",
            "memory": "2 GB",
            "attempts": 2,
            "more": "",
            **given,
        }
        shop = fast_folder / "shop"
        for name in ("recipes", "inbox", "outbox", "hold", "rejects"):
            (shop / name).mkdir(parents=True, exist_ok=True)
        for name in ("plain", "fancy"):
            (shop / "recipes" / f"{name}.yaml").write_text(RECIPE.format(name=name))
        (shop / "shop.yaml").write_text(SHOP.format(**settings))
        return shop

    return make
