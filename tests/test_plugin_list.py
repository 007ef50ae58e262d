"""What the command line says of plugins: every hook of every kind, what is set aside, what will go."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from fettlebox import doctor, printing
from fettlebox.api import Notifier, StepContext, StepParams, StepResult, step
from fettlebox.catalog import KINDS, Catalog, Quarantined, find_steps
from fettlebox.cli import app
from fettlebox.errors import UsageError
from fettlebox.hooks import FactCollector, JobObserver, Painter, Reader, Writer
from fettlebox.made_for import CONTRACT
from fettlebox.mesh import Part
from fettlebox.mesh.formats import off
from fettlebox.plugin_list import brought, counts
from fettlebox.proving import checks_of
from typer.testing import CliRunner

FETTLEBOX_CONTRACT = CONTRACT


def write_obj(part: Part, about: object) -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in part.vertices.tolist()]
    return "\n".join([*lines, *(f"f {a} {b} {c}" for a, b, c in (part.faces + 1).tolist())]).encode()


@pytest.fixture
def full() -> Catalog:
    """One of everything."""
    return replace(
        find_steps(),
        readers={".off2": Reader("grid of heights", (".off2",), off.read)},
        writers={"obj": Writer("obj", write_obj), "flat": Writer("flat", lambda part, about: b"flat", 0.5)},
        collectors={"my-foot/foot": FactCollector("foot", lambda part, ctx: {}, "steps")},
        painters={"my-view/view": Painter("view", "From below.", lambda part, ctx: None)},
        observers={"my-lamp/lamp": JobObserver("lamp", lambda event: None)},
        notifiers=[Notifier("mail", lambda event: None)],
        brought_by={
            ("readers", ".off2"): "my-grid", ("writers", "obj"): "my-obj", ("writers", "flat"): "my-obj",
        },
        quarantined={"kiln": Quarantined("kiln", "my-kiln", "ModuleNotFoundError: no kiln")},
        notes=["my-old: works as made for plugin contract 1"],
    )  # fmt: skip


def test_every_kind_of_hook_is_listed(full: Catalog) -> None:
    listed = list(brought(full))
    assert {one.kind for one in listed} == {
        "step", "reader", "writer", "fact collector", "painter", "grader", "notifier", "job observer",
        "set aside", "to mend",
    }  # fmt: skip
    assert sum(counts(full).values()) == sum(len(getattr(full, kind)) for kind in KINDS)
    assert counts(full)["writers"] == 2 and counts(full)["reader"] == 1
    by_name = {one.name: one for one in listed}
    assert by_name["foot"].source == "my-foot" and "after every step" in by_name["foot"].about
    assert by_name["flat"].about == "Writes a part within 0.5 mm."
    assert by_name["kiln"].about == "ModuleNotFoundError: no kiln"


def test_the_command_shows_it_as_text_and_as_json(full: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.catalog.find_steps", lambda: full)
    said = CliRunner().invoke(app, ["plugin", "list"])
    assert said.exit_code == 4, "something is set aside"
    assert "reader:\n  .off2           Reads a grid of heights. (my-grid)\n" in said.stdout
    assert "set aside:\n  kiln" in said.stdout
    lines = [
        json.loads(line) for line in CliRunner().invoke(app, ["plugin", "list", "--json"]).stdout.splitlines()
    ]
    assert {"kind": "painter", "name": "view", "source": "my-view", "about": "From below."} in lines


def test_doctor_counts_the_hooks_and_says_what_will_go(
    full: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = replace(full, quarantined={})
    monkeypatch.setattr(doctor, "find_steps", lambda: whole)
    finding = doctor._plugins()
    assert finding.ok
    assert "1 reader, 2 writers, 1 fact collector, 1 painter" in finding.said
    assert finding.said.endswith("my-old: works as made for plugin contract 1")


def faults(checks: list[object]) -> dict[str, str]:
    return {str(check): said for check in checks if (said := check.fault()) is not None}  # type: ignore[attr-defined]


def test_an_installed_reader_is_proven_on_files(full: Catalog, tmp_path: Path) -> None:
    sample = tmp_path / "a.off2"
    sample.write_bytes(b"OFF\n4 4 0\n0 0 0\n9 0 0\n0 9 0\n0 0 9\n3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 3\n")
    assert faults(list(checks_of(".off2", full, {}, [sample]))) == {}
    assert faults(list(checks_of("grid of heights", full, {}, [sample]))) == {}
    with pytest.raises(UsageError, match=r"--sample FILE\.off2"):
        checks_of(".off2", full, {})
    with pytest.raises(UsageError, match="there is no file"):
        checks_of(".off2", full, {}, [tmp_path / "none.off2"])


def test_an_installed_writer_is_proven_with_the_reader_of_its_ending(full: Catalog) -> None:
    assert faults(list(checks_of("obj", full, {}))) == {}

    def shifted(part: Part, about: object) -> bytes:
        return write_obj(part.with_mesh(part.vertices + 0.01, part.faces), about)

    full.writers["obj"] = Writer("obj", shifted)
    assert (
        "comes back 0.0173205 mm off"
        in faults(list(checks_of("obj", full, {})))["what was written comes back"]
    )


def test_a_writer_whose_files_nobody_here_reads_is_proven_as_far_as_that_goes(full: Catalog) -> None:
    assert faults(list(checks_of("flat", full, {}))) == {}
    with pytest.raises(UsageError, match="there is no step 'flatt'"):
        checks_of("flatt", full, {})


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"by": "6"}, "by: '6' has no unit"),
        ({"bye": "6 mm"}, "'scale' has no parameter 'bye'; it has by, height, longest, fit, margin, at most"),
        ({"height": "200 m"}, "of the parameters of 'scale', height: "),
        (
            {"by": "50 %", "height": "6 mm"},
            "of the parameters of 'scale', found by and height; expected exactly",
        ),
    ],
)
def test_settings_that_are_none_are_said_once(settings: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError) as error:
        checks_of("scale", find_steps(), settings)
    assert said in str(error.value) and "pydantic" not in str(error.value)


@pytest.mark.parametrize("name", ["my-foot/foot", "foot", "my-view/view", "view"])
def test_what_only_adds_is_proven_by_its_name(full: Catalog, name: str) -> None:
    found = faults(list(checks_of(name, full, {})))
    assert "nothing to say" in found["its answers can be kept"]


def test_who_is_told_is_told_only_where_that_is_wanted(full: Catalog) -> None:
    heard: list[object] = []
    full.observers["my-lamp/lamp"] = JobObserver("lamp", heard.append)
    full.notifiers[0] = Notifier("mail", heard.append)
    for name in ("my-lamp/lamp", "lamp", "mail"):
        outcomes = {str(check): check.outcome() for check in checks_of(name, full, {})}
        assert outcomes["it can be called with an event"].fault is None
        assert not outcomes["it takes every event"].shown and "--tell" in str(outcomes)
        assert heard == []
        assert faults(list(checks_of(name, full, {}, tell=True))) == {}
        assert heard
        heard.clear()


def test_a_judge_is_proven_by_its_name(full: Catalog) -> None:
    (judge,) = full.graders
    assert faults(list(checks_of(judge.name, full, {}))) == {}


def test_a_name_that_two_have_is_asked_back(full: Catalog) -> None:
    full.painters["my-other/foot"] = Painter("foot", "From below.", lambda part, ctx: None)
    with pytest.raises(UsageError, match="a fact collector my-foot/foot and of a painter my-other/foot; say"):
        checks_of("foot", full, {})
    assert checks_of("my-other/foot", full, {})
    with pytest.raises(UsageError, match="`fettlebox plugin list` shows hooks"):
        checks_of("fot", full, {})
    with pytest.raises(UsageError, match="is no step, and takes no parameters"):
        checks_of("my-foot/foot", full, {"by": "3 mm"})


def test_a_step_is_tried_on_files_of_one_s_own(tmp_path: Path) -> None:
    """A file of 12 triangles, written as the format's description has it."""
    sample = tmp_path / "plate.off"
    corners = "".join(f"{x} {y} {z}\n" for x in (0, 30) for y in (0, 30) for z in (0, 1))
    quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    faces = "".join(f"3 {a} {b} {c}\n3 {a} {c} {d}\n" for a, b, c, d in quads)
    sample.write_text(f"OFF\n8 12 0\n{corners}{faces}")
    checks = checks_of("hollow", find_steps(), {"wall": "2 mm"}, [sample])
    (works,) = [check for check in checks if check.name == "it works on something"]
    assert works.trial.parts["plate.off"].bounds.tolist() == [[0, 0, 0], [30, 30, 1]]
    assert "plate.off (" in (works.fault() or ""), "a plate of 1 mm has no room for walls of 2 mm"


