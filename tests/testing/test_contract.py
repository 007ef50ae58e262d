"""The contract suite finds fault with faulty steps, each for its own reason, and with no built-in step."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import trimesh
from fettlebox.api import Length, Part, Step, StepContext, StepError, StepParams, StepResult, quantity, step
from fettlebox.made_for import CONTRACT
from fettlebox.testing import ContractError, NothingShownError, ball, brick, contract, seated_bust
from fettlebox.testing.check import Outcome
from pydantic import ConfigDict

FETTLEBOX_CONTRACT = CONTRACT


class Lift(StepParams):
    by: Length = quantity("5 mm", at_least="0 mm", at_most="1 m", about="How far the part is lifted.")


def lifted(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    if not len(part.faces):
        raise StepError("there is nothing to lift: the part has no faces")
    up = np.eye(4)
    up[2, 3] = params.by
    for fraction in (0.0, 0.5, 1.0):
        ctx.progress(fraction)
    return StepResult(part.moved(up), facts={"lifted_mm": params.by})


Run = Callable[[Part, Lift, StepContext], StepResult]


def made(run: Run, summary: str = "Lift the part off the bed.", **more: Any) -> Step[Any]:
    run.__annotations__ |= {"params": Lift}
    return step("lift", version=1, summary=summary, shorthand="by", **more)(run)


def faults(one: Step[Any], **tried: Any) -> dict[str, str]:
    """The checks that the step does not pass, with what they say."""
    found = {}
    for check in contract(one, **tried):
        try:
            check()
        except ContractError as error:
            found[check.name] = str(error)
    return found


def test_one_of_the_parts_stands_on_a_flat_face_that_is_on_record() -> None:
    from fettlebox.mesh.facts import measure

    part = seated_bust()
    facts = measure(part)
    assert facts["sound"] and facts["bodies"] == 1
    assert part.bed_plane is not None and part.bed_plane.normal == (0.0, 0.0, -1.0)
    # Elementary geometry: the faces that lie in a plane have the area of the section just above it, here by
    # trimesh; the outermost ring of them leans inwards.
    corners = part.vertices[part.faces]
    on_bed = np.abs(corners[:, :, 2]).max(axis=1) < 1e-9
    area = np.linalg.norm(np.cross(*(corners[on_bed][:, i] - corners[on_bed][:, 0] for i in (1, 2))), axis=1)
    solid = trimesh.Trimesh(part.vertices, part.faces, process=False)
    section, _ = solid.section([0, 0, 1], [0, 0, 1.0]).to_2D()
    assert area.sum() / 2 == pytest.approx(section.area, rel=0.1)
    assert part.bounds[0, 2] == pytest.approx(0.0, abs=1e-9)


def test_a_step_that_spoils_what_stands_on_its_bed_is_found() -> None:
    def tips(part: Part, params: Lift, ctx: StepContext) -> StepResult:
        result = lifted(part, params, ctx)
        if part.bed_plane is None:
            return result
        return StepResult(result.part.with_mesh(result.part.vertices, result.part.faces[:-1]))

    said = faults(made(tips))
    assert "of a sound solid (seated) it makes one that is not" in " ".join(said.values())


def test_a_summary_that_nobody_wrote_is_told_of_and_no_fault() -> None:
    for summary, told in (("Say here what lift does.", True), ("Lift the part off the bed.", False)):
        check = next(one for one in contract(made(lifted, summary)) if "words" in one.name)
        out = check.outcome()
        assert out.fault is None
        assert out.remark.startswith("its summary is still 'Say here what lift does.'") is told


def test_a_good_step_passes() -> None:
    assert faults(made(lifted)) == {}


def in_place(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    array = part.vertices
    if array.flags.writeable:
        array[:, 2] += 1.0
    return lifted(part, params, ctx)


def by_chance(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    up = np.eye(4)
    up[2, 3] = np.random.default_rng().random()
    return StepResult(part.moved(up))


def by_the_clock(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part, facts={"at_s": time.time()})


def opens(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part.with_mesh(part.vertices, part.faces[1:]))


def loses_its_place(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part.with_mesh(part.vertices + np.array([0.0, 0.0, params.by]), part.faces))


def chats(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    print("lifting")
    return lifted(part, params, ctx)


def chats_natively(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    os.write(1, b"lifting\n")
    return lifted(part, params, ctx)


def moves_house(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    os.chdir(ctx.scratch)
    return lifted(part, params, ctx)


def hardens_numpy(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    np.seterr(all="raise")
    return lifted(part, params, ctx)


def seeds_for_all(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    np.random.seed(1)
    return lifted(part, params, ctx)


def calls_home(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        line.connect(("127.0.0.1", 9))
    return lifted(part, params, ctx)


def litters(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    Path.cwd().joinpath("litter.txt").write_text("x")
    return lifted(part, params, ctx)


def bare_facts(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part, facts={"lifted": 5.25})


def numpy_facts(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part, facts={"lifted_mm": np.float32(5)})


def not_a_number(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return StepResult(part, facts={"lifted_mm": float("nan")})


def trips_on_nothing(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    lowest = part.vertices[part.faces].min()  # raises ValueError where there is none
    return StepResult(part, facts={"lowest_mm": float(lowest)})


def mumbles(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    raise StepError("no")


def returns_a_part(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    return part  # type: ignore[return-value]


def goes_back(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    ctx.progress(0.9)
    ctx.progress(0.1)
    return lifted(part, params, ctx)


def never_stops(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    with contextlib.suppress(BaseException):
        ctx.progress(0.5)
    return StepResult(part)


def squares(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    corners = part.vertices[:, 0].astype(np.float32)
    furthest = [float(np.abs(corners - one).max()) for one in corners]
    return StepResult(part, facts={"width_mm": max(furthest, default=0.0)})


@pytest.mark.parametrize(
    ("run", "check", "said"),
    [
        (in_place, "its input stays as it was", "changes the part that it is given"),
        (by_chance, "the same comes out again", "different parts"),
        (by_the_clock, "the same comes out again", "facts differ"),
        (opens, "a sound part stays sound", "makes one that is not"),
        (loses_its_place, "where it came from can be told", "keeps the old placement"),
        (chats, "it keeps to itself", "prints 'lifting'"),
        (chats_natively, "it keeps to itself", "prints 'lifting'"),
        (moves_house, "it keeps to itself", "the current folder"),
        (hardens_numpy, "it keeps to itself", "numpy's error settings"),
        (seeds_for_all, "it keeps to itself", "numpy's random state"),
        (calls_home, "it keeps to itself", "uses the network"),
        (litters, "it keeps to itself", "litter.txt"),
        (bare_facts, "its facts are named with units", "'lifted' has no unit"),
        (numpy_facts, "its facts are named with units", "not JSON"),
        (not_a_number, "its facts are named with units", "not JSON"),
        (trips_on_nothing, "odd parts get a sentence", "given nothing, it fails with ValueError"),
        (mumbles, "it works on something", "refuses with 'no'"),
        (returns_a_part, "it works on something", "returns Part"),
        (goes_back, "progress is told and heeded", "expected to rise from 0 to 1"),
        (never_stops, "progress is told and heeded", "goes on when it is cancelled"),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_a_faulty_step_fails_for_its_own_reason(
    run: Run, check: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    found = faults(made(run), parts={"ball": ball(2)})
    assert said in found[check]
    whole = {"returns_a_part", "mumbles"}  # a step that never works passes nothing that needs a result
    assert run.__name__ in whole or set(found) == {check}, found


def knows_no_printer(params: Lift, printer: Any, later: Any) -> list[str]:
    return [f"too fine for {printer.nozzle}"]


def says_nothing_much(params: Lift, printer: Any, later: Any) -> list[Any]:
    return [printer.kind == "resin"]


def trips_on_what_follows(params: Lift, printer: Any, later: Any) -> list[str]:
    return [f"{name} is {follower.by_mm}" for name, follower in later]


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (knows_no_printer, "AttributeError: 'Printer' object has no attribute 'nozzle'"),
        (says_nothing_much, "it says [False]; expected sentences"),
        (trips_on_what_follows, "has no attribute 'by_mm'"),
    ],
)
def test_what_a_step_says_of_printers_is_asked_for(ask: Any, said: str) -> None:
    found = faults(made(lifted, unsuited=ask), parts={"ball": ball(2)})
    assert (
        set(found) == {"it can be asked about printers"} and said in found["it can be asked about printers"]
    )


def lists_what_it_would_take(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    raise TypeError("arguments do not fit. There are:\n    1. " + "long\n" * 200)


def test_where_an_exception_came_from_is_told_on_one_line_of_a_bounded_length() -> None:
    said = faults(made(lists_what_it_would_take), parts={"ball": ball(2)})["it works on something"]
    line = lists_what_it_would_take.__code__.co_firstlineno + 1
    assert said.startswith("it fails with TypeError: arguments do not fit. There are: 1. long long")
    assert said.endswith(f" … (testing/test_contract.py:{line}); expected StepError or HoldError")
    assert "\n" not in said and len(said) < 400


def test_a_step_whose_time_explodes_is_found_out() -> None:
    found = faults(made(squares), parts={"ball": ball(2)})
    assert set(found) == {"its cost grows with the work"}
    assert "to the power" in found["its cost grows with the work"]


class Loose(StepParams):
    model_config = ConfigDict(extra="ignore")
    by_mm: float = 5.0


class Hasty(StepParams):
    by: Length = quantity("5 mm", about="")


def test_faulty_parameters_and_words_are_found() -> None:
    def run(part: Part, params: Loose, ctx: StepContext) -> StepResult:
        return StepResult(part)

    run.__annotations__["params"] = Loose
    found = faults(step("lift", version=1, summary="lift")(run), parts={"ball": ball(2)})
    assert "expected a sentence" in found["its words explain it"]
    assert "extra='forbid'" in found["its schema is good"]
    assert "a key that it does not have" in found["bad values are refused"]

    def hasty(part: Part, params: Hasty, ctx: StepContext) -> StepResult:
        return StepResult(part)

    hasty.__annotations__["params"] = Hasty
    found = faults(step("lift", version=1, summary="Lift it.")(hasty), parts={"ball": ball(2)})
    assert found == {"its words explain it": "its parameter 'by' has no description"}


def test_a_step_may_declare_that_it_opens_solids() -> None:
    assert faults(made(opens, keeps_sound=False), parts={"ball": ball(2)}) == {}


def test_settings_that_do_not_suit_are_said() -> None:
    (check,) = [c for c in contract(made(lifted), {"by": "2 kg"}) if c.name == "it works on something"]
    with pytest.raises(ContractError, match="do not accept"):
        check()


def outcomes(one: Step[Any], **tried: Any) -> dict[str, Outcome]:
    return {check.name: check.outcome() for check in contract(one, **tried)}


def refuses(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    raise StepError("expected a shell, found a solid through and through")


def refuses_open_ones(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    if 0 < len(part.faces) < 20:
        raise StepError("expected more than twenty faces to work on")
    return lifted(part, params, ctx)


LOOK_AT_A_RESULT = {
    "its input stays as it was", "the same comes out again", "its facts are named with units",
    "a sound part stays sound", "where it came from can be told", "progress is told and heeded",
    "it keeps to itself",
}  # fmt: skip


def test_a_step_that_refuses_every_part_has_shown_nothing() -> None:
    found = outcomes(made(refuses), parts={"thin plate": brick(30.0, 30.0, 1.0), "ball": ball(2)})
    works = found["it works on something"]
    assert works.shown and works.fault is not None
    assert "thin plate (expected a shell, found a solid through and through); ball (" in works.fault
    assert 'contract(lift, parts={"a shell": a_shell()})' in works.fault
    assert {name for name, out in found.items() if not out.shown and out.fault} == LOOK_AT_A_RESULT
    (check,) = [c for c in contract(made(refuses)) if c.name == "the same comes out again"]
    with pytest.raises(NothingShownError, match="refuses every part"):
        check()


def test_the_parts_that_a_step_refuses_are_told() -> None:
    found = outcomes(made(refuses_open_ones), parts={"thin plate": brick(), "ball": ball(2)})
    assert {out.fault for out in found.values()} == {None}
    said = found["it works on something"].remark
    assert said == "refused: thin plate (expected more than twenty faces to work on)"
    cost = found["its cost grows with the work"]
    assert cost.remark.startswith("not measured: it is through 81,920 ") and not cost.shown


def works_in_silence(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    up = np.eye(4)
    up[2, 3] = params.by
    return StepResult(part.moved(up), facts={"lifted_mm": params.by})


def tells_of_much(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    if len(part.faces) > 10_000:
        ctx.progress(0.5)
    return works_in_silence(part, params, ctx)


def test_progress_is_asked_of_who_takes_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """How long that is is moved, so that the same runs are quick and then long."""
    check, parts = "progress is told and heeded", {"ball": ball(2)}
    quick = outcomes(made(works_in_silence), parts=parts)[check]
    assert (quick.fault, quick.remark) == (None, "none is told, and it is too quick to need it")
    monkeypatch.setattr(sys.modules["fettlebox.testing.contract"], "LONG_S", -1.0)
    said = faults(made(works_in_silence), parts=parts)
    assert set(said) == {check} and "tells no progress; call ctx.progress(0.4)" in said[check]
    assert outcomes(made(lifted), parts=parts)[check].remark == ""
    much = outcomes(made(tells_of_much), parts=parts)[check]
    assert (much.fault, much.remark) == (
        None, "told only where there is much to do, such as 81,920 triangles",
    )  # fmt: skip


def test_what_is_not_asked_of_a_step_is_said() -> None:
    found = outcomes(made(opens, keeps_sound=False), parts={"ball": ball(2)})
    assert "keeps_sound=False" in found["a sound part stays sound"].remark
    found = outcomes(made(lifted), parts={"sheet": brick().with_mesh(brick().vertices, brick().faces[:4])})
    assert "none of the parts" in found["a sound part stays sound"].remark


def leaves(part: Part, params: Lift, ctx: StepContext) -> StepResult:
    raise SystemExit(3)


def test_a_check_that_is_torn_down_is_a_fault_and_hides_no_other() -> None:
    found = outcomes(made(leaves), parts={"ball": ball(2)})
    assert found["it works on something"].fault == "the check was torn down by SystemExit: 3"
    assert found["its words explain it"].fault is None


def test_what_a_step_prints_is_no_part_of_the_proof(capsys: pytest.CaptureFixture[str]) -> None:
    found = outcomes(made(chats), parts={"ball": ball(2)})
    assert "prints 'lifting'" in (found["it keeps to itself"].fault or "")
    said = capsys.readouterr()
    assert said.out == "" and "lifting" in said.err


NUMBER = "it says which contract it was made for"


@pytest.mark.parametrize(
    ("number", "fault", "remark"),
    [
        (None, f"write FETTLEBOX_CONTRACT = {CONTRACT} into it", ""),
        (CONTRACT, "", ""),
        (CONTRACT - 1, "", f"works as made for plugin contract {CONTRACT - 1}"),
        (CONTRACT + 2, f"made for plugin contract {CONTRACT + 2}", ""),
        ("2", "expected a whole number", ""),
    ],
)
def test_the_number_of_the_contract_is_asked_for(
    number: object, fault: str, remark: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    step_module, package = ModuleType("my_lift.steps"), ModuleType("my_lift")
    for module in (step_module, package):
        monkeypatch.setitem(sys.modules, module.__name__, module)
    if number is not None:
        package.FETTLEBOX_CONTRACT = number  # type: ignore[attr-defined]

    def run(part: Part, params: Lift, ctx: StepContext) -> StepResult:
        return lifted(part, params, ctx)

    run.__module__ = "my_lift.steps"
    out = outcomes(made(run), parts={"ball": ball(2)})[NUMBER]
    assert (fault in (out.fault or "")) and bool(fault) == bool(out.fault)
    assert remark in out.remark and bool(remark) == bool(out.remark)


def test_a_number_that_stands_beside_the_step_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """An entry point may name `my_lift.entry:lift`, whose number is heeded; the function is elsewhere."""
    for name in ("my_lift", "my_lift.steps", "my_lift.entry"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))
    sys.modules["my_lift.entry"].FETTLEBOX_CONTRACT = CONTRACT  # type: ignore[attr-defined]

    def run(part: Part, params: Lift, ctx: StepContext) -> StepResult:
        return lifted(part, params, ctx)

    run.__module__ = "my_lift.steps"
    assert outcomes(made(run), parts={"ball": ball(2)})[NUMBER] == Outcome()
