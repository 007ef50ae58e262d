"""Recipes against printers: what is certain before a scan is there, and nothing else."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from fettlebox.api import Part, StepContext, StepParams, StepResult, step
from fettlebox.catalog import Catalog, find_steps
from fettlebox.cli import app
from fettlebox.printer import Printer
from fettlebox.recipe import parse_recipe
from fettlebox.shipped import shipped
from fettlebox.suiting import Suited, reasons_against, suits_of, table_of
from typer.testing import CliRunner

THREAD = Printer("thread", (200.0, 210.0, 220.0), nozzle_mm=0.4, layer_mm=0.2)
BATH = Printer("bath", (120.0, 68.0, 155.0), "resin", pixel_mm=0.05, layer_mm=0.05)


class NoParams(StepParams):
    pass


def reasons(steps: list[Any], printer: Printer = THREAD, ask: Any = None, **values: Any) -> list[str]:
    text = yaml.safe_dump(
        {"recipe": "r", "ask": ask or {}, "steps": steps, "deliver": ["stl"]}, sort_keys=False
    )
    return list(reasons_against(parse_recipe(text, "r.yaml", find_steps()), printer, values))


@pytest.mark.parametrize(
    ("steps", "printer", "said"),
    [
        ([{"hollow": "0.3 mm"}], THREAD, "hollow: a wall of 0.3 mm is thinner than"),
        ([{"hollow": "0.5 mm"}], Printer("p", (9, 9, 9), nozzle_mm=0.4, layer_mm=0.6), "layer of 0.6 mm"),
        ([{"hollow": "2 mm"}], BATH, "liquid resin would stay inside"),
        ([{"scale": {"height": "221 mm"}}], THREAD, "scale: 221 mm is too high"),
        ([{"scale": {"longest": "365 mm"}}], THREAD, "365 mm is longer than from corner to corner"),
        ([{"scale": {"height": "365 mm"}}, "seat"], THREAD, "365 mm is longer than from corner to corner"),
        ([{"scale": {"fit": "printer", "margin": "34 mm"}}], BATH, "a margin of 34 mm leaves no room"),
        ([{"plinth": {"height": "160 mm"}}], BATH, "leaves no room for the part"),
        ([{"split": {"pieces within": {"wide": "201 mm", "deep": "10 mm", "tall": "10 mm"}}}], THREAD,
         "split: pieces within 201 × 10 × 10 mm may be too large: the printer builds 200 × 210 × 220 mm"),
        ([{"gate": {"height": {"above": "220 mm"}}}], THREAD, "height: nothing that the printer builds"),
        ([{"gate": {"volume": {"above": "9240 cm3"}}}], THREAD, "volume: nothing that the printer builds"),
        ([{"gate": {"base": {"above": "42000 mm2"}}}], THREAD, "base: nothing that the printer builds"),
        ([{"gate": {"wall": {"below": "0.4 mm"}}}], THREAD, "nothing finer than 0.4 mm"),
        ([{"gate": {"sound": True, "closed": False}}], THREAD, "leave one of the two demands out"),
        ([{"gate": {"bodies": {"above": 3}}}, "estimate", {"gate": {"bodies": {"below": 3}}}], THREAD,
         "gate: bodies: two gates want it above 3 and below 3; nothing passes both"),
        ([{"gate": {"closed": True}}, {"gate": {"closed": False}}], THREAD, "one gate wants"),
    ],
)  # fmt: skip
def test_what_cannot_come_out_is_said(steps: list[Any], printer: Printer, said: str) -> None:
    (only,) = reasons(steps, printer)
    assert said in only


@pytest.mark.parametrize(
    ("steps", "printer"),
    [
        ([{"hollow": "0.4 mm"}], THREAD),
        ([{"hollow": "2 mm"}, "drain"], BATH),
        ([{"scale": {"height": "220 mm"}}], THREAD),
        ([{"scale": {"height": "300 mm"}}, "seat"], THREAD),  # it may be laid down
        ([{"scale": {"longest": "363 mm"}}], THREAD),  # √(200² + 210² + 220²) = 364.0
        ([{"scale": {"height": "900 mm"}}, "split"], THREAD),
        ([{"scale": {"height": "900 mm"}}, {"cut": {"at": "50 %"}}], THREAD),
        ([{"hollow": "0.1 in"}, {"gate": {"height": {"above": "100 mm"}}}], THREAD),
        ([{"gate": {"bodies": {"above": 3}}}, "debris", {"gate": {"bodies": {"below": 3}}}], THREAD),
        ([{"hollow": "0.3 mm"} | {"when": False}], THREAD),
    ],
)
def test_what_may_come_out_is_not_blamed(steps: list[Any], printer: Printer) -> None:
    assert math.isclose(math.hypot(200, 210, 220), 364.0, abs_tol=0.1)
    assert reasons(steps, printer) == []


def test_a_plugins_step_is_asked_and_one_that_fails_then_is_told(tmp_path: Path) -> None:
    def only_blue(params: Any, printer: Printer, later: Any) -> list[str]:
        return [f"{printer.name} is not blue, and {later[0][0]} follows"] if later else [str(1 / 0)]

    @step("paint", version=1, summary="Paint it.", unsuited=only_blue)
    def paint(part: Part, params: NoParams, ctx: StepContext) -> StepResult:
        return StepResult(part)

    catalog = Catalog({"paint": paint}, {})
    recipe = parse_recipe("recipe: r\nsteps: [paint, paint]\ndeliver: [stl]", "r.yaml", catalog)
    first, second = reasons_against(recipe, THREAD, {})
    assert first == "paint: thread is not blue, and paint follows"
    assert second.startswith("paint-2: the step fails when it is asked about a printer: ZeroDivisionError")


SHOP = """
shop: S
recipe: shell
printer: fine
printers:
  fine: {kind: filament, build volume: [200 mm, 200 mm, 200 mm], nozzle: 0.4 mm}
  coarse: {kind: filament, build volume: [400 mm, 400 mm, 400 mm], nozzle: 1.2 mm, layer: 0.6 mm}
