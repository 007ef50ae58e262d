"""Every hook of a job, each doing every harm that a process can be spared: what comes of the job, and that
nothing of it is left. Harms that end or stop the process are in `server/test_hook_isolation.py`.
"""

from __future__ import annotations

import decimal
import os
import random
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox import run_job
from fettlebox.api import Grade, Grader, Origin, Part, StepContext, StepParams, StepResult, step
from fettlebox.catalog import Catalog, find_steps
from fettlebox.hooks import FactCollector, Painter, RawMesh, Reader, Source, Writer
from fettlebox.pictures import render_views
from fettlebox.run_job import JobResult, JobTask, perform

RECIPE = "recipe: plain\nabout: For tests.\nsteps:\n  - harm\n  - scale: 50 %\ndeliver: [stl, num]\n"

HARMS: Mapping[str, Callable[[], object]] = {
    "what it printed": lambda: print("harm"),
    "the current folder": lambda: os.chdir("/"),
    "the environment": lambda: os.environ.update(FETTLE_TEST="x"),
    "numpy's error settings": lambda: np.seterr(all="raise"),
    "numpy's print settings": lambda: np.set_printoptions(precision=2),
    "numpy's random state": lambda: np.random.seed(3),
    "Python's random state": lambda: random.seed(3),
    "the decimal context": lambda: decimal.getcontext().__setattr__("prec", 5),
    "the module path": lambda: sys.path.insert(0, "/nowhere"),
    "the recursion limit": lambda: sys.setrecursionlimit(3456),
}
# Hook → what the record calls it when something is put back, and what becomes of a job whose hook raises.
HOOKS = {
    "step": ("harm", "rejected"),
    "reader": ("reader .num of my-plugin", "rejected"),
    "writer": ("writer num of my-plugin", "rejected"),
    "fact collector": ("facts my-plugin/harm", "done"),
    "painter": ("picture my-plugin/harm", "done"),
    "grader": ("grading with 'harm'", "rejected"),
}


class Params(StepParams):
    """None."""


def nothing() -> None:
    """No harm."""


def catalog_with(hook: str, harm: Callable[[], object]) -> Catalog:
    """All six hooks installed; the one of this name does the harm."""
    does = {name: harm if name == hook else nothing for name in HOOKS}

    @step("harm", version=1, summary="Do harm.")
    def do_harm(part: Part, params: Params, ctx: StepContext) -> StepResult:
        does["step"]()
        return StepResult(part)

    def read(source: Source) -> RawMesh:
        does["reader"]()
        corners, _, faces = source.data.partition(b"\n\n")
        vertices, triangles = (np.array(part.split(), kind).reshape(-1, 3) for part, kind in
                               ((corners, float), (faces, int)))  # fmt: skip
        return RawMesh(vertices, triangles, unit_mm=1.0)

    def write(part: Part, about: Mapping[str, str]) -> bytes:
        does["writer"]()
        return part.vertices.tobytes()

    def collect(part: Part, ctx: StepContext) -> dict[str, Any]:
        does["fact collector"]()
        return {"count": 3}

    def paint(part: Part, ctx: StepContext) -> bytes:
        does["painter"]()
        return render_views(part)

    def grade(part: Part, origin: Origin) -> Grade:
        does["grader"]()
        return Grade("good", (1.0,))

    found = find_steps()
    return replace(
        found,
        steps={**found.steps, "harm": do_harm},
        sources={**found.sources, "harm": "my-plugin"},
        readers={".num": Reader("numbers", (".num",), read)},
        writers={"num": Writer("num", write)},
        collectors={"my-plugin/harm": FactCollector("harm", collect)},
        painters={"my-plugin/harm": Painter("harm", "A view.", paint)},
        graders=[Grader("harm", grade)],
        brought_by={("readers", ".num"): "my-plugin", ("writers", "num"): "my-plugin"},
    )


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., JobResult]:
    """job(hook, harm): two takes of a box, in the plugin's format, through all six hooks."""

    def go(hook: str, harm: Callable[[], object]) -> JobResult:
        monkeypatch.setattr(run_job, "_catalog_here", [catalog_with(hook, harm)])
        box = trimesh.creation.box(extents=(30.0, 20.0, 10.0))
        rows = "\n".join(" ".join(map(repr, row)) for row in box.vertices.tolist())
        faces = "\n".join(" ".join(map(str, row)) for row in box.faces.tolist())
        original = tmp_path / "job" / "original"
        original.mkdir(parents=True)
        for name in ("a", "b"):
            (original / f"{name}.num").write_text(f"{rows}\n\n{faces}")
        (original / "a.takes.ticket.yaml").write_text("takes: [a.num, b.num]\nunit: mm\n")
        task = JobTask(
            "0123456789abcdef-1", tmp_path / "job", "a.num", RECIPE, "plain.yaml",
            ticket_name="a.takes.ticket.yaml",
        )  # fmt: skip
        return perform(task)

    return go


def world() -> tuple[object, ...]:
    return (
        Path.cwd(), dict(os.environ), np.geterr(), np.get_printoptions(), random.getstate(),
        np.random.get_state()[1].tolist(), decimal.getcontext().prec, list(sys.path),  # type: ignore[index,union-attr]
        sys.getrecursionlimit(),
    )  # fmt: skip


@pytest.mark.parametrize("hook", HOOKS)
def test_whatever_it_changes_is_put_back_and_named(job: Callable[..., JobResult], hook: str) -> None:
    def all_harm() -> None:
        for harm in HARMS.values():
            harm()

    before = world()
    result = job(hook, all_harm)
    assert (result.state, result.reason) == ("done", None)
    assert world() == before
    put_back = result.record.timing["put_back"]
    assert list(put_back) == [HOOKS[hook][0]]
    assert set(put_back[HOOKS[hook][0]]) == set(HARMS)


@pytest.mark.parametrize("error", [RuntimeError("no lamp"), SystemExit(3), RecursionError("too deep")])
@pytest.mark.parametrize("hook", HOOKS)
def test_what_it_raises_ends_at_the_job_and_leaves_nothing_changed(
    job: Callable[..., JobResult], hook: str, error: BaseException
) -> None:
    def harm() -> None:
        os.chdir("/")
        np.seterr(all="raise")
        raise error

    before = world()
    result = job(hook, harm)
    said = "; ".join([result.reason or "", *result.record.warnings])
    assert result.state == HOOKS[hook][1], said
    assert type(error).__name__ in said and world() == before


@pytest.mark.parametrize("hook", HOOKS)
def test_memory_that_it_runs_out_of_is_the_job_s(job: Callable[..., JobResult], hook: str) -> None:
    def harm() -> None:
        raise MemoryError

    if hook == "reader":  # a scan that is too large to read is one that cannot be read
        result = job(hook, harm)
        assert result.state == "rejected" and "memory" in (result.reason or "")
        return
    with pytest.raises(MemoryError):
        job(hook, harm)
