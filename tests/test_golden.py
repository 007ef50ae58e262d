"""Golden scans: shapes whose volume and area are known in closed form, through small recipes.

Formulas: CRC Standard Mathematical Tables (mensuration).
"""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import trimesh
from fettlebox import golden_run
from fettlebox.checking import check_paths
from fettlebox.cli import app
from fettlebox.jobs.folders import ShopFolders
from fettlebox.pool import NOTHING, Answer
from fettlebox.server import serve
from typer.testing import CliRunner, Result

RADIUS = 5.0  # of the ball once it is printed at half its size
EDGE = 6.0  # of the icosahedron, the same
BALL = f"""\
about: A ball; a mesh of it lies inside, by 0.2 % of the volume.
recipe: half
facts:
  volume_mm3: {{within: 0.5 %, of: {4 / 3 * math.pi * RADIUS**3:.6f} mm3}}
  area_mm2: {{within: 0.5 %, of: {4 * math.pi * RADIUS**2 / 100:.8f} cm2}}
  size_mm: [{{within: 0.1 mm, of: 1 cm}}, {{within: 0.1 mm, of: 1 cm}}, {{between: [9.8 mm, 10 mm]}}]
  closed: true
  sound: true
  bodies: 1
fidelity: {{scan_to_part_p95_mm: {{below: 10 um}}, covered_ratio: {{above: 99 %}}}}
steps:
  scale: {{ratio: {{between: [50 %, 50 %]}}}}
  gate: {{height_mm: {{below: 10 mm}}}}
"""
BOX = """\
recipe: half
facts:
  volume_mm3: {within: 0.0001 %, of: 3 cm3}
  area_mm2: {within: 0.0001 %, of: 1300 mm2}
  triangles: 12
  vertices: {within: 0, of: 8}
"""
ICOSAHEDRON = f"""\
recipe: half
scan: solid.ply
facts:
  volume_mm3: {{within: 0.001 %, of: {5 * (3 + math.sqrt(5)) / 12 * EDGE**3:.8f} mm3}}
  area_mm2: {{within: 0.001 %, of: {5 * math.sqrt(3) * EDGE**2:.8f} mm2}}
  triangles: {{above: 19, below: 21}}
"""
HALF = """\
recipe: half
ask: {size: {type: ratio, default: 50 %, min: 10 %, max: 100 %}}
steps: [scale: {by: "${size}"}, seat, gate: {sound: true, height: {below: 15 mm}}]
deliver: [stl]
"""
LOW = "recipe: low\nsteps: [seat, {gate: {height: {below: 3 mm}}, id: low}]\ndeliver: [stl]\n"
NEVER = "recipe: never\nsteps: [gate: {height: {below: 3 mm}, verdict: reject}]\ndeliver: [stl]\n"
LIFT = """\
from fettlebox.api import Part, StepContext, StepParams, StepResult, step


class Params(StepParams):
    pass


@step("lift", version=1, summary="Lift the part.")
def lift(part: Part, params: Params, ctx: StepContext) -> StepResult:
    return StepResult(part, facts={"lifted_mm": 7.0, "printer_mm": ctx.printer.build_volume_mm[2]})


@step("fall", version=1, summary="Bring the worker down.")
def fall(part: Part, params: Params, ctx: StepContext) -> StepResult:
    import os

    os._exit(3)
"""


def put(shop: Path, name: str, expect: str, mesh: Any = None, scan: str = "solid.ply") -> Path:
    folder = shop / "golden" / name
    folder.mkdir(parents=True)
    (folder / "expect.yaml").write_text(expect)
    if mesh is not None:
        mesh.export(folder / scan)
    return folder


def icosahedron() -> trimesh.Trimesh:
    solid = trimesh.creation.icosahedron()
    solid.apply_scale(2 * EDGE / solid.edges_unique_length[0])
    return solid


