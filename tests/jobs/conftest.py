"""An open store in a temporary folder, and jobs in every state."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fettlebox.jobs.folders import Card, ShopFolders
from fettlebox.jobs.spool import Spool
from fettlebox.jobs.states import State
from fettlebox.jobs.store import Begun, Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    shop = ShopFolders(tmp_path / "shop")
    shop.make()
    (shop.root / "shop.yaml").write_text("shop: Test\nrecipe: plain\n")
    spool = Spool(shop.spool)
    yield Store(shop, spool)
    spool.close()


@pytest.fixture
def make_card() -> Callable[..., Card]:
    def make(job: str = "0123456789ab", **given: object) -> Card:
        fields: dict[str, object] = {
            "job": job, "scan": "bust.stl", "came_from": "bust.stl", "digest": "d" * 64, "recipe": "plain",
            "recipe_text": "recipe: plain\n", "ticket": None, "order": None,
            "arrived": "2026-01-01T00:00:00.000Z",
        }  # fmt: skip
        return Card(**{**fields, **given})  # type: ignore[arg-type]

    return make


@pytest.fixture
def accept(store: Store, make_card: Callable[..., Card]) -> Callable[..., Card]:
    """accept(job) → the card of a job that is queued, with `bust.stl` as its scan."""

    def run(job: str = "0123456789ab", **given: object) -> Card:
        card = make_card(job, **given)
        scan = store.shop.inbox / card.scan
        scan.write_text(f"scan of {job}")
        with store.spool.transaction():
            assert store.accept(card, scan, None)
        return card

    return run


@pytest.fixture
def begin(store: Store, accept: Callable[..., Card]) -> Callable[..., Begun]:
    """begin(job) → a job that is being worked on."""

    def run(job: str = "0123456789ab", **given: object) -> Begun:
        card = accept(job, **given)
        row = store.spool.get(card.job)
        assert row is not None
        begun = store.begin(row)
        assert begun is not None
        return begun

    return run


@pytest.fixture
def finish(store: Store, begin: Callable[..., Begun]) -> Callable[..., Path]:
    """finish(job, state) → the folder of a finished job with one result."""

    def run(job: str = "0123456789ab", state: State = State.DONE, **given: object) -> Path:
        begun = begin(job, **given)
        (begun.folder / "part.bin").write_text("a part")
        reason = None if state is State.DONE else "because"
        return store.finish(begun, state, reason).folder

    return run