def test_a_proof_ends_with_what_it_came_to(full: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fettlebox.catalog.find_steps", lambda: replace(full, quarantined={}))
    said = CliRunner().invoke(app, ["plugin", "prove", "lamp"])
    assert said.exit_code == 4
    lines = said.stdout.splitlines()
    assert lines[-1] == (
        "5 checks, 3 with nothing to look at: it takes every event, it passes over what it does not know, "
        "it leaves the process as it was"
    )
    assert lines[2].startswith("-      it takes every event: not told anything")
    said = CliRunner().invoke(app, ["plugin", "prove", "lamp", "--tell"])
    assert (said.exit_code, said.stdout.splitlines()[-1]) == (0, "5 checks, all kept")
    said = CliRunner().invoke(app, ["plugin", "prove", "flat", "--json"])
    assert said.exit_code == 0
    found = {one["check"]: one for one in map(json.loads, said.stdout.splitlines())}
    assert found["what was written comes back"]["remark"].startswith("not tried: nothing here reads")
    said = CliRunner().invoke(app, ["plugin", "prove", "view"])
    assert said.exit_code == 4
    assert "FAULT  its answers can be kept" in said.stdout
    assert "5 checks, 1 broken: its answers can be kept" in said.stdout


def test_a_fault_that_many_checks_meet_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    @step("keel", version=1, summary="Put a keel on.")
    def keel(part: Part, params: StepParams, ctx: StepContext) -> StepResult:
        raise TypeError("this\nnever works")

    checks = checks_of("keel", Catalog({"keel": keel}, {"keel": "my-keel"}), {})
    assert printing.proof(checks, as_json=False) == 4
    said = capsys.readouterr().out
    line = keel.run.__code__.co_firstlineno + 2
    fault = (
        f"it fails with TypeError: this never works (tests/test_plugin_list.py:{line}); expected StepError"
    )
    assert said.count("never works") == said.count(fault) == 1
    assert said.count(": as above\n") > 5 and "given nothing, as above\n" in said
    assert "\\x0a" not in said


def test_what_was_not_measured_is_marked_and_is_no_fault(capsys: pytest.CaptureFixture[str]) -> None:
    @step("keel", version=1, summary="Put a keel on.")
    def keel(part: Part, params: StepParams, ctx: StepContext) -> StepResult:
        return StepResult(part)

    checks = checks_of("keel", Catalog({"keel": keel}, {"keel": "my-keel"}), {})
    assert printing.proof(checks, as_json=False) == 0
    *_, cost, last = capsys.readouterr().out.splitlines()
    assert cost.startswith("-      its cost grows with the work: not measured: ")
    assert last == "16 checks, 1 not measured: its cost grows with the work; all else kept"


def test_the_board_takes_uploads_that_a_plugin_reads(full: Catalog, monkeypatch: pytest.MonkeyPatch) -> None:
    from fettlebox.board import uploads
    from fettlebox.board.problems import Refused

    with pytest.raises(Refused):
        uploads.checked_name("hill.off2")
    monkeypatch.setattr(uploads, "catalog", lambda: full)
    assert uploads.checked_name("hill.off2") == "hill.off2"