def make_shop(folder: Path) -> Path:
    ShopFolders(folder).make()
    (folder / "steps").mkdir()
    (folder / "steps" / "lift.py").write_text(LIFT)
    (folder / "printers").mkdir()
    (folder / "printers" / "small.yaml").write_text("kind: resin\nbuild volume: [50 mm, 50 mm, 60 mm]\n")
    told = {"file": "steps/lift.py", "sha256": hashlib.sha256(LIFT.encode()).hexdigest()}
    (folder / "shop.yaml").write_text(
        f"shop: G\nrecipe: half\nsettle: 0 s\nworkers: 1\nprinter: small\nsteps:\n  - {json.dumps(told)}\n"
    )
    for name, text in (
        ("half", HALF),
        ("low", LOW),
        ("never", NEVER),
        ("lift", "recipe: lift\nsteps: [lift]\ndeliver: []\n"),
        ("fall", "recipe: fall\nsteps: [fall]\ndeliver: []\n"),
    ):
        (folder / "recipes" / f"{name}.yaml").write_text(text)
    return folder


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(one) for one in arguments])


def outcome(shop: Path, *more: object) -> dict[str, dict[str, Any]]:
    done = run("shop", "test", shop, "--json", *more)
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.exit_code == (0 if all(one["ok"] for one in found) else 4), done.output
    return {one["golden"]: one for one in found}


def contents(folder: Path) -> dict[str, str]:
    """Every file of a folder with its digest."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop that has been served, with golden scans that end in every way."""
    folder = make_shop(tmp_path_factory.mktemp("golden") / "shop")
    box = trimesh.creation.box((20, 30, 40))
    put(folder, "ball", BALL, trimesh.creation.icosphere(4, 2 * RADIUS))
    put(folder, "box", BOX, box, "box.stl")
    ico = put(folder, "icosahedron", ICOSAHEDRON, icosahedron())
    shutil.copy2(ico / "solid.ply", ico / "another.ply")
    put(folder, "held", "recipe: low\nends: held\nat: low\nfacts: {volume_mm3: {above: 1 ml}}\n", box)
    put(folder, "rejected", "recipe: never\nends: rejected\nat: gate\n", box)
    unread = put(folder, "unread", "recipe: half\nends: rejected\nat: reading\n")
    (unread / "torn.stl").write_bytes(b"solid torn\nfacet normal 0 0")
    refused = put(folder, "refused", "recipe: half\nends: rejected\nat: ticket and recipe\n", box)
    (refused / "solid.ticket.yaml").write_text("set: {size: 900 %}\n")
    small = put(folder, "small", "recipe: half\nfacts: {volume_mm3: {within: 0.001 %, of: 192 mm3}}\n", box)
    (small / "solid.ticket.yaml").write_text("set: {size: 20 %}\n")  # 24,000 mm3 / 125
    put(folder, "lifted", "recipe: lift\nsteps: {lift: {lifted_mm: {within: 0 mm, of: 7 mm},"
        " printer_mm: {within: 0 mm, of: 6 cm}}}\n", box)  # fmt: skip
    put(folder, "fallen", "recipe: fall\nends: rejected\nat: fall\n", box)
    (folder / "golden" / "README.md").write_text("What these are.\n")
    box.export(folder / "inbox" / "box.stl")
    serve(folder, once=True)
    return folder


@pytest.fixture(scope="module")
def results(shop: Path) -> Iterator[dict[str, dict[str, Any]]]:
    """All of them, tested once; nothing in the whole shop may be otherwise afterwards."""
    before = contents(shop)
    assert {".fettlebox/spool.sqlite", "golden/ball/solid.ply"} <= before.keys()
    yield outcome(shop)
    assert contents(shop) == before, "spool, ledger, outbox and golden scans are left as they were"


def test_all_keep_to_what_is_known_of_them(results: dict[str, dict[str, Any]]) -> None:
    assert {name: one["problems"] for name, one in results.items()} == {name: [] for name in results}
    assert len(results) == 10
    assert results["ball"]["bounds"] == 12


@pytest.mark.parametrize(
    ("name", "state", "at"),
    [
        ("ball", "done", None), ("held", "held", "low"), ("rejected", "rejected", "gate"),
        ("unread", "rejected", "reading"), ("refused", "rejected", "ticket and recipe"),
        ("fallen", "rejected", "fall"), ("lifted", "done", None),
    ],
)  # fmt: skip
def test_a_job_ends_where_the_served_shop_would_end_it(
    results: dict[str, dict[str, Any]], name: str, state: str, at: str | None
) -> None:
    assert (results[name]["state"], results[name]["at"]) == (state, at)


