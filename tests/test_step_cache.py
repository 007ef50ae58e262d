"""Kept results: the same result or none, whatever happens to the folder."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fettlebox.api import Origin, Part, Plane, Step, StepContext, StepParams, StepResult
from fettlebox.printer import Printer
from fettlebox.step_cache import StepCache, step_key


class NoParams(StepParams):
    """A step that needs none."""


STEP = Step("keep", 1, "for a test", NoParams, lambda part, params, ctx: StepResult(part))


def box_part() -> Part:
    box = trimesh.creation.box()
    colours = np.arange(32, dtype=np.uint8).reshape(8, 4)
    part = Part(np.asarray(box.vertices) / 3, np.asarray(box.faces, dtype=np.int32), colours)
    return part.with_plane(Plane("cut", (0.1, 1 / 3, 0.0), (0.0, 0.0, -1.0), bed=True)).scaled(0.25)


def context(part: Part, **changes: object) -> StepContext:
    ctx = StepContext(Origin("box.stl", "stl", "0" * 64), part, np.random.default_rng(0), Path())
    return replace(ctx, **changes)  # type: ignore[arg-type]


def full_result() -> StepResult:
    part = box_part()
    return StepResult(
        part,
        facts={"size_mm": [1 / 3, 2.0], "count": np.int64(3), "nothing": None},
        warnings=("careful",),
        evidence={"tried": [{"tilt_deg": 0.1}]},
        reference=part.moved(np.eye(4)),
        pictures={"map": b"\x89PNG\r\n"},
    )


def test_a_kept_result_is_the_same_result(tmp_path: Path) -> None:
    cache = StepCache(tmp_path / "kept")
    given = full_result()
    cache.put("k", given)
    found = cache.get("k")
    assert found is not None
    assert found.part.digest() == given.part.digest()
    assert found.part.colours is not None
    assert found.reference is not None
    assert given.reference is not None
    assert found.reference.digest() == given.reference.digest()
    assert found.facts == {"size_mm": [1 / 3, 2.0], "count": 3, "nothing": None}
    assert (found.warnings, found.evidence, dict(found.pictures)) == (
        given.warnings,
        given.evidence,
        dict(given.pictures),
    )


def test_others_cannot_read_the_parts_of_customers(tmp_path: Path) -> None:
    assert (StepCache(tmp_path / "kept").folder.stat().st_mode & 0o077) == 0


@pytest.mark.parametrize("damage", [b"", b"PK\x03\x04 torn", b"x" * 1000])
def test_a_damaged_entry_is_a_miss_and_goes(tmp_path: Path, damage: bytes) -> None:
    cache = StepCache(tmp_path)
    cache.put("k", full_result())
    (tmp_path / "k.npz").write_bytes(damage)
    assert cache.get("k") is None
    assert not (tmp_path / "k.npz").exists()


def test_a_torn_entry_is_a_miss(tmp_path: Path) -> None:
    cache = StepCache(tmp_path)
    cache.put("k", full_result())
    path = tmp_path / "k.npz"
    whole = path.read_bytes()
    for length in range(0, len(whole), 97):
        path.write_bytes(whole[:length])
        assert cache.get("k") is None


def test_the_folder_stays_within_its_bound_and_the_least_used_go_first(tmp_path: Path) -> None:
    cache = StepCache(tmp_path)
    cache.put("probe", full_result())
    size = (tmp_path / "probe.npz").stat().st_size
    (tmp_path / "probe.npz").unlink()
    small = StepCache(tmp_path, most_bytes=int(size * 3.5))
    for i, key in enumerate("abc"):
        small.put(key, full_result())
        os.utime(tmp_path / f"{key}.npz", ns=(i * 10**9, i * 10**9))
    assert small.get("a") is not None, "asking for it makes it the latest used"
    small.put("d", full_result())
    assert {path.stem for path in tmp_path.glob("*.npz")} == {"a", "c", "d"}


def test_the_key_tells_everything_apart_that_a_step_may_look_at() -> None:
    part = box_part()
    ctx = context(part)
    keys = {
        "same": step_key(STEP, {"a": "1 mm"}, part, ctx, "s"),
        "params": step_key(STEP, {"a": "2 mm"}, part, ctx, "s"),
        "part": step_key(STEP, {"a": "1 mm"}, part.scaled(2.0), ctx, "s"),
        "reference": step_key(STEP, {"a": "1 mm"}, part, context(part.scaled(2.0)), "s"),
        "origin": step_key(
            STEP, {"a": "1 mm"}, part, context(part, origin=Origin("b", "stl", "1" * 64)), "s"
        ),
        "printer": step_key(
            STEP, {"a": "1 mm"}, part, context(part, printer=Printer("x", (1.0, 2.0, 3.0))), "s"
        ),
        "seed": step_key(STEP, {"a": "1 mm"}, part, ctx, "t"),
        "version": step_key(replace(STEP, version=2), {"a": "1 mm"}, part, ctx, "s"),
    }
    assert len(set(keys.values())) == len(keys)
    assert step_key(STEP, {"a": "1 mm"}, box_part(), context(box_part()), "s") == keys["same"]


def test_pieces_and_extras_are_kept_with_their_names_and_order(tmp_path: Path) -> None:
    cache = StepCache(tmp_path / "kept")
    given = replace(
        full_result(),
        pieces={"piece 2": box_part(), "piece 1": box_part().moved(np.eye(4))},
        extras={"plug 1": box_part().scaled(2.0)},
    )
    cache.put("k", given)
    found = cache.get("k")
    assert found is not None
    for was, now in ((given.pieces, found.pieces), (given.extras, found.extras)):
        assert [(name, one.digest()) for name, one in was.items()] == [
            (name, one.digest()) for name, one in now.items()
        ]
    bare = context(box_part())
    told = replace(bare, pieces={"piece 1": box_part()})
    assert step_key(STEP, {}, box_part(), bare, "a") != step_key(STEP, {}, box_part(), told, "a")


def _refuse(number: int) -> Callable[..., None]:
    def refuse(*args: object, **more: object) -> None:
        raise OSError(number, os.strerror(number))

    return refuse


def test_a_good_entry_whose_age_may_not_be_noted_is_found_and_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = StepCache(tmp_path)
    cache.put("k", full_result())
    monkeypatch.setattr(os, "utime", _refuse(errno.EPERM))
    assert cache.get("k") is not None and cache.get("k") is not None


@pytest.mark.parametrize("number", [errno.ESTALE, errno.EACCES, errno.EIO])
def test_what_cannot_be_deleted_fails_no_job(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    cache = StepCache(tmp_path, most_bytes=1)
    monkeypatch.setattr(Path, "unlink", _refuse(number))
    cache.put("k", full_result())
    monkeypatch.setattr(Path, "replace", _refuse(number))
    cache.put("other", full_result())
    assert cache.get("k") is not None and cache.get("other") is None