"""
SHELL = """
recipe: shell
ask:
  wall: {type: length, min: 0.8 mm, max: 4 mm, default: WALL}
  high: {type: length, min: 20 mm, max: 300 mm}
steps:
  - scale: {height: "${high}"}
  - hollow: {wall: "${wall}"}
deliver: [stl]
"""


def shop(folder: Path, wall: str) -> Path:
    (folder / "recipes").mkdir()
    (folder / "shop.yaml").write_text(SHOP)
    (folder / "recipes" / "shell.yaml").write_text(SHELL.replace("WALL", wall))
    return folder


def test_values_at_their_bounds_are_told_apart_from_the_usual_ones(tmp_path: Path) -> None:
    found = {one.printer: one for one in suits_of(shop(tmp_path, "2 mm"))}
    assert (found["fine"].own, found["coarse"].own) == (True, False)
    assert found["fine"].verdict == found["coarse"].verdict == "limits"
    assert found["fine"].reasons == (
        "with high: 300 mm, scale: 300 mm is too high: the printer builds 200 × 200 × 200 mm",
    )
    assert found["coarse"].reasons == (
        "with wall: 0.8 mm, hollow: a wall of 0.8 mm is thinner than the printer's line or dot of 1.2 mm",
    )


@pytest.mark.parametrize(("own", "status"), [("fine", 0), ("coarse", 2)])
def test_check_shows_the_table_and_fails_for_the_shops_own_printer_only(
    tmp_path: Path, own: str, status: int
) -> None:
    folder = shop(tmp_path, "1 mm")
    (folder / "shop.yaml").write_text(SHOP.replace("printer: fine", f"printer: {own}"))
    done = CliRunner().invoke(app, ["check", str(folder)])
    assert done.exit_code == status, done.output
    rows = [line.split() for line in done.output.splitlines()]
    assert ["shell", "not", "every", "value", "(1)", "no", "(2)"] in rows
    assert "2. shell on coarse: hollow: a wall of 1 mm is thinner than" in done.output
    lines = [
        json.loads(line)
        for line in CliRunner().invoke(app, ["check", str(folder), "--json"]).output.splitlines()
    ]
    told = {one["printer"]: (one["verdict"], one["ok"], one["own"]) for one in lines if "printer" in one}
    assert told == {"fine": ("limits", True, own == "fine"), "coarse": ("no", False, own == "coarse")}


HANGER = """
from fettlebox.api import Part, StepContext, StepParams, StepResult, step