def test_the_same_again(shop: Path, results: dict[str, dict[str, Any]]) -> None:
    again = outcome(shop, "--only", "held", "--only", "ball")
    for one in (results, again):
        for name in again:
            one[name].pop("seconds")
    assert list(again) == ["held", "ball"]
    assert again == {name: results[name] for name in again}


def test_check_finds_them_good(shop: Path, results: object) -> None:
    checked = [one for one in check_paths([shop]) if one.path.name == "expect.yaml"]
    assert len(checked) == 10
    assert [one.problems for one in checked] == [()] * 10
    assert run("check", shop / "golden" / "ball" / "expect.yaml").exit_code == 0


class InThisProcess:
    """Workers without the seconds that a child takes to begin."""

    def __init__(self, count: int, perform: Any, limits: Any, private: Path, on_answer: Any) -> None:
        self._perform, self._on_answer = perform, on_answer
        self.steps: dict[str, str] = {}

    def why_not(self, needs: Any) -> str | None:
        return f"this machine has no {min(needs.tags)}" if needs.tags else None

    def start(self, task: Any, needs: Any = NOTHING) -> None:
        result = self._perform(task, lambda step, fraction: self.steps.update({task.job: step}))
        self._on_answer(Answer(task.job, "answered", result=result))

    def settle(self, job: str) -> None:
        self.steps.pop(job)

    def stop(self) -> None:
        pass


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(golden_run, "Workers", InThisProcess)


@pytest.fixture
def alone(tmp_path: Path, quick: None) -> Path:
    """A shop with a ball that is out of bounds in several ways."""
    shop = make_shop(tmp_path / "shop")
    text = BALL.replace("0.5 %, of: 5", "0.1 %, of: 5").replace("bodies: 1", "bodies: 2")
    text = text.replace("height_mm: {below: 10 mm}", "hight_mm: {below: 10 mm}, sound: false")
    text += "  seat: {seated_on: floor}\n"
    put(shop, "ball", text, trimesh.creation.icosphere(4, 2 * RADIUS))
    return shop


def test_what_is_out_of_bounds_is_said_with_its_place(alone: Path) -> None:
    done = run("shop", "test", alone)
    assert done.exit_code == 4
    expect = alone / "golden" / "ball" / "expect.yaml"
    assert done.stdout.startswith("ball: NOT AS EXPECTED, 5 to look at (done; 14 bounds)\n")
    found = re.search(
        re.escape(f"{expect}:4:15: facts › volume_mm3: is ")
        + r"([\d.]+) mm3\n  expected within 0.1 % of 523.5",
        done.stdout,
    )
    assert found and float(found[1]) == pytest.approx(4 / 3 * math.pi * RADIUS**3, rel=0.005)
    assert f"{expect}:9:11: facts › bodies: is 1\n  expected 2\n" in done.stdout
    assert f"{expect}:13:10: steps › gate: there is no fact 'hight_mm'" in done.stdout
    assert "did you mean 'height_mm'?" in done.stdout
    assert f"{expect}:13:43: steps › gate › sound: is true\n  expected false\n" in done.stdout
    assert "seated_on: is 'resting face'\n  expected floor\n" in done.stdout
    assert done.stdout.endswith("1 golden scan: 1 not as expected\n")
    assert done.stderr == "", "progress goes to a terminal only"


def test_another_end_is_told_with_the_reason_and_facts_that_are_there(alone: Path) -> None:
    (alone / "recipes" / "half.yaml").write_text(HALF.replace("15 mm", "5 mm"))
    (alone / "golden" / "ball" / "expect.yaml").write_text(BALL)
    one = outcome(alone)["ball"]
    assert [(problem["place"], problem["expected"]) for problem in one["problems"]] == [("ends", "done")]
    found = one["problems"][0]["found"]
    assert found.startswith("the job is held at gate: the height of the part is 9.9")
    assert found.endswith("it must be below 5 mm")


