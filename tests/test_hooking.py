"""What plugins add, in whole jobs: what comes of it, and that nobody else suffers when it fails."""

from __future__ import annotations

import json
import os
import sys
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox import run_job
from fettlebox.api import Grader, Step, StepContext, StepError, StepParams, StepResult, step
from fettlebox.catalog import Catalog, find_steps
from fettlebox.errors import RecipeError, ScanError
from fettlebox.hooks import FactCollector, Painter, RawMesh, Reader, Source, Writer
from fettlebox.mesh import Part, ReadLimits, read_scan
from fettlebox.pictures import render_views
from fettlebox.printer import EVERYDAY
from fettlebox.recipe import compose_schema, parse_recipe
from fettlebox.replay import replay
from fettlebox.run_job import JobResult, JobTask, perform
from fettlebox.traveler.writing import read_traveler
from jsonschema import Draft202012Validator

RECIPE = """\
recipe: plain
about: For tests.
steps:
  - units: {expect: {height: 10 mm}}
  - scale: 50 %
deliver: [stl]
"""
SIZE_MM = (30.0, 20.0, 10.0)


def box() -> trimesh.Trimesh:
    return trimesh.creation.box(extents=SIZE_MM)


def read_numbers(source: Source) -> RawMesh:
    """A format for tests: corners as rows of three numbers, blank line, faces."""
    corners, _, faces = source.data.partition(b"\n\n")
    return RawMesh(
        np.array(corners.split(), float).reshape(-1, 3),
        np.array(faces.split(), int).reshape(-1, 3),
        unit_mm=1.0,
    )


def written_numbers(part: Part | trimesh.Trimesh) -> bytes:
    rows = [" ".join(map(repr, row)) for row in np.asarray(part.vertices).tolist()]
    return (
        "\n".join(rows) + "\n\n" + "\n".join(" ".join(map(str, f)) for f in np.asarray(part.faces).tolist())
    ).encode()


def with_hooks(*given: Any) -> Catalog:
    catalog = find_steps()
    brought = dict(catalog.brought_by)
    found: dict[str, dict[str, Any]] = {"readers": {}, "writers": {}, "collectors": {}, "painters": {}}
    for hook in given:
        if isinstance(hook, Reader):
            found["readers"] |= dict.fromkeys(hook.suffixes, hook)
            brought |= {("readers", suffix): "my-plugin" for suffix in hook.suffixes}
        elif isinstance(hook, Writer):
            found["writers"][hook.format] = hook
            brought["writers", hook.format] = "my-plugin"
        elif isinstance(hook, Step):
            catalog.steps[hook.name] = hook
        else:
            kind = "collectors" if isinstance(hook, FactCollector) else "painters"
            found[kind][f"my-plugin/{hook.name}"] = hook
    return replace(catalog, brought_by=brought, **found)


Run = Callable[..., JobResult]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """run(hooks, scan="name", recipe=…, data=bytes): one job with these hooks installed."""

    def go(*hooks: Any, scan: str = "box.stl", recipe: str = RECIPE, data: bytes | None = None) -> JobResult:
        monkeypatch.setattr(run_job, "_catalog_here", [with_hooks(*hooks)])
        folder = tmp_path / "job"
        (folder / "original").mkdir(parents=True)
        (folder / "original" / scan).write_bytes(data if data is not None else box().export(file_type="stl"))
        return perform(JobTask("0123456789abcdef-1", folder, scan, recipe, "plain.yaml", printer=EVERYDAY))

    return go


NUMBERS = Reader("numbers", (".num",), read_numbers)


def test_a_scan_in_a_plugin_s_format_becomes_a_part(run: Run, tmp_path: Path) -> None:
    result = run(NUMBERS, scan="box.num", data=written_numbers(box()))
    assert (result.state, result.reason) == ("done", None)
    assert result.record.scan["format"] == "num" and result.record.scan["unit_mm"] == 1.0
    part = trimesh.load(tmp_path / "job" / "box.stl")
    assert np.allclose(sorted(part.extents), sorted(np.array(SIZE_MM) / 2), atol=1e-5)
    assert replay(tmp_path / "job").same