class Params(StepParams):
    pass


@step("hanger", version=1, summary="Put a hanger on.")
def hanger(part: Part, params: Params, ctx: StepContext) -> StepResult:
    return StepResult(part)
"""


@pytest.mark.parametrize(("default", "usual"), [("100 mm", False), ("250 mm", True)])
def test_what_a_step_of_somebody_else_may_make_good_is_not_called_good(
    tmp_path: Path, default: str, usual: bool
) -> None:
    """Whether it makes the part smaller is unknown: neither `good` nor `no` would be true."""
    folder = shop(tmp_path, "2 mm")
    (folder / "steps").mkdir()
    (folder / "steps" / "hanger.py").write_text(HANGER)
    digest = hashlib.sha256(HANGER.encode()).hexdigest()
    (folder / "shop.yaml").write_text(f"{SHOP}steps:\n  - {{file: steps/hanger.py, sha256: {digest}}}\n")
    high = f"max: 300 mm, default: {default}"
    text = SHELL.replace("WALL", "2 mm").replace("max: 300 mm", high)
    (folder / "recipes" / "shell.yaml").write_text(text.replace("deliver:", "  - hanger\ndeliver:"))
    found = {one.printer: one for one in suits_of(folder)}
    said = "scale: 300 mm is too high: the printer builds 200 × 200 × 200 mm, unless hanger makes it good"
    assert found["fine"].verdict == "unsure"
    assert found["fine"].reasons[-1] == f"with high: 300 mm, {said}"
    assert found["fine"].reasons[0].startswith("scale: 250 mm") == usual
    assert found["coarse"].verdict == "limits", "a wall too thin stays so, whatever comes later"
    done = CliRunner().invoke(app, ["check", str(folder)])
    assert done.exit_code == 0 and "cannot tell (1" in done.output, done.output


def test_a_wrong_recipe_hides_no_other(tmp_path: Path) -> None:
    folder = shop(tmp_path, "2 mm")
    (folder / "recipes" / "bad.yaml").write_text("recipe: bad\nsteps: [nonsense]\n")
    assert {one.file.stem for one in suits_of(folder)} == {"shell"}
    (folder / "shop.yaml").write_text("shop: S\nrecipe: shall\n")
    assert suits_of(folder) == []


def test_every_shipped_recipe_suits_an_everyday_printer(tmp_path: Path) -> None:
    (tmp_path / "shop.yaml").write_text("shop: S\nrecipe: quarter-bust\n")
    (tmp_path / "recipes").symlink_to(shipped("recipes"))
    found = suits_of(tmp_path)
    assert len(found) >= 7
    assert all(one.verdict != "no" and one.own for one in found), [one.reasons for one in found]


def test_the_table_lines_up() -> None:
    found = [
        Suited(Path("a.yaml"), "x", True, "good"),
        Suited(Path("a.yaml"), "long name", False, "no", ("s: r",)),
    ]
    assert table_of(found) == [
        "   x *   long name",
        "a  good  no (1)",
        "* what parts are made for",
        "1. a on long name: s: r",
    ]