def test_locked_standards_are_in_force(alone: Path) -> None:
    """A recipe that does not extend the standard, or weakens it, is rejected as in the served shop."""
    text = (alone / "shop.yaml").read_text()
    (alone / "shop.yaml").write_text(text + "standard: standard\n")
    (alone / "recipes" / "standard.yaml").write_text(
        "recipe: standard\nsteps: [{gate: {height: {below: 15 mm}}, locked: true}]\ndeliver: [stl]\n"
    )
    (alone / "recipes" / "weak.yaml").write_text(
        "recipe: weak\nextends: standard\nsteps: [gate: {height: {below: 99 mm}}]\n"
    )
    mesh = trimesh.creation.icosphere(2, 2 * RADIUS)
    put(alone, "weak", "recipe: weak\nends: rejected\nat: ticket and recipe\n", mesh)
    put(alone, "loyal", "recipe: standard\nends: held\nat: gate\n", mesh)
    one = outcome(alone)
    assert one["weak"]["ok"] and "locked" in one["weak"]["reason"]
    assert one["loyal"]["ok"], "20 mm are more than the standard's 15 mm"
    assert "the shop's standard is 'standard'" in one["ball"]["reason"]
    assert [problem["place"] for problem in one["ball"]["problems"]] == ["ends"]


def test_an_expect_file_is_drawn_up_and_never_overwritten_unasked(tmp_path: Path, quick: None) -> None:
    shop = make_shop(tmp_path / "shop")
    folder = shop / "golden" / "box"
    folder.mkdir(parents=True)
    trimesh.creation.box((20, 30, 40)).export(folder / "box.stl")
    missing = run("shop", "test", shop)
    assert missing.exit_code == 2 and f"fettlebox shop test {shop} --record box" in missing.output
    before = contents(shop)
    done = run("shop", "test", shop, "--record", "box", "--recipe", "half")
    assert done.exit_code == 0, done.output
    after = contents(shop)
    assert after.keys() - before.keys() == {"golden/box/expect.yaml", "golden/box/traveler.json"}
    text = (folder / "expect.yaml").read_text()
    assert "  volume_mm3: {within: 0.5 %, of: 3000 mm3}\n" in text, "half of 20 x 30 x 40 mm"
    assert "    - {within: 0.1 mm, of: 20 mm}\n" in text
    assert "  gate:\n    height_mm: {within: 5 %, of: 10 mm}\n" in text and "ends: done\n" in text
    one = outcome(shop)["box"]
    assert one["ok"] and one["recorded"] and one["since"] == []
    assert run("shop", "test", shop, "--record", "box").output.endswith("says already what was measured\n")
    assert contents(shop) == after, "the recipe that is recorded is the one that the file names"

    (shop / "recipes" / "half.yaml").write_text(HALF.replace("default: 50 %", "default: 40 %"))
    one = outcome(shop)["box"]
    assert not one["ok"]
    assert one["since"][:2] == [
        "the recipe changed",
        "the recipe's ask: size was a ratio, at least 10 %, at most 100 %, 50 % unless told; "
        "it is a ratio, at least 10 %, at most 100 %, 40 % unless told",
    ]
    assert not any("the first step" in said for said in one["since"]), "the recipe says which parameters"
    assert any(said.startswith("volume_mm3 was 3000") and "1536" in said for said in one["since"])

    refused = run("shop", "test", shop, "--record", "box")
    assert refused.exit_code == 2
    changed = refused.output.splitlines()
    assert "-  volume_mm3: {within: 0.5 %, of: 3000 mm3}" in changed
    assert "+  volume_mm3: {within: 0.5 %, of: 1536 mm3}" in changed
    assert "--replace" in refused.output and (folder / "expect.yaml").read_text() == text
    assert run("shop", "test", shop, "--record", "box", "--replace").exit_code == 0
    assert outcome(shop)["box"]["ok"]
    assert run("recipe", "diff", folder, shop / "recipes" / "half.yaml").output == "they do the same\n"