def test_it_is_found_in_folders_and_zips_and_its_ending_is_taken_at_its_word(tmp_path: Path) -> None:
    data = written_numbers(box())
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "BOX.NUM").write_bytes(data)
    (tmp_path / "folder" / "readme.txt").write_text("hello")
    with zipfile.ZipFile(tmp_path / "packed.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("box.num", data)
    more = {".num": read_numbers}
    for name in ("folder", "packed.zip"):
        scan = read_scan(tmp_path / name, more=more)
        assert len(scan.part.faces) == 12 and scan.origin.format == "num"
        with pytest.raises(ScanError):
            read_scan(tmp_path / name)
    looks_zipped = tmp_path / "box.num"
    looks_zipped.write_bytes((tmp_path / "packed.zip").read_bytes())
    with pytest.raises(ValueError, match="could not convert"):
        read_scan(looks_zipped, more=more)
    with pytest.raises(ScanError, match=r"expected one of .*\.glb, \.gltf, \.num, or a zip"):
        (tmp_path / "what.ever").write_bytes(b"what ever this may be")
        read_scan(tmp_path / "what.ever", more=more)


def naughty(change: Callable[[RawMesh], Any]) -> Reader:
    return Reader("numbers", (".num",), lambda source: change(read_numbers(source)))


def chdir_and_read(source: Source) -> RawMesh:
    os.chdir("/")
    np.random.seed(1)
    print("reading")
    return read_numbers(source)


@pytest.mark.parametrize(
    ("reader", "said"),
    [
        (naughty(lambda mesh: 1 / 0), "the reader 'numbers' of my-plugin failed (ZeroDivisionError"),
        (naughty(lambda mesh: sys.exit(3)), "the reader 'numbers' of my-plugin failed (SystemExit: 3)"),
        (naughty(lambda mesh: None), "failed (TypeError: gave NoneType; expected RawMesh)"),
        (naughty(lambda mesh: replace(mesh, faces=mesh.faces + 1)), "found vertex number 8; expected 0 to 7"),
        (naughty(lambda mesh: replace(mesh, faces=mesh.faces * 1.0)), "gave faces of float64"),
        (naughty(lambda mesh: replace(mesh, vertices=mesh.vertices / 0)), "expected a finite number"),
        (naughty(lambda mesh: replace(mesh, vertices=mesh.vertices[:, :2])), "gave vertices (8, 2)"),
        (naughty(lambda mesh: replace(mesh, unit_mm=-1.0)), "gave a unit of -1.0 mm"),
        (naughty(lambda mesh: replace(mesh, colours=np.zeros((3, 4), np.uint8))), "gave colours (3, 4)"),
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore:divide by zero", "ignore:invalid value")
def test_a_reader_that_fails_rejects_its_scan_with_a_sentence(run: Run, reader: Reader, said: str) -> None:
    result = run(reader, scan="box.num", data=written_numbers(box()))
    assert result.state == "rejected" and said in (result.reason or ""), result.reason
    assert (result.reason or "").startswith("box.num: ")


def test_a_reader_is_held_to_the_limits_of_a_scan(tmp_path: Path) -> None:
    from fettlebox.hooking import readers_of

    (tmp_path / "box.num").write_bytes(written_numbers(box()))
    more = readers_of(with_hooks(NUMBERS))
    with pytest.raises(ScanError, match="found 12 triangles; expected at most 11"):
        read_scan(tmp_path / "box.num", ReadLimits(triangles=11), more=more)


def test_a_reader_leaves_the_process_as_it_was(run: Run) -> None:
    before = Path.cwd(), np.random.get_state()[1].tolist()  # type: ignore[index,union-attr]
    result = run(Reader("n", (".num",), chdir_and_read), scan="box.num", data=written_numbers(box()))
    assert result.state == "done"
    assert result.record.timing["put_back"] == {
        "reader .num of my-plugin": ["the current folder", "numpy's random state", "what it printed"]
    }
    assert (Path.cwd(), np.random.get_state()[1].tolist()) == before  # type: ignore[index,union-attr]


def numbers(part: Part, about: Mapping[str, str]) -> bytes:
    return written_numbers(part)


def test_a_recipe_delivers_in_a_plugin_s_format(run: Run, tmp_path: Path) -> None:
    recipe = RECIPE.replace("[stl]", "[stl, num, {num: {after: units}}, zip]")
    result = run(Writer("num", numbers), recipe=recipe)
    assert (result.state, result.reason) == ("done", None)
    assert [out.path for out in result.record.outputs] == ["box.stl", "box.num", "box.units.num", "box.zip"]
    for name, share in (("box.num", 0.5), ("box.units.num", 1.0)):
        mesh = read_numbers(Source(name, (tmp_path / "job" / name).read_bytes(), ReadLimits()))
        assert np.allclose(np.ptp(mesh.vertices, axis=0), np.array(SIZE_MM) * share)
    assert replay(tmp_path / "job").same


@pytest.mark.parametrize(
    ("write", "said"),
    [
        (lambda part, about: 1 / 0, "writer of 'num' of my-plugin failed (ZeroDivisionError"),
        (lambda part, about: "text", "expected bytes"),
        (lambda part, about: b"", "expected bytes"),
    ],
)
def test_a_writer_that_fails_delivers_nothing(run: Run, tmp_path: Path, write: Any, said: str) -> None:
    result = run(Writer("num", write), recipe=RECIPE.replace("[stl]", "[stl, num]"))
    assert result.state == "rejected" and said in (result.reason or ""), result.reason
    assert not (tmp_path / "job" / "box.stl").exists() and not result.record.outputs


def test_the_checker_and_the_schema_know_a_plugin_s_formats() -> None:
    import yaml

    catalog, text = with_hooks(Writer("num", numbers)), RECIPE.replace("[stl]", "[num]")
    assert parse_recipe(text, "plain.yaml", catalog).deliver[0].format == "num"
    assert Draft202012Validator(compose_schema("recipe", catalog)).is_valid(yaml.safe_load(text))
    with pytest.raises(RecipeError, match="num"):
        parse_recipe(text, "plain.yaml", find_steps())
    assert not Draft202012Validator(compose_schema("recipe", find_steps())).is_valid(yaml.safe_load(text))


def area(part: Part, ctx: Any) -> dict[str, Any]:
    corners = part.vertices[part.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return {"skin_mm2": float(np.linalg.norm(cross, axis=1).sum() / 2), "draws": int(ctx.rng.integers(1000))}


SKIN_MM2 = 2 * (30 * 20 + 30 * 10 + 20 * 10)


def test_facts_are_named_by_plugin_and_stand_with_the_part_and_its_steps(run: Run, tmp_path: Path) -> None:
    result = run(FactCollector("skin", area, when="steps"), FactCollector("end", area))
    assert result.state == "done" and len(result.record.warnings) == 1  # that the unit was judged
    collected = result.record.collected
    assert set(collected) == {"my-plugin/skin", "my-plugin/end"}
    assert np.isclose(collected["my-plugin/skin"]["skin_mm2"], SKIN_MM2 / 4)
    units, scale = result.record.steps
    assert units.collected == {}, "a step that changes nothing needs no new facts"
    assert set(scale.collected) == {"my-plugin/skin"}
    page = (tmp_path / "job" / "traveler.html").read_text("utf-8")
    assert "Measured by my-plugin/skin" in page and "my-plugin/skin: skin" in page
    assert read_traveler(tmp_path / "job").collected == json.loads(json.dumps(collected))
    assert replay(tmp_path / "job").same


def test_a_picture_goes_with_its_caption_to_the_page(run: Run, tmp_path: Path) -> None:
    result = run(Painter("side", "The part, once more.", lambda part, ctx: render_views(part)),
                 Painter("none", "Nothing.", lambda part, ctx: None))  # fmt: skip
    path = "pictures/my-plugin-side.png"
    assert path in result.record.pictures and result.record.captions[path] == "The part, once more."
    assert (tmp_path / "job" / path).read_bytes().startswith(b"\x89PNG")
    assert "The part, once more." in (tmp_path / "job" / "traveler.html").read_text("utf-8")
    assert not [name for name in result.record.pictures if "none" in name]
    assert replay(tmp_path / "job").same


def vandal(part: Part, ctx: Any) -> dict[str, Any]:
    os.chdir("/")
    os.environ["FETTLE_TEST"] = "x"
    np.seterr(all="raise")
    np.random.seed(3)
    print("here I am")
    return {"count": 3}


def collector(collect: Any) -> FactCollector:
    return FactCollector("bad", collect)


HUGE = b"\x89PNG\r\n\x1a\n" + b"\0\0\0\rIHDR" + b"\xff\xff\xff\xff" * 2


@pytest.mark.parametrize(
    ("hook", "said"),
    [
        (collector(lambda part, ctx: 1 / 0), "facts my-plugin/bad was left out: ZeroDivisionError"),
        (collector(lambda part, ctx: sys.exit(1)), "facts my-plugin/bad was left out: SystemExit: 1"),
        (collector(lambda part, ctx: {"a_mm": float("nan")}), "was left out: ValueError"),
        (collector(lambda part, ctx: {"a_mm": part}), "was left out: TypeError"),
        (collector(lambda part, ctx: {"a": "x" * 200_000}), "expected at most 100000"),
        (collector(lambda part, ctx: {"height": 1.5}), "'height' has no unit in its name"),
        (collector(lambda part, ctx: part.vertices.fill(0)), "was left out: ValueError"),
        (Painter("bad", "A.", lambda part, ctx: b"GIF89a"), "picture my-plugin/bad was left out: ValueError"),
        (Painter("bad", "A.", lambda part, ctx: HUGE), "expected at most 4096 a side"),
        (Painter("bad", "A.", lambda part, ctx: render_views(part)[:-50]), "picture my-plugin/bad was left"),
    ],
)  # fmt: skip
def test_a_hook_that_fails_is_a_warning_and_the_job_goes_on(
    run: Run, tmp_path: Path, hook: Any, said: str
) -> None:
    result = run(hook)
    assert result.state == "done"
    of_units, warning = result.record.warnings
    assert of_units.startswith("units: ") and said in warning
    assert result.record.collected == {}
    assert not [name for name in result.record.pictures if "my-plugin" in name]
    assert (tmp_path / "job" / "box.stl").exists()


def test_what_a_hook_changes_for_all_is_put_back_and_named(run: Run, tmp_path: Path) -> None:
    before = Path.cwd(), dict(os.environ), np.geterr()
    result = run(FactCollector("vandal", vandal))
    assert result.state == "done" and result.record.collected == {"my-plugin/vandal": {"count": 3}}
    assert (Path.cwd(), dict(os.environ), np.geterr()) == before
    assert result.record.timing["put_back"] == {
        "facts my-plugin/vandal": [
            "the current folder", "the environment", "numpy's random state", "numpy's error settings",
            "what it printed",
        ]
    }  # fmt: skip
    assert "Put back after facts my-plugin/vandal: the current folder" in (
        tmp_path / "job" / "traveler.html"
    ).read_text("utf-8")
    assert replay(tmp_path / "job").same


def littering(part: Part, about: Mapping[str, str]) -> bytes:
    os.environ["FETTLE_TEST"] = "x"
    return written_numbers(part)


def test_what_a_writer_changes_for_all_is_put_back_and_named(run: Run) -> None:
    result = run(Writer("num", littering), recipe=RECIPE.replace("[stl]", "[num]"))
    assert result.record.timing["put_back"] == {"writer num of my-plugin": ["the environment"]}
    assert "FETTLE_TEST" not in os.environ


class Params(StepParams):
    fail: bool = False


def test_what_a_step_changes_for_all_is_put_back_and_named(run: Run) -> None:
    @step("vandalise", version=1, summary="Change what is everybody's.")
    def vandalise(part: Part, params: Params, ctx: StepContext) -> StepResult:
        vandal(part, ctx)
        if params.fail:
            raise StepError("it was too much for it")
        return StepResult(part)

    before = Path.cwd(), dict(os.environ), np.geterr()
    recipe = RECIPE.replace("  - scale", "  - vandalise\n  - vandalise: {fail: true}\n    id: again\n"
                            "    otherwise: skip\n  - scale")  # fmt: skip
    result = run(vandalise, recipe=recipe)
    assert result.state == "done", result.reason
    assert list(result.record.timing["put_back"]) == ["vandalise", "again"]
    assert "what it printed" in result.record.timing["put_back"]["again"]
    assert (Path.cwd(), dict(os.environ), np.geterr()) == before


def two_takes(grade: Any, folder: Path) -> JobResult:
    """One job on two takes, with a plugin's grader."""
    original = folder / "original"
    original.mkdir(parents=True)
    for name in ("a", "b"):
        box().export(original / f"{name}.stl")
    (original / "box.takes.ticket.yaml").write_text("takes: [a.stl, b.stl]\nunit: mm\n")
    task = JobTask(
        "0123456789abcdef-1", folder, "a.stl", RECIPE, "plain.yaml", ticket_name="box.takes.ticket.yaml"
    )
    return perform(task)


@pytest.mark.parametrize("grade", [lambda part, origin: 1 / 0, lambda part, origin: "good"])
def test_a_grader_that_fails_rejects_with_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, grade: Any
) -> None:
    monkeypatch.setattr(run_job, "_catalog_here", [replace(find_steps(), graders=[Grader("mine", grade)])])
    result = two_takes(grade, tmp_path / "job")
    assert result.state == "rejected"
    assert "grading with 'mine' failed (" in (result.reason or "")
    assert "send the best take alone, or have the plugin mended" in (result.reason or "")


def test_memory_that_a_hook_runs_out_of_is_the_job_s_limit(run: Run) -> None:
    def hungry(part: Part, ctx: Any) -> dict[str, Any]:
        raise MemoryError

    with pytest.raises(MemoryError):
        run(FactCollector("hungry", hungry))


def test_a_hook_is_named_while_it_is_at_work(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last word of a worker that runs out of time is what the job was at."""
    at: list[str] = []
    real = perform

    def noting(task: JobTask) -> JobResult:
        return real(task, lambda step, fraction: at.append(step))

    monkeypatch.setitem(globals(), "perform", noting)
    run(FactCollector("f", area), Painter("p", "A.", lambda part, ctx: None), NUMBERS, Writer("num", numbers),
        scan="box.num", data=written_numbers(box()), recipe=RECIPE.replace("[stl]", "[num]"))  # fmt: skip
    for what in ("reading a numbers with my-plugin", "facts my-plugin/f", "picture my-plugin/p",
                 "writing num with my-plugin"):  # fmt: skip
        assert what in at