def test_a_record_of_a_job_that_is_not_done_says_so_where_and_why(tmp_path: Path, quick: None) -> None:
    shop = make_shop(tmp_path / "shop")
    folder = shop / "golden" / "box"
    folder.mkdir(parents=True)
    trimesh.creation.box((20, 30, 40)).export(folder / "box.stl")
    done = run("shop", "test", shop, "--record", "box", "--recipe", "low")
    assert done.exit_code == 0
    head = "box: the job is held at low: the height of the part is 20 mm; it must be below 3 mm; "
    assert done.stdout.startswith(head), done.stdout
    told = json.loads(run("shop", "test", shop, "--record", "box", "--json").stdout)
    assert (told["state"], told["at"], told["written"]) == ("held", "low", False)
    assert "the height of the part is 20 mm" in told["reason"]
    done = run("shop", "test", shop, "--record", "box", "--recipe", "half", "--replace")
    assert "the job is" not in done.stdout, "one that is done is what was wanted"


def test_what_can_be_read_of_a_file_with_a_mistake_is_kept_when_it_is_recorded_anew(
    tmp_path: Path, quick: None
) -> None:
    """The shop's usual recipe is `half`; it is never taken for one that a file there names otherwise."""
    shop = make_shop(tmp_path / "shop")
    text = "about: A box.\nrecipe: low\nscan: solid.ply\nends: hold\nfacts: {volume: 3}\n"
    folder = put(shop, "box", text, trimesh.creation.box((20, 30, 40)))
    shutil.copy2(folder / "solid.ply", folder / "another.ply")
    done = run("shop", "test", shop, "--record", "box", "--replace")
    assert done.exit_code == 0, done.output
    made = (folder / "expect.yaml").read_text()
    assert 'about: "A box."\nrecipe: low\nscan: "solid.ply"\nends: held\nat: "low"\n' in made

    (folder / "another.ply").unlink()
    for unreadable in ("recipe: [low]\n", "recipe low\n", "repice: low\n", "", "recipe: 'low\n"):
        (folder / "expect.yaml").write_text(unreadable)
        done = run("shop", "test", shop, "--record", "box", "--replace")
        assert done.exit_code == 2 and "names no recipe that can be read" in done.output
        assert (folder / "expect.yaml").read_text() == unreadable
    assert run("shop", "test", shop, "--record", "box", "--replace", "--recipe", "low").exit_code == 0
    assert "recipe: low\n" in (folder / "expect.yaml").read_text()


def test_a_shop_is_the_same_whatever_folder_it_is_named_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The child that does the job runs in another folder, and has to find the recipe that is extended."""
    shop = make_shop(tmp_path / "shop")
    (shop / "recipes" / "mini.yaml").write_text("recipe: mini\nextends: half\n")
    folder = shop / "golden" / "box"
    folder.mkdir(parents=True)
    trimesh.creation.box((20, 30, 40)).export(folder / "box.stl")
    monkeypatch.chdir(shop)
    assert run("shop", "test", ".", "--record", "box", "--recipe", "mini").exit_code == 0
    assert "ends: done\n" in (folder / "expect.yaml").read_text()
    monkeypatch.chdir(tmp_path)
    for name in ("shop", shop):
        one = outcome(Path(name))["box"]
        assert one["ok"] and one["since"] == [], one


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--only", "bal"], "did you mean 'ball'?"),
        (["--record", "none"], "make it and put a scan into it"),
        (["--record", "../inbox"], "there is no folder"),
        (["--record", "ball", "--recipe", "haf"], "did you mean 'half'?"),
        (["--record", "ball", "--only", "ball"], "leave --only out"),
        (["--replace"], "go with --record"),
        (["--recipe", "half"], "go with --record"),
    ],
)
def test_what_cannot_be_asked_for_is_said(alone: Path, arguments: list[str], said: str) -> None:
    before = contents(alone)
    done = run("shop", "test", alone, *arguments)
    assert done.exit_code == 2 and said in done.output
    assert contents(alone) == before


def test_a_shop_without_golden_scans_is_told_how_to_have_one(tmp_path: Path) -> None:
    done = run("shop", "test", make_shop(tmp_path / "shop"))
    assert done.exit_code == 2 and "--record" in done.output
    assert run("shop", "test", tmp_path).exit_code == 2


def test_every_mistake_of_every_golden_scan_is_told_at_once_by_check_and_before_a_test(
    tmp_path: Path,
) -> None:
    shop = make_shop(tmp_path / "shop")
    box = trimesh.creation.box((20, 30, 40))
    put(shop, "a", "recipe: haf\n", box)
    put(shop, "b", "recipe: half\nends: held\nat: gaet\nsteps: {seet: {tilt_deg: {below: 1 deg}}}\n", box)
    put(shop, "bb", "recipe: half\nend: held\nat: gaet\nsteps: {seet: {}}\nfacts: {sound: maybe}\n", box)
    put(shop, "bc", "recipe: haf\nfacts: 5\nscan: sold.ply\n", box)
    put(shop, "bd", "recipe: 5\nends: hold\nscan: ../x.ply\n", box)
    put(shop, "c", "recipe: half\nscan: sold.ply\n", box)
    d = put(shop, "d", "recipe: half\n", box)
    box.export(d / "another.ply")
    put(shop, "e", "recipe: half\n")
    f = put(shop, "f", "recipe: half\n", box)
    (f / "solid.ticket.yaml").write_text("recipe: low\nset: {size: 900 %, colour: red}\n")
    g = put(shop, "g", "recipe: half\n")
    (g / "linked.ply").symlink_to(f / "solid.ply")
    put(shop, "h", "recipe: half\nfacts: {volume: {below: 3 mm3}}\n", box)
    (shop / "golden" / "i").mkdir()
    (shop / "golden" / "stray.ply").write_bytes(b"ply")
    expected = [
        ("a", "1:9: recipe: there is no recipes/haf.yaml", "'half'?"),
        ("b/", "3:5: at: the recipe 'half' has no step 'gaet'", "'gate'?"),
        ("b/", "4:9: steps: the recipe 'half' has no step 'seet'", "'seat'?"),
        ("bb/", "2:1: there is no key 'end' here", "'ends'?"),
        ("bb/", "3:5: at: the recipe 'half' has no step 'gaet'", "'gate'?"),
        ("bb/", "4:9: steps: the recipe 'half' has no step 'seet'", "'seat'?"),
        ("bb/", "5:16: facts › sound: found the text 'maybe'", "true or false"),
        ("bc/", "1:9: recipe: there is no recipes/haf.yaml", "'half'?"),
        ("bc/", "2:8: facts: found the number 5", "expected"),
        ("bc/", "3:7: scan: there is no 'sold.ply' in the folder", "'solid.ply'?"),
        ("bd/", "1:9: recipe: found the number 5", "expected"),
        ("bd/", "2:7: ends: found the text 'hold'", "held"),
        ("bd/", "3:7: scan: found the text '../x.ply'", "expected"),
        ("c", "2:7: scan: there is no 'sold.ply' in the folder", "'solid.ply'?"),
        ("d", "1:1: scan: more than one scan in the folder (another.ply, solid.ply)", "write 'scan: NAME'"),
        ("e", "1:1: there is no scan in the folder", "a mesh"),
        ("f", "1:9: recipe: the ticket solid.ticket.yaml names the recipe 'low'", "keep one"),
        ("f", "2:13: set › size: '900 %' is too large", "at most 100 %"),
        ("f", "2:28: set: this recipe does not ask for 'colour'", "size"),
        ("g", "1:1: scan: linked.ply is a link, not a file or folder", "itself"),
        ("h", "2:9: facts: there is no fact 'volume'", "'volume_mm3'?"),
        ("i", ": the golden scan 'i' has no expect.yaml", "--record i"),
        ("stray.ply", ": this lies beside the folders of golden scans", "golden/stray/stray.ply"),
    ]
    checked = [problem.text() for one in check_paths([shop]) for problem in one.problems]
    done = run("shop", "test", shop)
    assert done.exit_code == 2
    for name, head, advice in expected:
        told = [text for text in checked if head in text and f"golden/{name}" in text]
        assert len(told) == 1 and advice in told[0], (head, advice, checked)
        assert head in done.output
    assert len(checked) == len(expected)


def test_several_takes_of_one_subject_are_one_golden_scan(tmp_path: Path, quick: None) -> None:
    shop = make_shop(tmp_path / "shop")
    expect = "recipe: half\nfacts: {volume_mm3: {within: 0.001 %, of: 125 mm3}}\n"  # of the second take
    folder = put(shop, "takes", expect, trimesh.creation.box((8, 8, 8)), "a.ply")
    trimesh.creation.box((10, 10, 10)).export(folder / "b.ply")
    (folder / "cube.takes.ticket.yaml").write_text("takes: [a.ply, b.ply]\ntake: b.ply\n")
    one = outcome(shop)["takes"]
    assert one["ok"], one


def test_a_scan_in_a_folder_may_bring_its_ticket(tmp_path: Path, quick: None) -> None:
    shop = make_shop(tmp_path / "shop")
    expect = "recipe: half\nfacts: {volume_mm3: {within: 0.001 %, of: 192 mm3}}\n"
    inside = put(shop, "whole", expect) / "capture"
    inside.mkdir()
    trimesh.creation.box((20, 30, 40)).export(inside / "box.stl")
    (inside / "box.ticket.yaml").write_text("set: {size: 20 %}\n")
    assert outcome(shop)["whole"]["ok"]


def test_a_recipe_that_needs_what_this_machine_has_not_is_held_as_in_the_served_shop(
    tmp_path: Path, quick: None
) -> None:
    shop = make_shop(tmp_path / "shop")
    (shop / "recipes" / "half.yaml").write_text("needs: [kiln]\n" + HALF)
    put(shop, "box", "recipe: half\nends: held\n", trimesh.creation.box((20, 30, 40)))
    one = outcome(shop)["box"]
    assert one["ok"] and "kiln" in one["reason"]


def test_no_copy_of_a_scan_is_left_when_it_is_told_to_terminate(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop")
    slow = LIFT.replace("os._exit(3)", "import time; open('begun', 'w').close(); time.sleep(600)")
    (shop / "steps" / "lift.py").write_text(slow)
    text = (shop / "shop.yaml").read_text()
    digest = hashlib.sha256(slow.encode()).hexdigest()
    (shop / "shop.yaml").write_text(re.sub("[0-9a-f]{64}", digest, text))
    put(shop, "slow", "recipe: fall\n", trimesh.creation.box((20, 30, 40)))
    place = tmp_path / "temporary"
    place.mkdir()
    command = [sys.executable, "-m", "fettlebox", "shop", "test", str(shop)]
    with subprocess.Popen(command, env={**os.environ, "TMPDIR": str(place)}, stderr=subprocess.PIPE) as run:
        until = time.monotonic() + 120.0
        while not list(place.rglob("begun")) and run.poll() is None and time.monotonic() < until:
            time.sleep(0.05)
        (scratch,) = place.glob("fettlebox-golden-*")
        assert list(scratch.rglob("solid.ply")) and scratch.stat().st_mode & 0o077 == 0
        run.terminate()
        assert run.wait(60.0) == 130
    assert list(place.iterdir()) == []


def test_the_shop_s_limits_are_in_force(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop")
    slow = LIFT.replace("os._exit(3)", "import time; time.sleep(600)")
    (shop / "steps" / "lift.py").write_text(slow)
    text = re.sub("[0-9a-f]{64}", hashlib.sha256(slow.encode()).hexdigest(), (shop / "shop.yaml").read_text())
    (shop / "shop.yaml").write_text(text + "limits: {time: 2 s}\n")
    put(shop, "slow", "recipe: fall\nends: rejected\n", trimesh.creation.box((20, 30, 40)))
    one = outcome(shop)["slow"]
    assert one["ok"] and one["reason"] == "took longer than the 2 s that this shop allows a job"


def test_a_full_disk_is_said_and_not_taken_for_the_scan_s_fault(
    alone: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*paths: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(golden_run.shutil, "copy2", full)
    done = run("shop", "test", alone)
    assert done.exit_code == 1 and "TMPDIR" in done.output
